"""A whole plan whose file reaches past the boundary: what is published is what the terms ask for."""

import json

import pyogrio.raw
import pytest
import shapely

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
