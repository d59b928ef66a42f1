"""Task data (ISO 11783-10): read by an independent reader made strict, and by our own check.

Sources: ISO 11783-11 data base, entity 1 (0.01 mm3/m2) and entity 6 (1 mg/m2); grid order and little-endian values of
grid type 2 from memory of ISO 11783-10.
"""

import hashlib
import re
from dataclasses import fields, is_dataclass, replace
from datetime import date
from decimal import Decimal
from xml.etree import ElementTree

import isoxml.models.base.v3 as version_3
import isoxml.models.base.v4 as version_4
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from isoxml.converter.np_grid import to_numpy_array
from isoxml.converter.shapely_geom import ShapelyConverterV4
from isoxml.models.ddi_entities import DDEntity
from pyproj import Transformer
from shapely import MultiPolygon, box
from xsdata.formats.dataclass.parsers import XmlParser
from xsdata.formats.dataclass.parsers.config import ParserConfig

from zonemap.errors import OutputError
from zonemap.io.iso11783.cells import covering_cells
from zonemap.io.iso11783.layout import MOST_CELLS, lay_out
from zonemap.io.iso11783.quantities import counts, quantity_of
from zonemap.io.iso11783.readme import README, verify_readme, write_readme
from zonemap.io.iso11783.verify import verify_taskdata
from zonemap.io.iso11783.write import write_taskdata
from zonemap.io.prescription_rows import polygons_in_degrees
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product

# --- the independent reader, made strict

STRICT = ParserConfig(fail_on_unknown_properties=True, fail_on_unknown_attributes=True, fail_on_converter_warnings=True)


def read_strictly(folder):
    """The task file and the bytes of its grids."""
    content = (folder / "TASKDATA.XML").read_bytes()
    models = version_4 if b'VersionMajor="4"' in content else version_3
    file = XmlParser(STRICT).from_bytes(content, models.Iso11783TaskData)
    _check(file)
    grids = {path.stem: path.read_bytes() for path in folder.glob("*.BIN")}
    _check_references(file)
    _check_grids(file, grids)
    return file, grids


def _check(element):
    """Walk the values and hold them against the limits that the schema's classes carry."""
    for one in fields(element):
        value, limits = getattr(element, one.name), one.metadata
        if value is None:
            _require(not limits.get("required"), one, "is missing")
        elif isinstance(value, list):
            _require(len(value) >= limits.get("min_occurs", 0), one, "is too few")
            for each in value:
                _check(each)
        elif is_dataclass(value):
            _check(value)
        else:
            _check_value(value, one, limits)


def _check_value(value, one, limits):
    if isinstance(value, str):
        _require(len(value) <= limits.get("max_length", len(value)), one, "is too long")
        _require(len(value) >= limits.get("min_length", 0), one, "is too short")
        _require(re.fullmatch(limits.get("pattern", ".*"), value, re.DOTALL) is not None, one, "has another pattern")
    if isinstance(value, (int, float, Decimal)):
        _require(value >= limits.get("min_inclusive", value), one, "is too small")
        _require(value <= limits.get("max_inclusive", value), one, "is too large")
    if isinstance(value, Decimal) and "fraction_digits" in limits:
        _require(-value.as_tuple().exponent <= limits["fraction_digits"], one, "has too many decimals")


def _check_references(file):
    """What is referred to is there: fields, products, presentations, zones, and entities of the data dictionary."""
    ids = {each.id for each in (*file.partfields, *file.products)}
    units = {each.id: each.unit_designator for each in file.value_presentations}
    for task in file.tasks:
        zones = [zone.code for zone in task.treatment_zones]
        codes = {task.default_treatment_zone_code, task.position_lost_treatment_zone_code}
        codes |= {task.out_of_field_treatment_zone_code, *(grid.treatment_zone_code for grid in task.grids)} - {None}
        values = [value for zone in task.treatment_zones for value in zone.process_data_variables]
        named = {task.partfield_id_ref, *(value.product_id_ref for value in values)}
        if not named <= ids or not codes <= set(zones) or len(set(zones)) != len(zones):
            raise ValueError(f"{task.id} refers to {named - ids or codes - set(zones) or 'a code that is there twice'}")
        for value in values:
            entity = DDEntity.from_bytes(value.process_data_ddi)
            liquid = units[value.value_presentation_id_ref] in {"gal/ac", "l/ha"}
            if not entity.name.startswith("Setpoint") or entity.unit != ("mm³/m²" if liquid else "mg/m²"):
                raise ValueError(f"{entity.name} is no rate to be spread in that unit")


