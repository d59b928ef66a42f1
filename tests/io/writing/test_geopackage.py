import hashlib
import shutil
import sqlite3
import subprocess
import time
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
import shapely
from fiona.transform import transform
from shapely.geometry import shape

from zonemap.errors import OutputError
from zonemap.io.geopackage import sample_columns, write_geopackage
from zonemap.units import KG_HA_PER_LB_AC, KG_PER_LB, M2_PER_AC
from zonemap.values.samples import Column

LAYERS = ("prescription", "zones", "samples", "boundary", "no_spread")
DEBIAN_PYTHON = "/usr/bin/python3"
VALIDATOR = "osgeo_utils.samples.validate_gpkg"


def has_validator() -> bool:
    if shutil.which(DEBIAN_PYTHON) is None:
        return False
    return (
        subprocess.run([DEBIAN_PYTHON, "-c", f"import {VALIDATOR}"], capture_output=True, check=False).returncode == 0
    )


def write(path: Path, plan: Any, **changes: Any) -> Path:
    given = {
        "field": plan.field,
        "samples": plan.samples,
        "outlines": plan.outlines,
        "prescription": plan.prescription,
        "zone_attributes": {"K need kg/ha": [10.5, 20.25]},
        "identifier": "pipeline 1a2b",
        "written_on": date(2026, 5, 1),
    }
    write_geopackage(path, **{**given, **changes})
    return path


def rows(path: Path, layer: str) -> tuple[list[dict[str, Any]], list[shapely.Geometry], Any]:
    """Read by fiona, whose wheel carries another GDAL than the writer's."""
    with fiona.open(path, layer=layer) as source:
        features = list(source)
        return [dict(each.properties) for each in features], [shape(each.geometry) for each in features], source.crs


def queried(path: Path, query: str) -> list[Any]:
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query).fetchall()


def test_the_prescription_reads_back_with_rates_and_areas_in_its_units(tmp_path: Path, plan: Any) -> None:
    table, _, crs = rows(write(tmp_path / "p.gpkg", plan), "prescription")
    us = plan.prescription.units == "us"
    per_lb_ac, per_ac = (1.0, 1.0) if us else (KG_HA_PER_LB_AC, M2_PER_AC / 10_000)
    well, west, east = 1_600 / M2_PER_AC, (200 * 400 - 800) / M2_PER_AC, (400 * 400 - 800) / M2_PER_AC
    blend = 37.123 / KG_HA_PER_LB_AC
    expected = [
        (1, 100.0, "potash", "2026-05-20", west),
        (2, 205.0, "potash", "2026-05-20", east),
        (0, 0.0, "potash", "2026-05-20", well),
        (1, blend, "Señor blend 21/7", None, west),
        (2, 0.0, "Señor blend 21/7", None, east),
        (0, 0.0, "Señor blend 21/7", None, well),
    ]
    assert crs.to_epsg() == 4326
    assert [(row["zone"], row["product"], row["date"]) for row in table] == [(z, p, d) for z, _, p, d, _ in expected]
    assert {row["unit"] for row in table} == {"lb/ac" if us else "kg/ha"}
    assert [row["rate"] for row in table] == pytest.approx([rate * per_lb_ac for _, rate, *_ in expected], abs=6e-7)
    assert [row["area"] for row in table] == pytest.approx([area * per_ac for *_, area in expected], abs=6e-7)


def test_rate_times_area_in_the_file_adds_up_to_the_product_total(tmp_path: Path, plan: Any) -> None:
    table, _, _ = rows(write(tmp_path / "p.gpkg", plan), "prescription")
    kg = KG_PER_LB if plan.prescription.units == "us" else 1.0
    for application in plan.prescription.applications:
        total = sum(row["rate"] * row["area"] for row in table if row["product"] == application.product.name) * kg
        assert total == pytest.approx(plan.prescription.total_kg(application), abs=1e-3)


