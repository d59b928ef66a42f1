"""Every sample field, from folder to published result."""

import hashlib
import json
import math
import re
from datetime import date

import fiona
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
import tomlkit
from shapely.geometry import shape

from zonemap.errors import InputError
from zonemap.job import plan_field
from zonemap.pipeline.parse import read_pipeline
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, KG_PER_LB

FIELDS = ("irrigated_corn", "organic_tomatoes", "turf_greens", "rolling_potatoes", "limed_rotation", "home_garden")
MAPPED = FIELDS[:5]


def edit(folder, change):
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


@pytest.mark.parametrize("name", FIELDS)
def test_the_result_folder_is_complete_and_its_hashes_hold(outcomes, name):
    folder = outcomes[name].folder
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    found = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {"manifest.json"}
    assert set(manifest["files"]) == found
    for file, record in manifest["files"].items():
        assert hashlib.sha256((folder / file).read_bytes()).hexdigest() == record["sha256"]
    assert {"prescription.gpkg", "summary.json", "controller/README.txt"} <= found
    assert manifest["pipeline"]["sha256"] == hashlib.sha256(manifest["pipeline"]["text"].encode()).hexdigest()


@pytest.mark.parametrize("name", FIELDS)
def test_rate_times_area_is_the_total_in_every_file(outcomes, summary_of, name):
    outcome = outcomes[name]
    totals = {(p["product"], p["date"]): p["total_kg"] for p in summary_of(name)["products"]}
    kg = KG_PER_LB if outcome.plan.case.units == "us" else 1.0
    with fiona.open(outcome.folder / "prescription.gpkg", layer="prescription") as layer:
        rows = [dict(feature["properties"]) for feature in layer]
    summed = {}
    for row in rows:
        key = (row["product"], row["date"])
        summed[key] = summed.get(key, 0.0) + row["rate"] * row["area"] * kg
    assert summed.keys() == totals.keys()
    for key, total in totals.items():
        assert summed[key] == pytest.approx(total, rel=1e-6)
    from_shapefiles = 0.0
    for path in sorted((outcome.folder / "controller").glob("*.shp")):
        table = pyogrio.read_dataframe(path)
        from_shapefiles += float((table["RATE"] * table["AREA"]).sum()) * kg
    # rates have two decimals in a shapefile, areas six
    assert from_shapefiles == pytest.approx(sum(totals.values()), rel=1e-4)


@pytest.mark.parametrize("name", FIELDS)
def test_area_in_the_file_is_the_area_of_its_polygons_inside_the_field(outcomes, name):
    outcome = outcomes[name]
    unit = HA_PER_AC if outcome.plan.case.units == "us" else 1.0
    table = pyogrio.read_dataframe(outcome.folder / "prescription.gpkg", layer="prescription")
    metres = table.to_crs(outcome.plan.case.field.crs)
    inside = (
        metres if outcome.plan.prescription.inside_ha is None else metres.intersection(outcome.plan.case.field.boundary)
    )
    assert np.allclose(inside.area / 10_000, table["area"] * unit, rtol=2e-6, atol=1e-8)


@pytest.mark.parametrize("name", FIELDS)
def test_zones_cover_the_field_without_gap_or_overlap(outcomes, name):
    outcome = outcomes[name]
    boundary = outcome.plan.case.field.boundary
    zones = pyogrio.read_dataframe(outcome.folder / "prescription.gpkg", layer="zones")
    assert shapely.coverage_is_valid(zones.geometry.to_numpy())
    assert zones.area.sum() == pytest.approx(boundary.area, rel=1e-6)
    assert zones.union_all().symmetric_difference(boundary).area < 1e-6 * boundary.area
    one = next(iter(outcome.plan.prescription.applications))
    first = pyogrio.read_dataframe(outcome.folder / "prescription.gpkg", layer="prescription")
    same_day = first["date"].isna() if one.on is None else first["date"].dt.date == one.on
    first = first[(first["product"] == one.product.name) & same_day]
    assert shapely.coverage_is_valid(first.geometry.to_numpy())