def _check_grids(file, grids):
    """A file for every grid, as long as stated and as its cells need: a byte a code, four a value."""
    told = [grid for task in file.tasks for grid in task.grids]
    if sorted(grid.filename for grid in told) != sorted(grids):
        raise ValueError("the grids of the file are not those of the folder")
    for grid in told:
        needed = grid.maximum_row * grid.maximum_column * (1 if grid.type.value == "1" else 4)
        if not len(grids[grid.filename]) == grid.filelength == needed:
            raise ValueError(f"{grid.filename} has {len(grids[grid.filename])} bytes, {needed} are needed")
        if (grid.treatment_zone_code is None) != (grid.type.value == "1"):
            raise ValueError("a grid of values needs a template zone, a grid of codes none")


def _require(holds, one, what):
    if not holds:
        raise ValueError(f"{one.metadata.get('full_name', one.name)} {what}")


# --- fields

KINDS = ("grid_1", "grid_2", "zones")
VERSIONS = (3, 4)
EAST, NORTH = 500_000.0, 4_650_000.0


def stated(plan, **changes):
    given_ = {"field_name": "Alder Flat", "prescription": plan.prescription, "boundary": plan.field.boundary}
    return given_ | changes


def strips(rates, *, units="metric", width=40.0, product=None, crs="EPSG:32614"):
    """Strips side by side, one zone each; the boundary is their union."""
    polygons = tuple(
        box(EAST + width * number, NORTH, EAST + width * (number + 1), NORTH + 100) for number in range(len(rates))
    )
    rates = np.array(rates, dtype=float)
    application = Application(product or Product("potash", {}), date(2026, 5, 20), rates, rates)
    prescription = Prescription(units, crs, polygons, np.arange(1, len(rates) + 1), (application,))
    return {"field_name": "strips", "prescription": prescription, "boundary": shapely.union_all(polygons)}


def in_metres(polygon, crs="EPSG:32614"):
    project = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    return shapely.transform(polygon, lambda v: np.column_stack(project.transform(v[:, 0], v[:, 1])))


# --- rates


@pytest.mark.parametrize(
    ("product", "rate_kg_ha", "ddi", "expected"),
    [
        (Product("potash", {}), 150.0, 6, 15_000),  # 150 kg/ha is 15 g on a square metre
        (Product("potash", {}), 100 * KG_HA_PER_LB_AC, 6, 11_209),
        # 1 US gal/ac: 3.785411784 l on 4046.8564224 m2, of a liquid of 1 kg/l
        (Product("water", {}, density_kg_l=1.0), 3.785411784 / 0.40468564224, 1, 93_540),
        (Product("liquid", {}, density_kg_l=1.28), 128.0, 1, 1_000_000),  # 100 l/ha
    ],
)
def test_rates_become_the_whole_numbers_of_the_data_dictionary(product, rate_kg_ha, ddi, expected):
    quantity = quantity_of(product, "us")

    assert quantity.ddi == ddi
    assert counts(np.array([rate_kg_ha]), quantity, where="").tolist() == [expected]


@pytest.mark.parametrize(
    ("product", "units", "rate_kg_ha", "shown"),
    [
        (Product("potash", {}), "us", 100 * KG_HA_PER_LB_AC, "100.0 lb/ac"),
        (Product("potash", {}), "metric", 150.0, "150.0 kg/ha"),
        (Product("liquid", {}, density_kg_l=1.28), "metric", 128.0, "100.0 l/ha"),
        (Product("liquid", {}, density_kg_l=1.28), "us", 20 * 1.28 * 3.785411784 / 0.40468564224, "20.0 gal/ac"),
    ],
)
def test_the_presentation_shows_the_unit_people_read(tmp_path, product, units, rate_kg_ha, shown):
    write_taskdata(tmp_path, **strips([rate_kg_ha], units=units, product=product), kind="zones")

    file, _ = read_strictly(tmp_path / "TASKDATA")

    (presentation,) = file.value_presentations
    value = file.tasks[0].treatment_zones[1].process_data_variables[0].process_data_value
    number = (value + presentation.offset) * float(presentation.scale)
    assert f"{number:.{presentation.number_of_decimals}f} {presentation.unit_designator}" == shown


