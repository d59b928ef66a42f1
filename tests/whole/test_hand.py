"""Zones drawn elsewhere and changed by hand, through a whole plan."""

import json

import numpy as np
import pytest
import tomlkit

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.job import plan_field
from zonemap.pipeline.parse import parse_pipeline, read_pipeline
from zonemap.values.hand import MergeZones, SplitZone


def edit(folder, change):
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def halves(folder):
    """Two polygons that cut the field in two along a meridian through the middle of its samples."""
    outline = json.loads((folder / "boundary.geojson").read_text(encoding="utf-8"))
    at = np.array(outline["features"][0]["geometry"]["coordinates"][0])
    (west, south), (east, north) = at.min(axis=0) - 0.01, at.max(axis=0) + 0.01
    middle = float(at[:, 0].mean())

    def box(left, right):
        return [[left, south], [right, south], [right, north], [left, north], [left, south]]

    features = [
        {"type": "Feature", "properties": {"soil": label}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
        for label, ring in (("silt", box(middle, east)), ("loam", box(west, middle)))
    ]
    return {"type": "FeatureCollection", "features": features}, middle, south, north


def test_a_soil_map_takes_the_place_of_the_zones(tmp_path, copy_of):
    folder = copy_of("organic_tomatoes")
    zones, *_ = halves(folder)
    (folder / "soil.geojson").write_text(json.dumps(zones), encoding="utf-8")

    def change(document):
        document["zones"] = {"file": "soil.geojson", "column": "soil"}

    edit(folder, change)
    outcome = plan_field(folder, out=tmp_path / "out")

    assert outcome.plan.zones.count == 2
    assert any("1 is 'loam', 2 is 'silt'" in note.text for note in outcome.plan.notes)
    assert set(outcome.summary["value"]["zones_loss"]) == {"2"}


@pytest.mark.usefixtures("blank_pictures")
def test_edits_follow_one_another_and_say_what_they_change(tmp_path, copy_of):
    folder = copy_of("organic_tomatoes")
    zones, middle, south, north = halves(folder)
    (folder / "soil.geojson").write_text(json.dumps(zones), encoding="utf-8")

    def change(document):
        document["zones"] = {"file": "soil.geojson", "column": "soil"}
        edits = tomlkit.aot()
        edits.append(tomlkit.item({"merge": [1, 2], "reason": "one texture after all"}))
        edits.append(tomlkit.item({"split": 1, "line": [[middle, south], [middle, north]]}))
        document["zone_edit"] = edits

    edit(folder, change)
    assert [type(each) for each in read_folder(folder).hand.edits] == [MergeZones, SplitZone]
    outcome = plan_field(folder, out=tmp_path / "out")

    assert outcome.plan.zones.count == 2
    texts = [note.text for note in outcome.plan.notes if "zone_edit" in note.text]
    assert len(texts) == 2
    assert "one texture after all" in texts[0]
    assert "2 zones became 1" in texts[0]
    assert "1 zones became 2" in texts[1]


@pytest.mark.parametrize(
    ("table", "mend"),
    [
        ({}, "Give it one of merge, split and move_to"),
        ({"merge": [1, 2], "split": 1}, "Give it one of merge, split and move_to"),
        ({"split": 1}, r"Write line = "),
        ({"move_to": 1}, "Give it a file, or polygon"),
        ({"split": 1, "line": [[500000.0, 4.6e6], [500100.0, 4.6e6]]}, "Write longitude first"),
        ({"merge": [1]}, "zone_edit 1, merge"),
        ({"merge": [1, 99]}, "Name one from 1 to"),
    ],
)
def test_an_edit_that_says_too_little_is_refused(tmp_path, copy_of, table, mend):
    folder = copy_of("organic_tomatoes")

    def change(document):
        edits = tomlkit.aot()
        edits.append(tomlkit.item(table))
        document["zone_edit"] = edits

    edit(folder, change)
    with pytest.raises(InputError, match=mend):
        plan_field(folder, out=tmp_path / "out")


def test_a_file_of_zones_that_holds_lines_or_lacks_the_column_is_refused(copy_of):
    folder = copy_of("organic_tomatoes")
    zones, *_ = halves(folder)
    (folder / "soil.geojson").write_text(json.dumps(zones), encoding="utf-8")

    def change(document):
        document["zones"] = {"file": "soil.geojson", "column": "texture"}

    edit(folder, change)
    with pytest.raises(InputError, match="Name one of its columns: soil"):
        read_folder(folder)
    zones["features"][0]["geometry"] = {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}
    (folder / "soil.geojson").write_text(json.dumps(zones), encoding="utf-8")
    edit(folder, lambda document: document["zones"].pop("column"))
    with pytest.raises(InputError, match="Draw every zone as a polygon"):
        read_folder(folder)


def test_products_with_zones_of_their_own_vary_over_those_alone(tmp_path, copy_of):
    folder = copy_of("organic_tomatoes")
    shipped = read_pipeline("season_supply").text
    own = tmp_path / "own.toml"
    own.write_text(shipped.replace('use = "shared"', 'use = "per_product"'), encoding="utf-8")
    plan = plan_field(folder, pipeline=str(own), out=tmp_path / "own").plan

    assert set(plan.choice.own) == {need.quantity for need in plan.needs if need.product and need.quantity != "Mg"} - {
        "Ca"
    }
    for need, rates in zip(plan.needs, plan.zone_report.need_kg_ha, strict=True):
        if need.quantity in plan.choice.own:
            number = plan.choice.own[need.quantity]
            assert len({(int(zone), round(float(rate), 9)) for zone, rate in zip(number, rates, strict=True)}) == max(
                number
            )
    assert plan.value.drawn_loss == pytest.approx(plan.value.chosen_loss, rel=0.02)
    assert any("Every product has zones of its own" in note.text for note in plan.notes)


def test_a_pipeline_that_says_nothing_of_sets_shares_its_zones():
    shipped = read_pipeline("season_supply").text
    start = shipped.index("[zone_sets]")
    older = shipped[:start] + shipped[shipped.index("[workable]") :]
    assert parse_pipeline(older, name="older").methods["zone_sets"].func.__name__ == "shared"


def test_covariates_may_take_part_in_the_zones(tmp_path, copy_of, outcomes, plan_only):
    folder = copy_of("rolling_potatoes")
    shipped = read_pipeline("season_supply").text
    mine = tmp_path / "mine.toml"
    changed = shipped.replace('use = "supply"  ', 'use = "supply_and_covariates"\ncovariate_weight = 4.0\n#', 1)
    mine.write_text(changed, encoding="utf-8")

    plan = plan_only(folder, str(mine))

    plain = outcomes["rolling_potatoes"].plan
    assert changed != shipped
    assert plan.zones.count > 1
    assert plan.choice.certainty is not None
    # elevation and conductivity weigh four times what the surfaces do: cells are grouped otherwise
    assert plan.zones.count != plain.zones.count or np.mean(plan.zones.number != plain.zones.number) > 0.05


def test_a_pipeline_may_take_covariates_as_external_drift(tmp_path, copy_of):
    shipped = read_pipeline("season_supply").text
    changed = shipped.replace('use = "integrated_block_kriging"', 'use = "external_drift_kriging"', 1)
    changed = changed.replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 20', 1)
    mine = tmp_path / "drift.toml"
    mine.write_text(changed, encoding="utf-8")

    plan = plan_field(copy_of("rolling_potatoes"), pipeline=str(mine), out=tmp_path / "out").plan

    assert plan.surfaces["N"].evidence.covariates == ("elevation", "conductivity")
    assert any("N: taken to follow elevation and conductivity in a straight line" in note.text for note in plan.notes)
    with pytest.raises(InputError, match=r"there is no covariate to be the drift. Add a \[\[covariate\]\]"):
        plan_field(copy_of("organic_tomatoes"), pipeline=str(mine), out=tmp_path / "none")