@pytest.mark.parametrize("name", MAPPED)
def test_surfaces_are_rasters_with_a_unit(outcomes, name):
    outcome = outcomes[name]
    paths = sorted((outcome.folder / "surfaces").glob("*.tif"))
    assert len(paths) == len(outcome.plan.surfaces)
    for path in paths:
        with rasterio.open(path, driver="GTiff") as raster:
            mean, deviation = raster.read(1, masked=True), raster.read(2, masked=True)
            assert raster.tags()["unit"] == outcome.plan.surfaces[raster.tags()["quantity"]].unit
        assert mean.count() == outcome.plan.grid.cells
        assert float(deviation.min()) >= 0
        assert float(mean.min()) > 0


def test_a_garden_with_one_sample_gets_one_rate_and_no_map(outcomes, summary_of):
    outcome = outcomes["home_garden"]
    assert outcome.exit_code == 0
    assert not (outcome.folder / "map.png").exists()
    assert not list((outcome.folder / "surfaces").glob("*"))
    summary = summary_of("home_garden")
    assert len(summary["zones"]) == 1
    assert summary["value"]["advice"] == "one_sample"
    assert summary["zones"][0]["rate"]


def test_corn_finds_structure_in_potassium_and_phosphorus_and_none_in_sulfur(summary_of):
    nutrients = summary_of("irrigated_corn")["nutrients"]
    assert {n: nutrients[n]["structure"] for n in ("P", "K", "S")} == {
        "P": "found",
        "K": "found",
        "S": "not_found",
    }


def test_the_summary_keeps_its_contract(summary_of):
    summary = summary_of("irrigated_corn")
    assert set(summary) >= {"field", "nutrients", "demand", "zones", "products", "value", "notes"}
    assert set(summary["field"]) >= {"name", "area_ha", "cells", "cell_m"}
    keys = {"samples", "structure", "model", "nugget_ratio", "rmse", "msdr", "coverage_90", "mean_supply_kg_ha_day"}
    assert set(summary["nutrients"]["K"]) >= keys
    assert set(summary["demand"]["K"]) >= {"total_kg_ha", "peak_kg_ha_day", "first_short_day", "share_of_field_short"}
    assert set(summary["zones"][0]) >= {"zone", "area_ha", "supply_kg_ha_day", "need_kg_ha", "rate"}
    assert set(summary["products"][0]) >= {"product", "date", "total_kg", "mean_rate_kg_ha", "cost"}
    assert set(summary["value"]) >= {"flat_loss", "zones_loss", "cell_loss", "verdict"}
    date.fromisoformat(summary["demand"]["K"]["first_short_day"])
    assert summary["field"]["area_ha"] == pytest.approx(59.6, abs=0.1)


def test_finer_rates_never_lose_more(summary_of):
    for name in MAPPED:
        value = summary_of(name)["value"]
        assert value["cell_loss"] <= min(value["zones_loss"].values()) <= value["flat_loss"] <= value["nothing_loss"]


def test_no_spread_areas_get_nothing(outcomes):
    outcome = outcomes["irrigated_corn"]
    places = outcome.plan.case.field.no_spread
    assert places
    with fiona.open(outcome.folder / "prescription.gpkg", layer="prescription") as layer:
        spread = [shape(f["geometry"]) for f in layer if f["properties"]["rate"] > 0]
        blank = [shape(f["geometry"]) for f in layer if f["properties"]["zone"] == 0]
    assert blank
    assert all(not polygon.contains(hole.representative_point()) for hole in blank for polygon in spread)


def goes_through(outcome, pipeline):
    """Whether a plan is that pipeline's, and spreads something."""
    totals = [product["total_kg"] for product in outcome.summary["products"]]
    return outcome.plan.pipeline == pipeline and totals and all(math.isfinite(kg) and kg > 0 for kg in totals)


# the default of each field; limed_rotation is planned twice in test_formats, in every format
DEFAULTS = [
    ("season_supply", "irrigated_corn"),
    ("season_supply", "organic_tomatoes"),
    ("season_supply", "turf_greens"),
    ("season_supply", "rolling_potatoes"),
    ("one_composite", "home_garden"),
]