@pytest.mark.parametrize("rate", [-1.0, np.nan, np.inf, 3e7])
def test_a_rate_that_does_not_fit_is_refused(tmp_path, rate):
    with pytest.raises(OutputError, match="check prices"):
        write_taskdata(tmp_path, **strips([rate]))
    assert not (tmp_path / "TASKDATA").exists()


# --- every variant, by the independent reader


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("kind", KINDS)
def test_the_independent_reader_finds_every_value(tmp_path, plan, version, kind):
    written = write_taskdata(tmp_path, **stated(plan), version=version, kind=kind)
    verify_taskdata(tmp_path, **stated(plan), version=version, kind=kind)

    file, grids = read_strictly(tmp_path / "TASKDATA")

    assert file.version_major.value == str(version)
    assert file.data_transfer_origin.value == "1"
    assert [product.designator for product in file.products] == ["potash", "Señor blend 21/7"]
    assert [task.designator for task in file.tasks] == ["2026-05-20 potash", "Señor blend 21/7"]
    assert file.partfields[0].area == 240_000
    ids = {each.id for each in (*file.products, *file.value_presentations, *file.partfields)}
    for task, application in zip(file.tasks, plan.prescription.applications, strict=True):
        rates = np.rint(np.concatenate([[0.0], application.rate_kg_ha]) * 100).astype(int).tolist()
        found = {z.code: z.process_data_variables[0] for z in task.treatment_zones}
        assert found[task.out_of_field_treatment_zone_code].process_data_value == 0
        assert found[task.position_lost_treatment_zone_code].process_data_value == 0
        for process in found.values():
            assert int.from_bytes(process.process_data_ddi, "big") == 6
            assert {process.product_id_ref, process.value_presentation_id_ref, task.partfield_id_ref} <= ids
        if kind != "grid_2":
            assert [found[code].process_data_value for code in (0, 1, 2)] == rates
        if kind == "zones":
            assert not task.grids
            assert not grids
            assert [len(zone.polygons) for zone in task.treatment_zones] == [1, 1, 1]
        else:
            compare_cells(task.grids[0], grids, plan.prescription, rates if kind == "grid_2" else [0, 1, 2])
    assert all(abs(total.difference) <= 0.001 for total in written.totals)
    assert written.notes == ()


def compare_cells(grid, files, prescription, by_zone):
    """Cell by cell, the value of the polygon that holds the centre; a slow plain loop."""
    assert DDEntity.from_id(6).bit_resolution == 1
    values = to_numpy_array(files[grid.filename], grid)
    assert grid.filelength == len(files[grid.filename])
    outlines = polygons_in_degrees(prescription, clockwise=False, where="")
    south, west = float(grid.minimum_north_position), float(grid.minimum_east_position)
    for row in range(0, grid.maximum_row, 7):
        for column in range(0, grid.maximum_column, 7):
            centre = shapely.Point(
                west + (column + 0.5) * grid.cell_east_size, south + (row + 0.5) * grid.cell_north_size
            )
            inside = [zone for outline, zone in zip(outlines, prescription.zone, strict=True) if outline.covers(centre)]
            expected = {by_zone[zone] for zone in inside} or {0}
            assert values[row, column] in expected


@pytest.mark.parametrize("version", VERSIONS)
def test_the_first_cell_lies_in_the_south_west_and_the_second_east_of_it(tmp_path, version):
    polygons = (box(0, 0, 10, 10), box(10, 0, 20, 10), box(0, 10, 10, 20), box(10, 10, 20, 20))
    polygons = tuple(shapely.affinity.translate(each, EAST, NORTH) for each in polygons)
    rates = np.array([1.0, 2.0, 3.0, 400.0])
    application = Application(Product("urea", {}), None, rates, rates)
    prescription = Prescription("metric", "EPSG:32614", polygons, np.array([1, 2, 3, 4]), (application,))
    given_ = {"field_name": "f", "prescription": prescription, "boundary": box(EAST, NORTH, EAST + 20, NORTH + 20)}

    write_taskdata(tmp_path, **given_, version=version, cell_m=10.0)

    # the field is 20 m and a hair, so that a third row and column hold the hair
    content = (tmp_path / "TASKDATA" / "GRD00001.BIN").read_bytes()
    values = np.array([int.from_bytes(content[at : at + 4], "little") for at in range(0, len(content), 4)])
    columns = int(read_strictly(tmp_path / "TASKDATA")[0].tasks[0].grids[0].maximum_column)
    assert values.reshape(-1, columns)[:2, :2].tolist() == [[100, 200], [300, 40_000]]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("kind", KINDS)