def test_outlines_lie_where_another_projection_call_puts_them_to_a_centimetre(tmp_path: Path, plan: Any) -> None:
    _, outlines, _ = rows(write(tmp_path / "p.gpkg", plan), "prescription")
    for written, polygon in zip(outlines, plan.prescription.polygon * 2, strict=True):
        longitude, latitude = zip(*written.exterior.coords, strict=True)
        easting, northing = transform("EPSG:4326", plan.field.crs, longitude, latitude)
        back = shapely.Polygon(zip(easting, northing, strict=True), [])
        assert back.hausdorff_distance(shapely.Polygon(polygon.exterior)) < 0.01


def test_shared_edges_stay_identical_after_rounding(tmp_path: Path, plan: Any) -> None:
    _, outlines, _ = rows(write(tmp_path / "p.gpkg", plan), "prescription")
    coordinates = shapely.get_coordinates(outlines)
    assert np.array_equal(coordinates, np.round(coordinates, 9))
    assert shapely.coverage_is_valid(np.array(outlines[:3], dtype=object))
    assert shapely.union_all(outlines[:3]).interiors[:] == []


def test_outer_rings_turn_counter_clockwise(tmp_path: Path, plan: Any) -> None:
    _, outlines, _ = rows(write(tmp_path / "p.gpkg", plan), "prescription")
    assert all(each.exterior.is_ccw for each in outlines)


def test_zones_boundary_and_no_spread_are_exact_in_the_working_crs(tmp_path: Path, plan: Any) -> None:
    path = write(tmp_path / "p.gpkg", plan)
    zones, zone_outlines, crs = rows(path, "zones")
    _, boundary, _ = rows(path, "boundary")
    no_spread, no_spread_areas, _ = rows(path, "no_spread")
    assert crs.to_epsg() == 32614
    assert [each["zone"] for each in zones] == [1, 2]
    assert [each["K_need_kg_ha"] for each in zones] == [10.5, 20.25]
    assert [a.equals(b) for a, b in zip(zone_outlines, plan.outlines.area, strict=True)] == [True, True]
    assert boundary[0].equals(plan.field.boundary)
    assert no_spread == [{"reason": "domestic well"}]
    assert no_spread_areas[0].equals(plan.field.no_spread[0].area)


def test_samples_keep_their_names_as_text_and_their_gaps(tmp_path: Path, plan: Any) -> None:
    table, points, _ = rows(write(tmp_path / "p.gpkg", plan), "samples")
    us = plan.prescription.units == "us"
    column, value = ("K_lb_ac_day", 1.5 / KG_HA_PER_LB_AC) if us else ("K_kg_ha_day", 1.5)
    assert [row["sample"] for row in table] == ["007", "1e5", "A"]
    assert table[0][column] == pytest.approx(value, abs=1e-9)
    assert table[2][column] is None
    assert [row["organic_matter_percent"] for row in table] == [2.0, 3.0, 4.0]
    assert [row["K_below_detection"] for row in table] == [False, True, False]
    assert [point.x for point in points] == plan.samples.easting_m.tolist()


def test_quantities_that_differ_in_case_only_keep_their_own_column(plan: Any) -> None:
    column = Column("ppm", np.ones(3), np.zeros(3, dtype=bool))
    names = list(sample_columns(replace(plan.samples, columns={"K": column, "k": column, "fid": column}), "metric"))
    assert len({name.casefold() for name in names} - {"fid", "geom"}) == 3


def test_a_field_without_no_spread_areas_has_an_empty_layer(tmp_path: Path, plan: Any) -> None:
    path = write(tmp_path / "p.gpkg", plan, field=replace(plan.field, no_spread=()))
    assert rows(path, "no_spread")[0] == []


