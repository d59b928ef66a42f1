"""What was spread against what was planned: a field small enough to be worked out by hand, and the potatoes'."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.image import imread
from shapely import MultiPolygon

from zonemap.cli import main
from zonemap.comparing import compare_field
from zonemap.errors import InputError
from zonemap.io.field_parts import field_of, open_field_folder, read_boundary, settings_of
from zonemap.io.geopackage import write_geopackage
from zonemap.io.manifest import check_manifest, write_manifest
from zonemap.io.spread_logs import read_spread_logs
from zonemap.io.spread_sets import read_spread_sets
from zonemap.pipeline.spread_comparing import compare_spread
from zonemap.report.shown import notes_json
from zonemap.report.spread import spread_json, spread_text
from zonemap.values.basis import Basis
from zonemap.values.field import Field, NoSpread
from zonemap.values.prescription import Application, Prescription
from zonemap.values.samples import Column, Samples
from zonemap.values.season import Product
from zonemap.values.zones import Outlines

SAMPLES = Path(__file__).resolve().parents[2] / "sample_fields"
WEST, SOUTH, CRS = 500_000.0, 4_500_000.0, "EPSG:32614"
WELL = shapely.box(WEST + 300, SOUTH + 100, WEST + 320, SOUTH + 120)

FIELD_TOML = """
[field]
name = "Two squares"
boundary = "boundary.geojson"
working_crs = "EPSG:32614"
units = "metric"
[samples]
file = "samples.csv"
basis = "resin"
unit = "kg/ha/day"
burial_days = 4
repeatability_cv = 0.1
columns = { id = "sample", easting = "x", northing = "y", K = "k" }
crs = "EPSG:32614"
[crop]
name = "corn"
planted = 2026-04-25
[[product]]
name = "potash"
analysis = { K2O = 60 }
[[product]]
name = "liquid"
analysis = { N = 32 }
density_kg_l = 1.25
"""


def feature(shape: shapely.Geometry, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": json.loads(shapely.to_geojson(shape))}


def collection(*features: dict[str, Any]) -> str:
    crs = {"type": "name", "properties": {"name": CRS}}
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": list(features)})


def square(west: float, south: float, east: float, north: float) -> shapely.Polygon:
    """Box by metres from the south-west corner of the field."""
    return shapely.box(WEST + west, SOUTH + south, WEST + east, SOUTH + north)


def table(rows: list[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def passes(*strips: tuple[float, float, float, float, float], swath: float = 20.0, step: float = 10.0) -> str:
    """CSV of points along strips (west, south, east, north, rate), each of whole swaths driven up and down."""
    rows = []
    for west, south, east, north, rate in strips:
        for number, x in enumerate(np.arange(west + swath / 2, east, swath)):
            along = np.arange(south + step / 2, north, step)
            turned = along if number % 2 == 0 else along[::-1]
            rows += [{"x": WEST + x, "y": SOUTH + y, "rate": rate, "m2": swath * step} for y in turned]
    return table(rows)


def make_field(folder: Path, *, spread: str, **files: str | bytes) -> Path:
    """Field folder with [[spread]] tables and the files they name."""
    folder.mkdir(parents=True, exist_ok=True)
    content: dict[str, str | bytes] = {
        "field.toml": FIELD_TOML + spread,
        "boundary.geojson": collection(feature(square(0, 0, 400, 200), name="two squares")),
        "samples.csv": f"sample,x,y,k\n1,{WEST + 50},{SOUTH + 50},2\n2,{WEST + 250},{SOUTH + 50},1\n",
        **files,
    }
    for name, text in content.items():
        (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


def publish(
    folder: Path,
    *applications: Application,
    inputs: dict[str, str] | None = None,
    products: tuple[dict[str, Any], ...] = (),
) -> Path:
    """Publish a plan of two zones, 200 m square each, with a well in the eastern one, as the package does."""
    inbox, toml = open_field_folder(folder)
    own = field_of(inbox, toml, read_boundary(inbox, toml))
    closed = MultiPolygon([WELL])
    field = Field(own.name, own.boundary, own.crs, (NoSpread("well, 10 m", closed),))
    west, east = square(0, 0, 200, 200), square(200, 0, 400, 200)
    outlines = Outlines(zone=(1, 2), area=(west, east))
    prescription = Prescription(
        "metric", own.crs, (west, east.difference(WELL), WELL), np.array([1, 2, 0]), applications or (POTASH,)
    )
    plan = folder / "plan"
    plan.mkdir()
    column = Column("kg/ha/day", np.array([2.0, 1.0]), np.zeros(2, dtype=bool))
    at = np.array([WEST + 50, WEST + 250]), np.array([SOUTH + 50, SOUTH + 50])
    samples = Samples(("1", "2"), *at, Basis("resin", "", 4.0, None), {"K": column}, 0.1)
    write_geopackage(
        plan / "prescription.gpkg", field=field, samples=samples, outlines=outlines, prescription=prescription
    )
    summary = {"field": {"cell_m": 10.0, "units_of_files": "metric"}, "products": list(products)}
    (plan / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    record = {"pipeline": {}, "inputs": inputs or {}, "settings_sha256": settings_of(inbox)}
    write_manifest(plan, record)
    return plan


def application(name: str = "potash", rates: tuple[float, float] = (100.0, 200.0), **more: Any) -> Application:
    return Application(Product(name, {}, **more), None, np.array(rates), np.array(rates))


POTASH = application()

POINTS = """
[[spread]]
file = "log.csv"
product = "potash"
column = "rate"
unit = "kg/ha"
columns = { easting = "x", northing = "y", area = "m2" }
area_unit = "m2"
crs = "EPSG:32614"
swath_m = 20
"""
POLYGONS = """
[[spread]]
file = "log.geojson"
product = "potash"
column = "rate"
unit = "kg/ha"
"""
#: the western zone but for 20 m; the eastern one at 5 % over, its last 50 m (40 m as points) twice
STRIPS = ((0, 0, 180, 200, 100.0), (200, 0, 400, 200, 210.0), (360, 0, 400, 200, 210.0))


def compare(folder: Path, **how: Any) -> Any:
    return compare_field(folder, None, out=how.pop("out", None), within_m=None, progress=lambda _: None, **how)


@pytest.fixture
def squares(tmp_path):
    """Give a function that makes the field, publishes its plan and compares."""

    def run(spread: str, *applications: Application, **files: str | bytes) -> Any:
        folder = make_field(tmp_path / "squares", spread=spread, **files)
        publish(folder, *applications)
        return compare(folder)

    return run


def only(outcome):
    [found] = outcome.content["spread"]
    return found


def polygons(*strips):
    return collection(*(feature(square(*strip[:4]), rate=strip[4]) for strip in strips))


# Worked by hand. West: 4 ha, 100 kg/ha planned; 3.6 ha got 100, 0.4 ha nothing: 360 kg, 90 kg/ha. East: 4 ha less the
# well's 0.04 ha at 200 planned, 792 kg; 210 on all of it and once more on 40 m by 200 m (0.8 ha): 210 x 3.96 +
# 210 x 0.8 = 999.6 kg. The well got 210 x 0.04 = 8.4 kg. Logged: 360 + 840 + 168 = 1368 kg.
@pytest.mark.parametrize("kind", ["polygons", "points"])
def test_squares_with_known_rates_give_what_arithmetic_gives(squares, kind):
    files = {"log.geojson": polygons(*STRIPS)} if kind == "polygons" else {"log.csv": passes(*STRIPS)}

    found = only(squares(POLYGONS if kind == "polygons" else POINTS, **files))

    west, east = found["zones"]
    assert [zone["planned_kg"] for zone in (west, east)] == pytest.approx([400, 792])
    assert [zone["spread_kg"] for zone in (west, east)] == pytest.approx([360, 999.6])
    assert [zone["spread_kg_ha"] for zone in (west, east)] == pytest.approx([90, 999.6 / 3.96])
    assert west["share_within_5_percent"] == west["share_within_10_percent"] == pytest.approx(0.9)
    assert west["share_not_covered"] == pytest.approx(0.1)
    assert west["share_covered_twice"] == 0
    assert east["share_within_5_percent"] == east["share_within_10_percent"] == pytest.approx(3.16 / 3.96)
    assert east["share_not_covered"] == 0
    assert east["share_covered_twice"] == pytest.approx(0.8 / 3.96)
    assert found["all"]["share_within_10_percent"] == pytest.approx((3.6 + 3.16) / 7.96)
    assert found["all"]["share_not_covered"] == pytest.approx(0.4 / 7.96)
    assert found["logged_kg"] == pytest.approx(1368)
    assert found["on_no_spread_kg"] == pytest.approx(8.4)
    assert found["on_no_spread"] == [{"reason": "well, 10 m", "kg": pytest.approx(8.4)}]
    assert found["beyond_field_kg"] == pytest.approx(0, abs=1e-6)
    # K2O holds 2 x 39.098 / (2 x 39.098 + 15.999) = 0.8301 of K: 60 % K2O is 0.4981 K
    assert west["nutrient_difference_kg_ha"]["K"] == pytest.approx(-10 * 0.4981, abs=1e-3)
    assert east["nutrient_difference_kg_ha"]["K"] == pytest.approx((999.6 / 3.96 - 200) * 0.4981, abs=3e-3)


def test_masses_of_the_log_are_where_they_fell(squares):
    # Law: what the log's rates and areas add up to is on zones, on no-spread ground or beyond the field.
    log = passes((-40, -20, 430, 240, 137.0), swath=24.0, step=7.0)
    rows = list(csv.DictReader(io.StringIO(log)))
    near = sum(float(row["rate"]) * float(row["m2"]) / 10_000 for row in rows)

    found = only(squares(POINTS.replace("swath_m = 20", "swath_m = 24"), **{"log.csv": log}))

    assert found["records"] == len(rows)
    assert found["logged_kg"] == pytest.approx(near)
    told = found["all"]["spread_kg"] + found["on_no_spread_kg"] + found["beyond_field_kg"]
    assert told == pytest.approx(near)
    assert found["beyond_field_kg"] == pytest.approx(near - 137 * 8, rel=0.02)


def test_a_plan_spread_to_the_letter_is_as_planned(squares):
    outcome = squares(POLYGONS, **{"log.geojson": polygons((0, 0, 200, 200, 100.0), (200, 0, 400, 200, 200.0))})

    [found] = outcome.content["spread"]
    assert found["all"]["share_within_5_percent"] == 1
    assert found["all"]["spread_kg"] == pytest.approx(1192)
    assert found["in_words"][0] == "1,192 kg was planned and 1,192 kg spread: as planned."
    assert any("every zone got what was planned" in sentence for sentence in found["in_words"])


def test_the_result_is_whole_and_says_the_same_everywhere(squares):
    outcome = squares(POLYGONS, **{"log.geojson": polygons(*STRIPS)})

    assert {path.name for path in outcome.folder.iterdir()} == {
        "compare.json", "spread.csv", "spread.png", "manifest.json",
    }  # fmt: skip
    check_manifest(outcome.folder)
    assert imread(outcome.folder / "spread.png").shape[2] == 4
    assert json.loads((outcome.folder / "compare.json").read_text(encoding="utf-8")) == outcome.content
    with (outcome.folder / "spread.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["zone"] for row in rows] == ["1", "2", "all"]
    assert [float(row["spread_total"]) for row in rows] == pytest.approx([360, 999.6, 1359.6])
    assert {row["rate_unit"] for row in rows} == {"kg/ha"}
    inputs = json.loads((outcome.folder / "manifest.json").read_text(encoding="utf-8"))["inputs"]
    assert {"field.toml", "log.geojson", "plan/prescription.gpkg"} <= set(inputs)


def test_ground_that_was_closed_comes_with_its_caution(squares):
    outcome = squares(POLYGONS, **{"log.geojson": polygons(*STRIPS)})

    [caution] = [note["text"] for note in outcome.content["notes"] if note["kind"] == "caution"]
    assert "8.4 kg fell where nothing may be spread (well, 10 m: 8.4 kg)" in caution
    assert "local codes" in caution


def test_two_logs_of_one_product_add_up(squares):
    first, second = POLYGONS, POLYGONS.replace("log.geojson", "rest.geojson")
    files = {"log.geojson": polygons(STRIPS[0]), "rest.geojson": polygons(*STRIPS[1:])}

    found = only(squares(first + second, **files))

    assert found["logs"] == ["log.geojson", "rest.geojson"]
    assert found["logged_kg"] == pytest.approx(1368)


def test_a_liquid_is_held_by_volume_or_by_mass(squares):
    # 1.25 kg a litre: 100 kg/ha are 80 L/ha.
    plan = application("liquid", density_kg_l=1.25)
    by_volume = POLYGONS.replace("potash", "liquid").replace("kg/ha", "L/ha")
    strips = ((0, 0, 200, 200, 80.0), (200, 0, 400, 200, 160.0))

    found = only(squares(by_volume, plan, **{"log.geojson": polygons(*strips)}))

    assert found["all"]["spread_kg"] == pytest.approx(1192)
    assert found["all"]["in_files_units"]["rate_unit"] == "L/ha"
    assert found["all"]["in_files_units"]["spread_total"] == pytest.approx(1192 / 1.25)
    assert found["in_words"][0].startswith("954 L was planned and 954 L spread")


@pytest.mark.parametrize(
    ("stated", "factor"),
    [("lb/ac", 1.12085), ("ton/ac", 2241.70), ("g/m2", 10.0), ("lb/1000 ft2", 48.8243), ("t/ha", 1000.0)],
)
def test_rates_are_read_in_every_unit(squares, stated, factor):
    # kg/ha in one of each, from 0.45359237 kg, 4046.8564224 m2 and 0.09290304 m2 (NIST SP 811, 2008, appendix B).
    strips = ((0, 0, 200, 200, 100.0 / factor), (200, 0, 400, 200, 200.0 / factor))

    spread = POLYGONS.replace("kg/ha", stated)
    found = only(squares(spread, **{"log.geojson": polygons(*strips)}))

    assert found["all"]["spread_kg"] == pytest.approx(1192, rel=1e-5)


@pytest.mark.parametrize(("stated", "would"), [("lb/ac", "g/m2"), ("kg/ha", "lb/1000 ft2")])
def test_a_slip_of_the_unit_is_said_and_does_not_stop(squares, stated, would):
    # Rates were written in another unit than stated: 100 kg/ha are 10 g/m2 and 2.05 lb/1000 ft2.
    per = {"g/m2": 10.0, "lb/1000 ft2": 48.8243}[would]
    strips = ((0, 0, 200, 200, 100.0 / per), (200, 0, 400, 200, 200.0 / per))

    outcome = squares(POLYGONS.replace("kg/ha", stated), **{"log.geojson": polygons(*strips)})

    [said] = [note["text"] for note in outcome.content["notes"] if "slip of the unit" in note["text"]]
    assert f"({stated})" in said
    assert would in said.split("Read as")[1]
    assert outcome.exit_code == 0


def test_without_a_swath_it_is_taken_from_the_way_driven_and_said(squares):
    outcome = squares(
        POINTS.replace("swath_m = 20\n", "").replace(', area = "m2"', "").replace('area_unit = "m2"\n', ""),
        **{"log.csv": passes((0, 0, 400, 200, 100.0))},
    )

    [note] = [note["text"] for note in outcome.content["notes"] if "nobody states the swath" in note["text"]]
    # 20 passes of 20 records 10 m apart: 190 m each between the first and the last; 80,000 m2 / 3,800 m = 21.1 m
    assert "21.1 m was taken" in note
    assert only(outcome)["all"]["share_not_covered"] == 0


def test_rows_in_no_order_of_driving_are_taken_for_the_ground_around_them(squares):
    rows = list(csv.DictReader(io.StringIO(passes((0, 0, 400, 200, 100.0)))))
    shuffled = [rows[n] for n in np.random.default_rng(5).permutation(len(rows))]

    found = only(squares(POINTS, **{"log.csv": table(shuffled)}))

    assert found["logged_kg"] == pytest.approx(800)
    assert found["all"]["share_not_covered"] < 0.02
    assert found["all"]["share_covered_twice"] == 0
    # the outermost of 20 rows, 5 m from the edge, reach half a swath past their place: up to 2 x 5 m of 200 m are lost
    assert 95 < found["zones"][0]["spread_kg_ha"] <= 100 + 1e-9


def test_a_blend_holds_what_its_parts_hold(tmp_path):
    # 75 % potash of 60 % K2O (0.4981 K) and 25 % of a liquid's 32 % N: only the shares matter here.
    spread = POLYGONS.replace('"potash"', '"blend"')
    strips = ((0, 0, 200, 200, 90.0), (200, 0, 400, 200, 200.0))
    folder = make_field(tmp_path / "squares", spread=spread, **{"log.geojson": polygons(*strips)})
    parts = {"product": "blend", "parts": {"potash": 0.75, "liquid": 0.25}}
    publish(folder, application("blend"), products=(parts,))

    found = only(compare(folder))

    assert found["zones"][0]["nutrient_difference_kg_ha"] == {
        "K": pytest.approx(-10 * 0.75 * 0.4981, abs=1e-3),
        "N": pytest.approx(-10 * 0.25 * 0.32),
    }


def test_a_plan_that_was_edited_is_taken_as_it_is_and_it_is_said(tmp_path):
    folder = make_field(tmp_path / "squares", spread=POLYGONS, **{"log.geojson": polygons(*STRIPS)})
    plan = publish(folder)
    (plan / "summary.json").write_bytes((plan / "summary.json").read_bytes() + b"\n")

    outcome = compare(folder)

    assert "summary.json: differs from what was published" in outcome.content["notes"][0]["text"]
    assert only(outcome)["logged_kg"] == pytest.approx(1368)


def test_a_name_that_looks_like_a_formula_stands_in_picture_and_table(tmp_path):
    # Seen: the library that draws takes what lies between dollar signs for a formula and stops at a broken one.
    name = "=$\\frac{$"
    spread = POLYGONS.replace('"potash"', f"'{name}'")
    folder = make_field(tmp_path / "squares", spread=spread, **{"log.geojson": polygons(*STRIPS)})
    toml = (folder / "field.toml").read_text(encoding="utf-8").replace('"Two squares"', "'$\\frac{$'")
    (folder / "field.toml").write_text(toml, encoding="utf-8")
    publish(folder, application(name))

    outcome = compare(folder)

    assert only(outcome)["product"] == name
    with (outcome.folder / "spread.csv").open(encoding="utf-8", newline="") as file:
        assert {row["product"] for row in csv.DictReader(file)} == {f"'{name}"}


def test_records_with_rate_0_cover_nothing(squares):
    log = passes((0, 0, 200, 200, 0.0), (200, 0, 400, 200, 200.0))

    found = only(squares(POINTS, **{"log.csv": log}))

    assert found["zones"][0]["share_not_covered"] == pytest.approx(1)
    assert found["zones"][1]["share_within_5_percent"] == pytest.approx(1)


def test_inputs_that_changed_since_the_plan_are_named_and_a_new_spread_table_is_no_change(tmp_path):
    folder = make_field(tmp_path / "squares", spread="", **{"log.geojson": polygons(*STRIPS)})
    inputs = {
        name: hashlib.sha256((folder / name).read_bytes()).hexdigest()
        for name in ("field.toml", "samples.csv", "boundary.geojson")
    }
    publish(folder, inputs=inputs)
    (folder / "field.toml").write_text(FIELD_TOML + POLYGONS, encoding="utf-8")
    unchanged = compare(folder)
    (folder / "samples.csv").write_text("sample,x,y,k\n1,500050,4500050,3\n", encoding="utf-8")
    (folder / "field.toml").write_text(FIELD_TOML.replace("potash", "other") + POLYGONS, encoding="utf-8")
    changed = compare(folder)

    assert not [note for note in unchanged.content["notes"] if "other inputs" in note["text"]]
    [note] = [note["text"] for note in changed.content["notes"] if "other inputs" in note["text"]]
    assert "(field.toml, samples.csv)" in note


REFUSALS = {
    "unknown product": ({"potash": "potahs"}, {}, r"product: 'potahs' is not planned\. Did you mean 'potash'\?"),
    "product of another kind": ({"potash": "xyzzy"}, {}, r"'xyzzy' is not planned\. The plan has 'potash'"),
    "a day where none is planned": ({"unit =": "on = 2026-05-18\nunit ="}, {}, r"without a day\. Remove the key"),
    "no unit": ({"kg/ha": "kg"}, {}, r"unit: 'kg' is no unit of a rate .*Use one of lb/ac, kg/ha"),
    "another unit in the header": (
        {'"rate"': '"Rate (lbs/acre)"'}, {"log.csv": passes(*STRIPS).replace("rate", "Rate (lbs/acre)", 1)},
        r"unit: the header 'Rate \(lbs/acre\)' says lb/ac, the key says kg/ha\. Write unit = \"lb/ac\"",
    ),
    "a volume of a solid": ({"kg/ha": "gal/ac"}, {}, r"gal/ac is a volume, and no density of 'potash' is known\. Give"),
    "a missing column": ({'"rate"': '"rat"'}, {}, r"spread 1, column.*Did you mean 'rate'\?"),
    "a missing place": ({'"x"': '"xx"'}, {}, r"spread 1, columns, easting"),
    "areas without a unit": ({'area_unit = "m2"\n': ""}, {}, r"area_unit: is missing.*Write area_unit"),
    "a CRS left out": ({'crs = "EPSG:32614"\n': ""}, {}, r"spread 1, crs: is missing.*Say which: crs"),
    "a misspelt key": ({"swath_m": "swaht_m"}, {}, r"swaht_m: is not a key this knows\. Did you mean swath_m"),
    "a file that is not there": ({"log.csv": "log2.csv"}, {}, r"there is no 'log2.csv' in the folder\. Name a file"),
    "no rows": ({}, {"log.csv": "x,y,rate,m2\n"}, r"log.csv: holds no records\. Put one row a record"),
    "a negative rate": (
        {}, {"log.csv": passes(*STRIPS).replace(",210.0,", ",-1,", 1)},
        r"log.csv, line \d+, column 'rate': -1 is negative\. Correct the rate",
    ),
    "another field": (
        {}, {"log.csv": passes((5000, 5000, 5100, 5100, 1.0))}, r"50 of 50 records lie away .*another field",
    ),
    "nothing in the field": ({}, {"log.csv": passes((402, 0, 422, 40, 5.0))}, r"none of 4 records.*Is it the log of"),
    "degrees in metres": (
        {}, {"log.csv": "x,y,rate,m2\n-98.9,40.6,10,5\n"}, r"values look like degrees .*\. Give the CRS",
    ),
    "only words": ({}, {"log.csv": f"x,y,rate,m2\n{WEST},{SOUTH},much,5\n"}, r"column 'rate': holds no number\. Name"),
}  # fmt: skip


@pytest.mark.parametrize("fault", REFUSALS)
def test_what_cannot_be_used_is_refused_with_its_place_and_mend(squares, fault):
    replaced, files, message = REFUSALS[fault]
    spread = POINTS
    for old, new in replaced.items():
        assert old in spread
        spread = spread.replace(old, new, 1)

    with pytest.raises(InputError, match=message):
        squares(spread, **({"log.csv": passes(*STRIPS)} | files))


@pytest.mark.parametrize("unit", ["kg / ha", "KG/HA"])
@pytest.mark.parametrize("column", ["rate", "rate_kg_ha", "Rate [kg/ha]"])
def test_units_are_known_however_they_are_spelled(squares, unit, column):
    log = passes(*STRIPS).replace("rate", column, 1)
    spread = POINTS.replace('"rate"', f'"{column}"', 1).replace('"kg/ha"', f'"{unit}"', 1)

    found = only(squares(spread, **{"log.csv": log}))

    assert found["logged_kg"] == pytest.approx(1368)  # worked by hand above


def test_a_log_that_covers_the_field_many_times_is_refused(squares):
    with pytest.raises(
        InputError, match=r"log.geojson: covers the field 21 times over\. Cut it down to this application"
    ):
        squares(POLYGONS, **{"log.geojson": polygons(*[(0, 0, 400, 200, 5.0)] * 21)})


@pytest.mark.parametrize(
    ("columns", "more", "message"),
    [
        ('area = "m2", distance = "d"', 'length_unit = "m"', "names both area and distance. Keep one of them"),
        ('distance = "d"', "swath_m = 20", "length_unit: is missing; 'd' says no unit. Write length_unit"),
        ('distance = "d"', 'length_unit = "m"', "distance: says no area without the swath. Write the working width"),
        ('swath = "w"', 'length_unit = "m"\nswath_m = 20', "the width is stated, and named as a column too. Keep one"),
        ('swath = "d"', 'length_unit = "m"\n', "line 3, column 'd': -10 m cannot be. Correct the value or the unit"),
        ('area = "rate"', 'area_unit = "m2"', "column: 'rate' holds something else. Name the column of the rate"),
    ],
)
def test_measures_that_contradict_or_lack_something_are_refused(squares, columns, more, message):
    spread = POINTS.replace('area = "m2"', columns).replace('area_unit = "m2"\n', "").replace("swath_m = 20", more)
    rows = [
        {"x": WEST + 10, "y": SOUTH + y, "rate": 5, "m2": 200, "d": d, "w": 20}
        for y, d in ((5, 10), (15, -10 if "swath = " in columns and '"d"' in columns else 10), (25, 10))
    ]

    with pytest.raises(InputError, match=message):
        squares(spread, **{"log.csv": table(rows)})


def test_a_swath_that_changes_by_record_is_followed(squares):
    # A boom of 20 m on the first 100 m of each pass and half of it shut on the rest: 10 m.
    rows = list(csv.DictReader(io.StringIO(passes((0, 0, 400, 200, 100.0)))))
    for row in rows:
        row["w"] = "20" if float(row["y"]) < SOUTH + 100 else "10"
    spread = POINTS.replace('area = "m2"', 'swath = "w"').replace('area_unit = "m2"', 'length_unit = "m"')

    found = only(squares(spread.replace("swath_m = 20\n", ""), **{"log.csv": table(rows)}))

    assert found["logged_kg"] == pytest.approx(100 * (4 + 2))


@pytest.mark.parametrize("suffix", ["gpkg", "geojson"])
def test_points_of_a_vector_file_are_read_in_its_own_crs(squares, tmp_path, suffix):
    rows = list(csv.DictReader(io.StringIO(passes(*STRIPS))))
    frame = geopandas.GeoDataFrame(
        {"rate": [float(row["rate"]) for row in rows], "m2": [float(row["m2"]) for row in rows]},
        geometry=[shapely.Point(float(row["x"]), float(row["y"])) for row in rows],
        crs=CRS,
    ).to_crs("EPSG:4326")
    path = tmp_path / f"log.{suffix}"
    frame.to_file(path, engine="pyogrio")
    spread = POINTS.replace("log.csv", path.name).replace('easting = "x", northing = "y", ', "")

    found = only(squares(spread.replace('crs = "EPSG:32614"\n', ""), **{path.name: path.read_bytes()}))

    # geographic coordinates are kept to the last digit, so that only rounding of the projection differs
    assert found["all"]["spread_kg"] == pytest.approx(1359.6, rel=1e-6)


def test_places_named_as_usual_are_found_and_said(squares):
    text = passes(*STRIPS).replace("x,y,", "easting,northing,")
    spread = POINTS.replace('easting = "x", northing = "y", ', "")

    outcome = squares(spread, **{"log.csv": text})

    assert "places were guessed to be in 'easting' and 'northing'" in outcome.content["notes"][0]["text"]
    assert only(outcome)["logged_kg"] == pytest.approx(1368)


def test_rows_without_place_or_number_are_left_out_and_counted(squares):
    text = passes(*STRIPS) + f"{WEST + 1},,5,200\n{WEST + 1},{SOUTH + 1},,200\n{WEST + 9000},{SOUTH},5,200\n"

    outcome = squares(POINTS, **{"log.csv": text})

    [note] = [note["text"] for note in outcome.content["notes"] if "left out" in note["text"]]
    assert "3 of 423 rows" in note
    for reason in ("1 without a place", "1 more than", "1 without a number to use"):
        assert reason in note


def test_records_without_an_area_get_the_usual_one_and_it_is_said(squares):
    text = passes(*STRIPS).replace(",200.0\n", ",\n", 3)

    outcome = squares(POINTS, **{"log.csv": text})

    said = [note["text"] for note in outcome.content["notes"]]
    assert "log.csv: 3 of 420 records state no area; the usual was taken." in said
    assert only(outcome)["logged_kg"] == pytest.approx(1368)


def test_a_column_of_areas_that_holds_none_is_refused(squares):
    with pytest.raises(InputError, match=r"log.csv, column 'm2': holds no number above 0\. Name another column"):
        squares(POINTS, **{"log.csv": passes(*STRIPS).replace(",200.0\n", ",\n")})


def test_polygons_that_cross_themselves_or_lie_elsewhere_are_told(squares):
    bow_tie = feature(
        shapely.Polygon([(WEST, SOUTH), (WEST + 100, SOUTH + 100), (WEST + 100, SOUTH), (WEST, SOUTH + 100)]), rate=10
    )
    far, unrated = feature(square(900, 0, 1000, 100), rate=10), feature(square(200, 0, 300, 100), rate=None)
    rest = [feature(square(200, 100, 300, 200), rate=10), feature(square(300, 100, 400, 200), rate=10)]

    outcome = squares(POLYGONS, **{"log.geojson": collection(bow_tie, far, unrated, *rest)})

    said = " ".join(note["text"] for note in outcome.content["notes"])
    assert "1 outlines cross themselves" in said
    assert "2 of 5 polygons left out: 1 outside the field, 1 without a shape or a number to use" in said
    # the two lobes of the bow tie are half of its square
    assert only(outcome)["logged_kg"] == pytest.approx(10 * (0.5 + 2))


def test_polygons_of_another_field_are_refused(squares):
    with pytest.raises(InputError, match=r"1 of 1 polygons lie outside the field\. Is it the log of another field"):
        squares(POLYGONS, **{"log.geojson": polygons((900, 0, 1000, 100, 5.0))})


def test_exchanged_coordinates_are_seen_and_swap_mends_it(squares, tmp_path):
    spread = POINTS.replace('easting = "x", northing = "y"', 'easting = "y", northing = "x"')

    with pytest.raises(InputError, match=r"first and second coordinate exchanged.*Set swap = true under \[\[spread"):
        squares(spread, **{"log.csv": passes(*STRIPS)})
    (tmp_path / "squares" / "field.toml").write_text(FIELD_TOML + spread + "swap = true\n", encoding="utf-8")

    assert only(compare(tmp_path / "squares"))["logged_kg"] == pytest.approx(1368)


def test_polygons_have_their_own_area_and_place(squares):
    with pytest.raises(InputError, match=r"spread 1, swath_m: log.geojson holds polygons.*Remove the key"):
        squares(POLYGONS + "swath_m = 20\n", **{"log.geojson": polygons(*STRIPS)})


def test_lines_are_neither_points_nor_polygons(squares):
    line = collection(feature(shapely.LineString([(WEST, SOUTH), (WEST + 50, SOUTH)]), rate=5))

    with pytest.raises(InputError, match=r"feature 1: is a LineString, not a point"):
        squares(POLYGONS, **{"log.geojson": line})


def test_planned_days_are_named_by_the_nearest(tmp_path):
    spread = POLYGONS + "on = 2026-05-20\n"
    folder = make_field(tmp_path / "squares", spread=spread, **{"log.geojson": polygons(*STRIPS)})
    early, late = (
        Application(Product("potash", {}), on, np.array([100.0, 200.0]), np.array([100.0, 200.0]))
        for on in (date(2026, 5, 18), date(2026, 6, 9))
    )
    publish(folder, early, late)

    with pytest.raises(InputError, match=r"not planned for 2026-05-20; the nearest day is 2026-05-18\. Write"):
        compare(folder)
    (folder / "field.toml").write_text(FIELD_TOML + POLYGONS, encoding="utf-8")
    with pytest.raises(InputError, match=r"on: is missing; 'potash' is planned for 2026-05-18 and 2026-06-09\. Say"):
        compare(folder)
    (folder / "field.toml").write_text(FIELD_TOML + POLYGONS + "on = 2026-06-09\n", encoding="utf-8")
    assert only(compare(folder))["date"] == "2026-06-09"


def test_without_a_plan_the_command_that_makes_one_is_named(tmp_path):
    folder = make_field(tmp_path / "squares", spread=POLYGONS, **{"log.geojson": polygons(*STRIPS)})

    with pytest.raises(InputError, match=rf"no published plan.*Make one first: zonemap plan {folder}\."):
        compare(folder)
    publish(folder)
    (folder / "plan" / "prescription.gpkg").unlink()
    with pytest.raises(InputError, match=r"holds no prescription.gpkg\. Publish it as a GeoPackage"):
        compare(folder)


def test_a_broken_plan_is_one_line(tmp_path):
    folder = make_field(tmp_path / "squares", spread=POLYGONS, **{"log.geojson": polygons(*STRIPS)})
    plan = publish(folder)
    for name, content in (
        ("summary.json", "{"),
        ("summary.json", "[]"),
        ("summary.json", "{}"),
        ("manifest.json", "x"),
    ):
        kept = (plan / name).read_bytes()
        (plan / name).write_text(content, encoding="utf-8")
        with pytest.raises(InputError, match="Make one first"):
            compare(folder)
        (plan / name).write_bytes(kept)


_CELLS = st.one_of(
    st.floats(-50, 500).map(lambda x: f"{x:.1f}"), st.sampled_from(["", "0", "-", "nan", "1e9", "1,5", "=1+1", "x"])
)


@given(st.lists(st.tuples(_CELLS, _CELLS, _CELLS, _CELLS), min_size=0, max_size=12), st.booleans())
def test_any_log_gives_a_result_or_a_named_refusal(planned_squares, rows, swath):
    # x and y count from the corner of the field where they are numbers
    def at(cell, corner):
        try:
            return f"{corner + float(cell):.1f}" if cell not in ("nan", "1e9") else cell
        except ValueError:
            return cell

    folder, sets = planned_squares
    lines = [f'"{at(x, WEST)}","{at(y, SOUTH)}","{rate}","{area}"' for x, y, rate, area in rows]
    (folder / "log.csv").write_text("\n".join(["x,y,rate,m2", *lines, ""]), encoding="utf-8")
    inbox, toml = open_field_folder(folder)
    stated = [table.model_copy(update={} if swath else {"swath_m": None}) for table in toml.spread]
    boundary = read_boundary(inbox, toml)

    try:
        logs, notes = read_spread_logs(inbox, stated, sets.prescription, boundary, swath_m=None)
        compared = compare_spread(replace(sets, passes=logs, notes=notes), lambda _: None)
    except InputError:
        return  # says where, what and the mend by its type

    [found] = spread_json(compared)
    told = found["all"]["spread_kg"] + found["on_no_spread_kg"] + found["beyond_field_kg"]
    assert told == pytest.approx(found["logged_kg"], rel=1e-6, abs=1e-6)
    assert 0 <= found["all"]["share_not_covered"] <= 1 + 1e-9
    json.dumps([found, notes_json(compared.notes)], allow_nan=False)
    assert spread_text(compared, None)


@pytest.fixture(scope="module")
def planned_squares(tmp_path_factory):
    folder = make_field(tmp_path_factory.mktemp("any") / "squares", spread=POINTS, **{"log.csv": passes(*STRIPS)})
    publish(folder)
    return folder, read_spread_sets(folder, folder / "plan")


def test_what_the_simulation_delivers_gives_back_the_share_it_stated(outcomes, tmp_path):
    # The simulated spreader's rates on the plan's cells, taken for a log: the comparison must find what the
    # simulation said of itself. Cells are whole in the log and cut at the boundary in the field.
    plan = outcomes["rolling_potatoes"].plan
    folder = tmp_path / "potatoes"
    shutil.copytree(SAMPLES / "rolling_potatoes", folder, ignore=shutil.ignore_patterns("plan*", "compare*"))
    tables, stated = [], {}
    for number, delivery in enumerate(plan.deliveries):
        easting, northing = plan.grid.centres()
        half = plan.grid.cell_m / 2
        boxes = shapely.box(easting - half, northing - half, easting + half, northing + half)
        rate = np.round(delivery.delivered_kg_ha, 9)
        features = [feature(box, rate=float(each)) for box, each in zip(boxes, rate, strict=True)]
        content = json.loads(collection(*features))
        content["crs"]["properties"]["name"] = plan.grid.crs
        (folder / f"log{number}.geojson").write_text(json.dumps(content), encoding="utf-8")
        name = delivery.application.product.name
        stated[name] = delivery
        tables.append(POLYGONS.replace("log.", f"log{number}.").replace('"potash"', f'"{name}"'))
    toml = (folder / "field.toml").read_text(encoding="utf-8").split("[[spread]]")[0]
    (folder / "field.toml").write_text(toml + "".join(tables[:1]), encoding="utf-8")

    outcome = compare(folder, plan=outcomes["rolling_potatoes"].folder)

    found = only(outcome)
    delivery = stated[found["product"]]
    for tolerance, key in ((0.05, "share_within_5_percent"), (0.10, "share_within_10_percent")):
        assert found["all"][key] == pytest.approx(delivery.share_within(tolerance), abs=2e-3)
    assert found["on_no_spread_kg"] == pytest.approx(delivery.on_no_spread_kg, rel=1e-6)
    assert found["all"]["spread_kg"] == pytest.approx(delivery.delivered_kg - delivery.on_no_spread_kg, rel=1e-6)


@pytest.fixture(scope="module")
def potatoes(outcomes, tmp_path_factory):
    """The sample field beside its published plan, as a user has it, and the comparison."""
    folder = tmp_path_factory.mktemp("spread") / "rolling_potatoes"
    shutil.copytree(SAMPLES / "rolling_potatoes", folder, ignore=shutil.ignore_patterns("plan*", "compare*"))
    shutil.copytree(outcomes["rolling_potatoes"].folder, folder / "plan")
    return compare(folder)


def test_the_potatoes_show_the_pass_cut_short_and_the_one_driven_twice(potatoes):
    # make.py stops pass 11 at 290 m of its 560 m and drives pass 21 again up to 310 m, both 24 m wide, 20 m of the
    # second over the ditch: 0.65 ha and 0.70 ha of 39.2 ha. Besides, ends of passes are ragged by up to a record of
    # 7.75 m at one end of 33 passes: at most 0.61 ha.
    found = only(potatoes)

    assert found["records"] == 2252
    assert found["swath_m"] == pytest.approx(24)
    assert 0.65 / 39.2 < found["all"]["share_not_covered"] < (0.65 + 0.61) / 39.2
    assert found["all"]["share_covered_twice"] == pytest.approx(0.70 / 39.2, abs=0.004)
    assert {place["reason"] for place in found["on_no_spread"]} == {"irrigation well, 45 m", "drainage ditch, 10 m"}
    assert not [note for note in potatoes.content["notes"] if "other inputs" in note["text"]]


def test_the_potatoes_log_weighs_what_its_rows_say(potatoes):
    # Peer: rate times distance times swath, summed over the file here.
    with (SAMPLES / "rolling_potatoes" / "potash_spread.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))

    total = sum(float(row["rate_kg_ha"]) * float(row["distance_m"]) * 24 / 10_000 for row in rows)

    assert only(potatoes)["logged_kg"] == pytest.approx(total, rel=1e-9)


def test_the_command_says_what_a_grower_needs(potatoes, tmp_path):
    arguments = ["compare", str(potatoes.folder.parent), "--out", str(tmp_path / "out")]

    done, as_json = CliRunner().invoke(main, arguments), CliRunner().invoke(main, [*arguments, "--json"])

    assert done.exit_code == 0
    assert done.stderr == ""
    for words in ("planned [kg/ha]", "was planned and", "was not covered", "the crop", "Cautions:", "Files:"):
        assert words in done.stdout
    assert json.loads(as_json.stdout) == json.loads((tmp_path / "out" / "compare.json").read_text(encoding="utf-8"))


def test_check_reads_the_log_where_a_plan_is_published(potatoes):
    done = CliRunner().invoke(main, ["check", str(potatoes.folder.parent)])

    assert "To compare with the plan: 2,252 records of sulfate of potash in potash_spread.csv." in done.stdout


def test_a_second_run_gives_the_same_bytes(potatoes, tmp_path):
    again = compare(potatoes.folder.parent, out=tmp_path / "again")

    for path in potatoes.folder.iterdir():
        assert (again.folder / path.name).read_bytes() == path.read_bytes(), path.name


def test_other_sets_and_what_was_spread_are_compared_together(potatoes, tmp_path):
    folder = tmp_path / "both"
    shutil.copytree(potatoes.folder.parent, folder, ignore=shutil.ignore_patterns("compare*"))
    toml = (folder / "field.toml").read_text(encoding="utf-8")
    again = toml.split("[samples]")[1].split("[[")[0].replace("2026-04-14", "2026-05-14")
    (folder / "field.toml").write_text(f'{toml}\n[[other_samples]]\nname = "May"{again}', encoding="utf-8")

    outcome = compare(folder)

    assert {path.name for path in outcome.folder.iterdir()} == {
        "compare.json", "compare.csv", "compare.png", "spread.csv", "spread.png", "manifest.json",
    }  # fmt: skip
    assert len(outcome.content["comparisons"]) == len(outcome.content["spread"]) == 1
    assert outcome.comparison is not None