def test_holes_and_several_parts_come_back(tmp_path, version, kind):
    outer = box(EAST, NORTH, EAST + 300, NORTH + 300)
    ring = outer.difference(box(EAST + 100, NORTH + 100, EAST + 200, NORTH + 200))
    apart = box(EAST + 500, NORTH, EAST + 600, NORTH + 100)
    rates = np.array([120.0])
    application = Application(Product("lime", {}), None, rates, rates)
    prescription = Prescription("metric", "EPSG:32614", (ring, apart), np.array([1, 1]), (application,))
    given_ = {"field_name": "f", "prescription": prescription, "boundary": MultiPolygon([ring, apart])}
    write_taskdata(tmp_path, **given_, version=version, kind=kind)
    verify_taskdata(tmp_path, **given_, version=version, kind=kind)

    file, _ = read_strictly(tmp_path / "TASKDATA")

    outlines = file.partfields[0].polygons
    rings = [[ring.type.value for ring in outline.line_strings] for outline in outlines]
    assert rings == ([["1", "2", "1"]] if version == 3 else [["1", "2"], ["1"]])
    if version == 4:
        read = MultiPolygon([ShapelyConverterV4().to_shapely_polygon(each) for each in outlines])
        assert in_metres(read).symmetric_difference(MultiPolygon([ring, apart])).area < 0.5


