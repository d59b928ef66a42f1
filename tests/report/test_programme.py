"""The programme in words and as plain values."""

import json
from dataclasses import replace

import numpy as np
import pytest

from zonemap.report.programme import programme_lines, programme_sentences, programmes_json
from zonemap.report.programme_figure import has_picture, programme_figure
from zonemap.values.programme import Limit


def test_the_table_names_every_way_and_marks_the_chosen(limed):
    lines = programme_lines(limed)
    text = "\n".join(lines)
    assert "least cost" in text
    assert sum(line.rstrip().endswith("chosen") for line in lines) == 1
    assert "organic only: no organic product holds what is lacking" in text


def test_prices_of_more_need_are_those_of_the_cheapest_source(limed):
    # potash at 430 a short ton, 60 % K2O: 430 / 2000 / (.60 / 1.2046) = .432 a pound of K, in every zone
    assert any("One more lb of K needed would cost 0.43 in every zone" in s for s in programme_sentences(limed))


def test_plain_values_add_up_to_the_bill(tomatoes):
    found = json.loads(json.dumps(programmes_json(tomatoes.programmes), allow_nan=False))["chosen"]
    assert found["cost"] == pytest.approx(sum(p["cost"] for p in found["purchases"]) + found["trip_cost"])
    area = np.array([
        tomatoes.prescription.area_ha[tomatoes.prescription.zone == zone + 1].sum()
        for zone in range(tomatoes.zones.count)
    ])  # fmt: skip
    for purchase in found["purchases"]:
        rates = [np.array(d["rate_kg_ha"]) for d in found["doses"] if d["product"] == purchase["product"]]
        assert purchase["total_kg"] == pytest.approx(float(sum(rates) @ area))


def test_the_picture_has_a_panel_an_element_and_one_of_costs(tomatoes):
    assert has_picture(tomatoes.programmes)
    titles = [axes.get_title(loc="left") for axes in programme_figure(tomatoes).axes]
    assert any(title.startswith("N: up to") for title in titles)
    assert any("cost" in title for title in titles)


def test_a_blend_that_falls_behind_is_said_to_be_held_back_by_its_composition(limed):
    chosen = limed.programmes.chosen
    path = replace(chosen.balances[0].path, lacking_kg_ha=chosen.balances[0].path.lacking_kg_ha + 1e4)
    behind = replace(chosen.balances[0], path=path)
    made = replace(chosen, spreading="blend", balances=(behind,), binding=(Limit("one_blend"),), missing=())
    plan = replace(limed, programmes=replace(limed.programmes, chosen=made))
    said = " ".join(programme_sentences(plan))
    assert 'One composition of the blend for all zones of a pass (spread = "blend") holds it back' in said
    assert "days and products named" not in said