@pytest.mark.usefixtures("surfaces_anew")
@pytest.mark.parametrize(("pipeline", "name"), DEFAULTS)
def test_a_second_run_by_the_pipeline_s_name_gives_the_same_bytes(outcomes, tmp_path, copy_of, pipeline, name):
    outcome = plan_field(copy_of(name), pipeline=pipeline, out=tmp_path / "again")
    assert goes_through(outcome, pipeline)
    first, again = outcomes[name].folder, outcome.folder
    names = sorted(p.relative_to(first) for p in first.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(again) for p in again.rglob("*") if p.is_file())
    for file in names:
        assert (first / file).read_bytes() == (again / file).read_bytes(), file


def to_metric(document):
    """The corn field's field.toml with every quantity said in metric."""
    document["field"]["units"] = "metric"
    document["crop"]["yield_goal"] = document["crop"]["yield_goal"] * 12.0 / 191.2
    for product in document["product"]:
        product["price_per_ton"] = product["price_per_ton"] / (2000 * KG_PER_LB) * 1000
        if "bulk_density_lb_ft3" in product:
            product["bulk_density_kg_m3"] = product.pop("bulk_density_lb_ft3") * KG_PER_LB / 0.3048**3
    spreader = document["spreader"]
    for key in ("min_rate", "max_rate", "step"):
        spreader[key] = spreader[key] * KG_HA_PER_LB_AC
    for us, metric, factor in (("swath_ft", "swath_m", 0.3048), ("speed_mph", "speed_km_h", 1.609344)):
        if us in spreader:
            spreader[metric] = spreader.pop(us) * factor
    for place in document.get("no_spread", []):
        if "radius_ft" in place:
            place["radius_m"] = place.pop("radius_ft") * 0.3048
    depth = document["samples"].pop("depth_in", None)
    if depth is not None:
        document["samples"]["depth_cm"] = depth * 2.54


def test_metric_and_us_units_give_the_same_plan(outcomes, copy_of, plan_only):
    folder = copy_of("irrigated_corn")
    edit(folder, to_metric)
    metric = plan_only(folder)
    us = outcomes["irrigated_corn"].plan
    assert metric.zones.number.tolist() == us.zones.number.tolist()
    for ours, theirs in zip(metric.prescription.applications, us.prescription.applications, strict=True):
        assert (ours.product.name, ours.on) == (theirs.product.name, theirs.on)
        assert ours.planned_kg_ha == pytest.approx(theirs.planned_kg_ha, rel=1e-9)
        assert ours.rate_kg_ha == pytest.approx(theirs.rate_kg_ha, rel=1e-9)


# beside the second runs by DEFAULTS
@pytest.mark.parametrize(("pipeline", "name"), [("season_supply", "home_garden"), ("rate_table", "irrigated_corn")])
def test_every_pipeline_runs_on_every_field_it_applies_to(tmp_path, copy_of, pipeline, name):
    folder = copy_of(name)
    if pipeline == "rate_table":
        table = {"value": "K", "product": "potash", "points": [[1.0, 180], [3.0, 80], [6.0, 0]]}
        (tables := tomlkit.aot()).append(tomlkit.item(table))
        edit(folder, lambda document: document.append("rate_table", tables))
    outcome = plan_field(folder, pipeline=pipeline, out=tmp_path / "out")
    assert goes_through(outcome, pipeline)


def test_point_kriging_is_selectable(tmp_path, copy_of, plan_only):
    text = read_pipeline("season_supply").text
    mine = tmp_path / "points.toml"
    mine.write_text(text.replace("integrated_block_kriging", "ordinary_point_kriging", 1), encoding="utf-8")
    folder = copy_of("organic_tomatoes")
    points = plan_field(folder, pipeline=str(mine), out=tmp_path / "points").plan
    mine.write_text(text.replace("integrated_block_kriging", "ordinary_block_kriging", 1), encoding="utf-8")
    blocks = plan_only(folder, str(mine))
    # a point varies more than a block about nearly the same centre
    assert points.surfaces["N"].standard_deviation().mean() > blocks.surfaces["N"].standard_deviation().mean()
    assert np.corrcoef(points.surfaces["N"].mean(), blocks.surfaces["N"].mean())[0, 1] > 0.98


def few(folder, count):
    path = folder / "samples.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(lines[: count + 1]) + "\n", encoding="utf-8")