def test_markup_in_names_is_text(tmp_path):
    name = '<b>&amp; "X"\'</b>'
    given_ = strips([10.0], product=Product(name, {})) | {"field_name": "]]><!--"}
    write_taskdata(tmp_path, **given_)
    verify_taskdata(tmp_path, **given_)

    file, _ = read_strictly(tmp_path / "TASKDATA")

    assert file.products[0].designator == name
    assert file.partfields[0].designator == "]]><!--"


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_library_that_writes_xml_writes_the_same_bytes(tmp_path, plan, version, kind):
    name = '<b>&amp; "ñ" >'
    changed = replace(plan.prescription.applications[0], product=Product(name, {}))
    prescription = replace(plan.prescription, applications=(changed, plan.prescription.applications[1]))
    write_taskdata(tmp_path, **stated(plan, prescription=prescription, field_name=name), version=version, kind=kind)
    content = (tmp_path / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")

    root = ElementTree.fromstring(content)
    ElementTree.indent(root, space=" ")

    assert root.find("PDT").attrib["B"] == root.find("PFD").attrib["C"] == name
    declaration = '<?xml version="1.0" encoding="UTF-8"?>'
    assert f"{declaration}\n{ElementTree.tostring(root, encoding='unicode')}\n" == content


def test_cells_laid_out_before_give_the_same_bytes(tmp_path, plan):
    layout = lay_out(plan.prescription, plan.field.boundary, swath_m=24.0)
    for name, given_ in (("one", {"swath_m": 24.0}), ("two", {"layout": layout})):
        (tmp_path / name).mkdir()
        write_taskdata(tmp_path / name, **stated(plan), **given_)
    one, two = (
        {path.name: path.read_bytes() for path in (tmp_path / name / "TASKDATA").iterdir()} for name in ("one", "two")
    )
    assert one == two


@pytest.mark.parametrize(
    "fault",
    [("in these files", "in those"), ("Rates are advice", ""), ("potash", "lime"), ("all zones it is 0", "it is 9")],
)
def test_a_text_beside_the_task_data_that_says_another_total_is_refused(tmp_path, plan, fault):
    data = write_taskdata(tmp_path, **stated(plan))
    totals = verify_taskdata(tmp_path, **stated(plan))
    path = tmp_path / README
    write_readme(path, "Alder Flat", data, variant="version 4", prescription=plan.prescription, notes=())
    verify_readme(path, totals, prescription=plan.prescription)
    path.write_text(path.read_text(encoding="utf-8").replace(*fault), encoding="utf-8")
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_readme(path, totals, prescription=plan.prescription)


def test_long_names_that_begin_alike_are_cut_and_stay_apart(tmp_path):
    given_ = strips([10.0])
    first = given_["prescription"].applications[0]
    same = "sulphate of potash magnesia, granular ñ"
    both = tuple(replace(first, product=Product(f"{same} {colour}", {})) for colour in ("red", "white"))
    given_["prescription"] = replace(given_["prescription"], applications=both)
    write_taskdata(tmp_path, **given_)
    verify_taskdata(tmp_path, **given_)

    file, _ = read_strictly(tmp_path / "TASKDATA")

    assert len({product.designator for product in file.products}) == 2
    assert len({task.designator for task in file.tasks}) == 2


def test_a_name_that_xml_cannot_hold_is_refused(tmp_path):
    with pytest.raises(OutputError, match="Remove that character"):
        write_taskdata(tmp_path, **strips([10.0], product=Product("a\ufffeb", {})))
    assert not (tmp_path / "TASKDATA").exists()


def test_the_rate_where_the_position_is_lost_is_the_one_told(tmp_path):
    given_ = strips([10.0, 20.0])
    lost = given_ | {"prescription": replace(given_["prescription"], position_lost_rate_kg_ha=55.0)}
    write_taskdata(tmp_path, **lost, kind="grid_1")
    verify_taskdata(tmp_path, **lost, kind="grid_1")

    task = read_strictly(tmp_path / "TASKDATA")[0].tasks[0]

    value = {z.code: z.process_data_variables[0].process_data_value for z in task.treatment_zones}
    assert value == {0: 0, 1: 1000, 2: 2000, 3: 5500}
    assert task.position_lost_treatment_zone_code == 3
    assert task.default_treatment_zone_code == task.out_of_field_treatment_zone_code == 0
    with pytest.raises(OutputError, match="does not hold"):
        verify_taskdata(tmp_path, **given_, kind="grid_1")


@pytest.mark.parametrize("lost", [0.0, 55.0])
@pytest.mark.parametrize("kind", KINDS)
def test_the_rate_outside_is_the_one_told_and_is_in_no_total(tmp_path, kind, lost):
    given_ = strips([10.0, 20.0])
    elsewhere = replace(given_["prescription"], outside_rate_kg_ha=30.0, position_lost_rate_kg_ha=lost)
    # twice as wide as the zones, so that the grid has cells outside of them
    west, south, east, north = given_["boundary"].bounds
    wide = given_ | {"prescription": elsewhere, "boundary": box(west, south, 2 * east - west, north)}

    written = write_taskdata(tmp_path, **wide, kind=kind)
    totals = verify_taskdata(tmp_path, **wide, kind=kind)

    file, grids = read_strictly(tmp_path / "TASKDATA")
    task = file.tasks[0]
    value = {z.code: z.process_data_variables[0].process_data_value for z in task.treatment_zones}
    assert value[task.out_of_field_treatment_zone_code] == 3000
    assert value[task.position_lost_treatment_zone_code] == 100 * lost
    assert value[task.default_treatment_zone_code] == 0
    if kind != "zones":
        cells = to_numpy_array(grids[task.grids[0].filename], task.grids[0])
        east_half = cells[:, 3 * cells.shape[1] // 4 :]
        assert (east_half == (3000 if kind == "grid_2" else task.out_of_field_treatment_zone_code)).all()
    assert totals == written.totals
    assert totals[0].written_kg == pytest.approx(totals[0].planned_kg, rel=0.02)  # 12 kg: 0.4 ha at 10 and at 20 kg/ha
    with pytest.raises(OutputError, match="does not hold"):
        verify_taskdata(tmp_path, **wide | {"prescription": given_["prescription"]}, kind=kind)


@pytest.mark.parametrize("kind", KINDS)
def test_what_lies_past_the_boundary_is_told_apart_from_the_plan(tmp_path, kind):
    # 40 x 100 m at 10 kg/ha, of which the field holds 30 x 100 m: 3 kg in it and 1 kg past it
    given_ = strips([10.0])
    west, south, east, north = given_["boundary"].bounds
    past = replace(given_["prescription"], inside_ha=np.array([0.3]))
    given_ |= {"prescription": past, "boundary": box(west, south, east - 10, north)}

    written = write_taskdata(tmp_path, **given_, kind=kind, cell_m=2.0)
    (total,) = verify_taskdata(tmp_path, **given_, kind=kind)

    assert (total.planned_kg, total.beyond_kg) == pytest.approx((4.0, 1.0))
    assert total.written_kg == pytest.approx(4.0, rel=0.01)
    assert abs(total.difference) < 0.01
    path = tmp_path / README
    write_readme(path, "strips", written, variant="version 4", prescription=past, notes=())
    assert "1.0 kg of it past the boundary" in path.read_text(encoding="utf-8")


def test_more_zones_than_codes_are_refused_where_codes_are_needed(tmp_path):
    many = strips(np.arange(255.0), width=5.0)
    for kind in ("grid_1", "zones"):
        with pytest.raises(OutputError, match="Write a grid of type 2"):
            write_taskdata(tmp_path, **many, kind=kind)
    assert write_taskdata(tmp_path, **many, kind="grid_2").paths


# --- totals and cells


@pytest.mark.parametrize("kind", KINDS)
def test_the_total_is_the_one_of_an_independent_sum(tmp_path, plan, kind):
    written = write_taskdata(tmp_path, **stated(plan), kind=kind, swath_m=24.0)

    file, grids = read_strictly(tmp_path / "TASKDATA")
    for total, task in zip(written.totals, file.tasks, strict=True):
        rate = {z.code: z.process_data_variables[0].process_data_value / 100 for z in task.treatment_zones}
        if kind == "zones":
            areas = {
                zone.code: sum(in_metres(ShapelyConverterV4().to_shapely_polygon(p)).area for p in zone.polygons)
                for zone in task.treatment_zones
            }
            by_hand = sum(rate[code] * area / 10_000 for code, area in areas.items())
        else:
            grid = task.grids[0]
            values = to_numpy_array(grids[grid.filename], grid)
            west, south = float(grid.minimum_east_position), float(grid.minimum_north_position)
            by_hand = 0.0
            for row in range(grid.maximum_row):  # every cell of a row is as large as its first, to a millionth
                bottom, left = south + row * grid.cell_north_size, west
                area = in_metres(box(left, bottom, left + grid.cell_east_size, bottom + grid.cell_north_size)).area
                of_row = values[row] / 100 if kind == "grid_2" else np.array([rate[code] for code in values[row]])
                by_hand += float(of_row.sum()) * area / 10_000
        assert total.written_kg == pytest.approx(by_hand, rel=1e-6)
        assert total.written_kg == pytest.approx(total.planned_kg, rel=0.001)


def test_cells_are_no_wider_than_a_third_of_the_swath(tmp_path, plan):
    write_taskdata(tmp_path, **stated(plan), swath_m=15.0)

    grid = read_strictly(tmp_path / "TASKDATA")[0].tasks[0].grids[0]

    south, west = float(grid.minimum_north_position), float(grid.minimum_east_position)
    cell = in_metres(box(west, south, west + grid.cell_east_size, south + grid.cell_north_size))
    assert np.sqrt(cell.area) <= 5.01


def test_a_total_that_cells_change_is_noted(tmp_path):
    written = write_taskdata(tmp_path, **strips([100.0], width=33.0), cell_m=20.0)

    (total,) = written.totals
    assert abs(total.difference) > 0.001
    assert [note.kind for note in written.notes] == ["warning"]
    assert f"{total.difference:+.2%}" in written.notes[0].text


def test_too_many_cells_are_made_coarser_and_noted(tmp_path):
    given_ = strips([100.0], width=5_000.0)

    written = write_taskdata(tmp_path, **given_, cell_m=0.5)

    grid = read_strictly(tmp_path / "TASKDATA")[0].tasks[0].grids[0]
    assert 0.9 * MOST_CELLS < grid.maximum_row * grid.maximum_column <= MOST_CELLS
    assert "instead of 0.5 m" in written.notes[0].text


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rates=st.lists(st.floats(0, 5_000), min_size=1, max_size=6),
    kind=st.sampled_from(KINDS),
    version=st.sampled_from(VERSIONS),
    crs=st.sampled_from(["EPSG:32614", "EPSG:32756"]),
    units=st.sampled_from(["us", "metric"]),
    density=st.sampled_from([None, 1.28]),
)
def test_what_is_written_is_read_back(tmp_path_factory, rates, kind, version, crs, units, density):
    folder = tmp_path_factory.mktemp("task")
    product = Product("it", {}, density_kg_l=density)
    given_ = strips(rates, product=product, crs=crs, units=units)

    write_taskdata(folder, **given_, kind=kind, version=version)
    totals = verify_taskdata(folder, **given_, kind=kind, version=version)

    file, grids = read_strictly(folder / "TASKDATA")
    factor = 100 if density is None else 10_000 / density
    if kind == "grid_2":
        values = np.frombuffer(next(iter(grids.values())), dtype="<i4")
        assert set(values.tolist()) <= {0, *np.rint(np.array(rates) * factor).astype(int).tolist()}
    else:
        zones = file.tasks[0].treatment_zones[1:]
        found = [zone.process_data_variables[0].process_data_value for zone in zones]
        assert found == pytest.approx(np.array(rates) * factor, abs=0.5 + 1e-6)
    if kind == "zones":
        assert totals[0].written_kg == pytest.approx(totals[0].planned_kg, abs=0.5 / factor * len(rates) + 1e-2)


@given(latitude=st.floats(-70, 70), longitude=st.floats(-170, 170), cell_m=st.floats(0.5, 30))
def test_cells_cover_the_field_and_are_as_wide_as_asked(latitude, longitude, cell_m):
    field = box(longitude, latitude, longitude + 0.01, latitude + 0.01)
    cells = covering_cells([field], cell_m=cell_m)
    assert cells.west_deg + cells.columns * cells.width_deg >= longitude + 0.01 - 1e-12
    assert cells.south_deg + cells.rows * cells.height_deg >= latitude + 0.01 - 1e-12
    # a degree of latitude is 110.57 to 111.69 km (WGS 84)
    assert 110_500 <= cell_m / cells.height_deg <= 111_750


def test_the_same_prescription_gives_the_same_bytes(tmp_path, plan):
    hashes = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        paths = write_taskdata(tmp_path / name, **stated(plan)).paths
        hashes.append([(path.name, hashlib.sha256(path.read_bytes()).hexdigest()) for path in paths])
    assert hashes[0] == hashes[1]
    assert [name for name, _ in hashes[0]] == ["TASKDATA.XML", "GRD00001.BIN", "GRD00002.BIN"]


# --- what is broken is refused


def edited(old, new):
    """Replace text of the task file."""

    def edit(folder):
        path = folder / "TASKDATA.XML"
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return edit


def cut_grid(folder):
    path = folder / "GRD00001.BIN"
    path.write_bytes(path.read_bytes()[:-4])


def changed_cell(folder):
    path = folder / "GRD00001.BIN"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))