def test_the_file_is_a_geopackage_as_the_standard_says(tmp_path: Path, plan: Any) -> None:
    # OGC 12-128, requirements 2 (application_id, user_version), 6 and 7 (integrity), 11 (three reference systems).
    path = write(tmp_path / "p.gpkg", plan)
    assert queried(path, "PRAGMA application_id") == [(0x47504B47,)]
    assert queried(path, "PRAGMA user_version")[0][0] in {10300, 10400}
    assert queried(path, "PRAGMA integrity_check") == [("ok",)]
    assert queried(path, "PRAGMA foreign_key_check") == []
    assert {-1, 0, 4326} <= {row[0] for row in queried(path, "SELECT srs_id FROM gpkg_spatial_ref_sys")}
    for layer in LAYERS:
        count = queried(path, f"SELECT count(*) FROM {layer}")
        assert queried(path, f"SELECT count(*) FROM rtree_{layer}_geom") == count
    tables = [row[0] for row in queried(path, "SELECT table_name FROM gpkg_contents")]
    assert sorted(tables) == sorted([*LAYERS, "layer_styles"])


@pytest.mark.skipif(not has_validator(), reason="needs the GeoPackage validator of Debian's python3-gdal")
@pytest.mark.parametrize("bare", [False, True])
def test_an_independent_validator_accepts_the_file(tmp_path: Path, plan: Any, bare: bool) -> None:
    field = replace(plan.field, no_spread=()) if bare else plan.field
    path = write(tmp_path / "p.gpkg", plan, field=field)
    checked = subprocess.run([DEBIAN_PYTHON, "-m", VALIDATOR, str(path)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_layers_say_what_they_are_and_which_run_made_them(tmp_path: Path, plan: Any) -> None:
    path = write(tmp_path / "p.gpkg", plan)
    described = dict(queried(path, "SELECT table_name, description FROM gpkg_contents WHERE data_type = 'features'"))
    assert "licensed practice" in described["prescription"]
    assert all(text.endswith("pipeline 1a2b") for text in described.values())


def test_the_same_plan_gives_the_same_bytes_at_another_moment(tmp_path: Path, plan: Any) -> None:
    first = hashlib.sha256(write(tmp_path / "a.gpkg", plan).read_bytes()).hexdigest()
    time.sleep(1.1)  # a clock in the file would show: its resolution is a second or finer
    assert hashlib.sha256(write(tmp_path / "b.gpkg", plan).read_bytes()).hexdigest() == first
    assert queried(tmp_path / "a.gpkg", "SELECT DISTINCT last_change FROM gpkg_contents") == [
        ("2026-05-01T00:00:00.000Z",)
    ]


@pytest.mark.parametrize("rate", [-1.0, np.nan, np.inf])
def test_a_rate_that_is_none_is_refused_and_nothing_is_written(tmp_path: Path, plan: Any, rate: float) -> None:
    application = replace(plan.prescription.applications[0], rate_kg_ha=np.array([100.0, rate]))
    prescription = replace(plan.prescription, applications=(application,))
    with pytest.raises(OutputError, match="check prices, analysis and limits"):
        write(tmp_path / "p.gpkg", plan, prescription=prescription)
    assert list(tmp_path.iterdir()) == []


def test_a_polygon_narrower_than_a_tenth_of_a_millimetre_is_refused(tmp_path: Path, plan: Any) -> None:
    sliver = shapely.box(500_000.0, 4_650_000.0, 500_000.00001, 4_650_100.0)
    prescription = replace(plan.prescription, polygon=(sliver, *plan.prescription.polygon[1:]))
    with pytest.raises(OutputError, match="Raise the smallest zone area"):
        write(tmp_path / "p.gpkg", plan, prescription=prescription)


def test_an_existing_file_is_not_added_to(tmp_path: Path, plan: Any) -> None:
    path = write(tmp_path / "p.gpkg", plan)
    with pytest.raises(OutputError, match="Write into an empty folder"):
        write(path, plan)


def test_a_missing_folder_is_an_output_error(tmp_path: Path, plan: Any) -> None:
    with pytest.raises(OutputError, match="Check free space and permission"):
        write(tmp_path / "nowhere" / "p.gpkg", plan)


def test_an_attribute_needs_a_number_for_every_zone(tmp_path: Path, plan: Any) -> None:
    with pytest.raises(ValueError, match="expected 2 values"):
        write(tmp_path / "p.gpkg", plan, zone_attributes={"pH": [6.1]})
