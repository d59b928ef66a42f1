"""A whole plan whose file reaches past the boundary: what is published is what the terms ask for."""

import json

import pyogrio.raw
import pytest
import shapely
from click.testing import CliRunner
from isoxml.util.isoxml_io import isoxml_from_path

from zonemap.cli import main
from zonemap.job import plan_field
from zonemap.report.changes import changes_summary
from zonemap.units import HA_PER_AC, KG_PER_LB

TERMS = """
[[no_spread]]
line = [{line}]
distance_m = 12
reason = "ditch"

[prescription]
extend_edge_m = 8
minimum_polygon_ha = 0.2
most_polygons = 12
"""


@pytest.fixture
def published(copy_of, tmp_path):
    """Outcome of a sample field with a ditch across it."""
    folder = copy_of("limed_rotation")

    outline = json.loads((folder / "boundary.geojson").read_text(encoding="utf-8"))
    west, south, east, north = shapely.from_geojson(json.dumps(outline["features"][0]["geometry"])).bounds
    at = west + 0.4 * (east - west)
    line = f"[{at}, {south - 0.001}], [{at + 0.0005}, {north + 0.001}]"
    with (folder / "field.toml").open("a", encoding="utf-8") as toml:
        toml.write(TERMS.format(line=line))
    return plan_field(folder, out=tmp_path / "out")


def test_what_is_published_keeps_to_the_field_in_its_totals_and_off_the_ditch_everywhere(published):
    plan, prescription = published.plan, published.plan.prescription
    field = plan.case.field
    areas = shapely.from_wkb(shapely.to_wkb(list(prescription.polygon)))

    assert len(areas) <= 12
    assert shapely.coverage_is_valid(areas)
    assert prescription.area_ha.sum() == pytest.approx(field.area_ha, rel=1e-6)
    spread = shapely.union_all(areas[prescription.zone > 0])
    ditch = shapely.union_all([place.area for place in field.no_spread])
    # strips under 3 cm change hands along an edge
    assert spread.intersection(ditch).area <= 0.03 * ditch.length
    assert spread.intersection(field.no_spread_around).area <= 0.03 * field.no_spread_around.length
    assert spread.difference(field.boundary).area > 0.8 * 8 * (field.boundary.length - 4 * 24)

    per_area, per_mass = (HA_PER_AC, KG_PER_LB) if plan.case.units == "us" else (1.0, 1.0)
    written = {each["product"]: each["as_written_kg"] for each in changes_summary(plan)}
    for path in sorted((published.folder / "controller").glob("*.shp")):
        meta, _, _, values = pyogrio.raw.read(path)
        column = dict(zip(meta["fields"], values, strict=True))
        assert column["AREA"].sum() * per_area == pytest.approx(field.area_ha, rel=1e-6)
        total = float(column["RATE"] @ column["AREA"]) * per_mass
        assert total == pytest.approx(written[column["PRODUCT"][0]], rel=1e-9)
    assert any("reaches" in note.text and "past the boundary" in note.text for note in plan.notes)


@pytest.mark.usefixtures("blank_pictures")
def test_the_command_writes_the_formats_and_the_rates_elsewhere_that_field_toml_states(copy_of, tmp_path):
    folder, out = copy_of("limed_rotation"), tmp_path / "out"
    formats = ["csv", "iso_v3_grid1", "iso_v4_grid2", "iso_v4_zones"]
    stated = f"extend_edge_ft = 30\nposition_lost_rate = 100\noutside_rate = 60\nformats = {formats}\n"
    with (folder / "field.toml").open("a", encoding="utf-8") as toml:
        toml.write(f"\n[prescription]\n{stated}")

    done = CliRunner().invoke(main, ["plan", str(folder), "--out", str(out)], catch_exceptions=False)

    assert done.exit_code == 0, done.output
    assert {path.name for path in (out / "controller").iterdir()} == set(formats[1:])
    assert (out / "zones.csv").is_file()
    assert not (out / "prescription.gpkg").exists()
    for name in formats[1:]:
        file, _ = isoxml_from_path(out / "controller" / name / "TASKDATA")
        for task in file.tasks:
            value = {zone.code: zone.process_data_variables[0].process_data_value for zone in task.treatment_zones}
            # entity 6 counts mg/m2, and 1 lb/ac is 112.0851 of them
            assert value[task.position_lost_treatment_zone_code] == 11_209
            assert value[task.out_of_field_treatment_zone_code] == 6_725
        text = (out / "controller" / name / "TASKDATA.txt").read_text(encoding="utf-8")
        assert "outside of all zones it is 60 lb/ac." in text
        assert "While the position is lost it is 100 lb/ac." in text

    again = CliRunner().invoke(main, ["plan", str(folder), "--out", str(out), "--formats", "csv"])
    assert again.exit_code == 0, again.output
    assert not (out / "controller").exists()