def rows_from_the_north(folder):
    path = folder / "GRD00001.BIN"
    columns = read_strictly(folder)[0].tasks[0].grids[0].maximum_column
    path.write_bytes(np.frombuffer(path.read_bytes(), dtype="<i4").reshape(-1, columns)[::-1].tobytes())


def one_file_more(folder):
    (folder / "GRD00009.BIN").write_bytes(b"")


def lost_grid(folder):
    (folder / "GRD00001.BIN").unlink()


#: what another reader, bound to the schema and to what its references mean, must refuse as well
AGAINST_THE_STANDARD = {
    "unknown element": edited("<PDT", '<XYZ A="1" /><PDT'),
    "unknown attribute": edited('B="potash"', 'B="potash" Q="1"'),
    "missing attribute": edited(' G="1" H="0"', ' H="0"'),
    "long designator": edited('B="potash"', 'B="potash potash potash potash potash"'),
    "code beyond 254": edited('<TZN A="1"', '<TZN A="255"'),
    "id of another pattern": edited('A="TSK1"', 'A="TASK1"'),
    "latitude beyond the pole": edited('<GRD A="42.', '<GRD A="142.'),
    "value that is no whole number": edited('B="0" C="PDT1"', 'B="0.5" C="PDT1"'),
    "grid type 3": edited('I="2" J="1"', 'I="3" J="1"'),
    "version 5": edited('VersionMajor="4"', 'VersionMajor="5"'),
    "grid cut short": cut_grid,
    "grid lost": lost_grid,
    "a grid too many": one_file_more,
    "another length than the file's": edited('H="10004"', 'H="10000"'),
    "a column more than there are values": edited('E="61"', 'E="62"'),
    "codes where values stand": edited('I="2" J="1"', 'I="1"'),
    "values without a template": edited(' I="2" J="1"', ' I="2"'),
    "entity that no one knows": edited('A="0006"', 'A="DEAD"'),
    "entity of what was spread, not of what is to be": edited('A="0006"', 'A="0007"'),
    "volume in a unit of mass": edited('A="0006"', 'A="0001"'),
    "entity of five digits": edited('A="0006"', 'A="00006"'),
    "product that is not there": edited('C="PDT1"', 'C="PDT9"'),
    "presentation that is not there": edited('E="VPN1"', 'E="VPN9"'),
    "field that is not there": edited('E="PFD1"', 'E="PFD9"'),
    "zone that is not there": edited('I="0" J="0">', 'I="9" J="0">'),
    "one code twice": edited('<TZN A="1"', '<TZN A="0"'),
    "text where a number belongs": edited('D="240000"', 'D="24 ha"'),
}
#: what only the prescription can tell
AGAINST_THE_PLAN = {
    "one cell changed": changed_cell,
    "rows from the north": rows_from_the_north,
    "a rate outside of the field": edited('B="0" C="PDT1"', 'B="9000" C="PDT1"'),
    "another code outside of the field": edited('J="0">', 'J="1">'),
    "another product": edited('C="PDT1"', 'C="PDT2"'),
    "another scale": edited('<VPN A="VPN1" B="0" C="0.0', '<VPN A="VPN1" B="0" C="0.1'),
    "boundary moved by a millimetre": edited('C="42.002015240"', 'C="42.002015250"'),
    "grid moved by a cell": edited('<GRD A="42.002', '<GRD A="42.003'),
    "grid as wide as high": edited('E="', 'E="1'),
    "another unit": edited(' D="1" E="', ' D="1" E="x'),
    "another area": edited('D="240000"', 'D="240001"'),
    "document type": edited("<ISO", '<!DOCTYPE x [<!ENTITY e "y">]><ISO'),
    "no xml": edited("</ISO11783_TaskData>", ""),
}