@pytest.mark.parametrize("count", [2, 4, 5, 7])
def test_a_handful_of_samples_gives_one_rate_and_says_no_map(tmp_path, copy_of, count):
    folder = copy_of("irrigated_corn")
    few(folder, count)
    outcome = plan_field(folder, out=tmp_path / "out")
    assert outcome.exit_code == 1
    assert outcome.plan.zones.count == 1
    assert outcome.summary["nutrients"]["K"]["structure"] == "too_few"
    assert "No map is supported" in outcome.summary["value"]["verdict"]


def test_no_samples_at_all_is_refused(copy_of):
    folder = copy_of("irrigated_corn")
    few(folder, 0)
    with pytest.raises(InputError, match=re.compile("sample", re.IGNORECASE)):
        plan_field(folder)
    assert not (folder / "plan").exists()


def test_constant_values_give_one_zone(tmp_path, copy_of):
    folder = copy_of("irrigated_corn")
    path = folder / "samples.csv"
    header, *rows = path.read_text(encoding="utf-8").splitlines()
    constant = [",".join([*row.split(",")[:3], "4.0", "0.9", "3.0", "0.7", "3.0", "2.0", "0.02"]) for row in rows]
    path.write_text("\n".join([header, *constant]) + "\n", encoding="utf-8")
    outcome = plan_field(folder, out=tmp_path / "out")
    assert outcome.plan.zones.count == 1
    assert outcome.summary["nutrients"]["K"]["structure"] == "not_found"
    assert outcome.exit_code == 1


@pytest.mark.usefixtures("blank_pictures")
def test_a_unit_slip_is_named_and_not_dropped(tmp_path, copy_of, coarse):
    folder = copy_of("irrigated_corn")
    path = folder / "samples.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[5].split(",")
    cells[5] = str(float(cells[5]) * 1000)
    lines[5] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    outcome = plan_field(folder, pipeline=str(coarse), out=tmp_path / "out")
    assert outcome.summary["nutrients"]["K"]["samples"] == 64
    assert any(cells[0] in note.text and "unit" in note.text for note in outcome.plan.notes if note.kind == "warning")


def test_too_many_cells_propose_a_size(tmp_path, copy_of):
    fine = tmp_path / "fine.toml"
    text = read_pipeline("season_supply").text
    fine.write_text(text.replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 0.1'), encoding="utf-8")
    with pytest.raises(InputError, match=r"Set cell_m to \d"):
        plan_field(copy_of("irrigated_corn"), pipeline=str(fine), out=tmp_path / "out")


def test_a_crop_against_extracts_is_refused(copy_of, coarse):
    folder = copy_of("irrigated_corn")

    def extract(document):
        document["samples"].update({"basis": "extract", "unit": "ppm", "extractant": "Mehlich-3"})
        document["samples"].pop("burial_days")

    edit(folder, extract)
    with pytest.raises(InputError, match="Give resin supply rates"):
        plan_field(folder, pipeline=str(coarse))


def test_days_after_the_season_are_refused(copy_of):
    folder = copy_of("irrigated_corn")
    edit(folder, lambda document: document["season"].update({"apply_on": [date(2026, 12, 1)]}))
    with pytest.raises(InputError, match="Name a day before that"):
        plan_field(folder)


@pytest.mark.usefixtures("blank_pictures")
def test_two_tables_on_one_quantity_keep_their_own_rates(tmp_path, copy_of):
    folder = copy_of("irrigated_corn")
    tables = tomlkit.aot()
    tables.append(tomlkit.item({"value": "K", "product": "potash", "points": [[1.0, 180], [6.0, 0]]}))
    tables.append(tomlkit.item({"value": "K", "product": "gypsum", "points": [[1.0, 0], [6.0, 500]]}))
    edit(folder, lambda document: document.append("rate_table", tables))
    outcome = plan_field(folder, pipeline="rate_table", out=tmp_path / "out")
    planned = {a.product.name: a.planned_kg_ha / KG_HA_PER_LB_AC for a in outcome.plan.prescription.applications}
    assert planned["potash"].max() <= 180
    assert planned["gypsum"].max() <= 500
    # where more potassium was measured the one falls and the other rises
    assert np.all(np.diff(planned["potash"]) * np.diff(planned["gypsum"]) < 0)
    assert set(outcome.summary["zones"][0]["need_kg_ha"]) == {"K (potash)", "K (gypsum)"}