@pytest.fixture
def whole(tmp_path, plan):
    write_taskdata(tmp_path, **stated(plan))
    return tmp_path


@pytest.mark.parametrize("fault", AGAINST_THE_STANDARD)
@pytest.mark.parametrize("units", ["us"], indirect=True)
def test_what_the_standard_forbids_is_refused_by_both_readers(whole, plan, fault):
    AGAINST_THE_STANDARD[fault](whole / "TASKDATA")

    with pytest.raises((ValueError, TypeError, KeyError, Warning)):
        read_strictly(whole / "TASKDATA")
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_taskdata(whole, **stated(plan))


@pytest.mark.parametrize("fault", AGAINST_THE_PLAN)
def test_what_differs_from_the_plan_is_refused(whole, plan, fault):
    AGAINST_THE_PLAN[fault](whole / "TASKDATA")

    with pytest.raises(OutputError, match="Nothing was published"):
        verify_taskdata(whole, **stated(plan))


@pytest.mark.parametrize(("version", "kind"), [(3, "grid_2"), (4, "grid_1"), (4, "zones")])
def test_another_version_or_kind_than_asked_for_is_refused(whole, plan, version, kind):
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_taskdata(whole, **stated(plan), version=version, kind=kind)


def test_an_outline_of_a_zone_that_moved_is_refused(tmp_path, plan):
    write_taskdata(tmp_path, **stated(plan), kind="zones")
    edited('<PNT A="2" C="42.003636647"', '<PNT A="2" C="42.003636657"')(tmp_path / "TASKDATA")
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_taskdata(tmp_path, **stated(plan), kind="zones")


def test_task_data_that_is_there_already_is_left_alone(whole, plan):
    before = (whole / "TASKDATA" / "TASKDATA.XML").read_bytes()
    with pytest.raises(OutputError, match="holds no task data yet"):
        write_taskdata(whole, **stated(plan))
    assert (whole / "TASKDATA" / "TASKDATA.XML").read_bytes() == before
