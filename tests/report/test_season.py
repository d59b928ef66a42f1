"""The picture of the season, and supply against demand in words."""

from __future__ import annotations

import re
from datetime import date
from itertools import combinations

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from zonemap.report.season import _mark_spreading, draw_season, season_figure
from zonemap.report.supply import supply_sentences
from zonemap.report.text import result_text
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.sufficiency import Sufficiency


@pytest.fixture(scope="module")
def panels(tomatoes):
    figure = season_figure(tomatoes)
    return {axes.get_title(loc="left").partition(":")[0]: axes for axes in figure.axes if axes.get_title(loc="left")}


def test_every_nutrient_that_the_crop_asks_for_has_its_panel(tomatoes, panels):
    assert set(panels) == set(tomatoes.sufficiency)


def test_demand_and_middle_supply_are_drawn_in_the_readers_unit(tomatoes, panels):
    for need in tomatoes.needs:
        middle, demand = panels[need.quantity].lines[:2]
        asked = need.demand.demand_kg_ha_day / KG_HA_PER_LB_AC
        np.testing.assert_allclose(demand.get_ydata(), asked)
        supply = tomatoes.sufficiency[need.quantity].supply_kg_ha_day[0, 1] / KG_HA_PER_LB_AC
        np.testing.assert_allclose(middle.get_ydata(), supply * need.demand.response)
        assert panels[need.quantity].get_ylabel() == "lb/ac/day"


def test_days_of_spreading_are_marked_where_the_product_holds_the_nutrient(tomatoes, panels):
    for application in tomatoes.prescription.applications:
        for quantity, axes in panels.items():
            named = application.product.name in "\n".join(text.get_text() for text in axes.texts)
            assert named == (application.product.analysis.get(quantity, 0.0) > 0)


def test_no_panel_runs_out_of_the_picture(tomatoes):
    figure = season_figure(tomatoes)
    figure.canvas.draw()
    width, height = figure.canvas.get_width_height()
    for axes in figure.axes:
        for text in [axes.title, axes._left_title, *axes.texts, axes.yaxis.label]:
            box = text.get_window_extent()
            if text.get_text():
                assert box.x0 >= 0
                assert box.x1 <= width
                assert box.y0 >= 0
                assert box.y1 <= height


def test_names_of_what_is_spread_do_not_cover_each_other():
    figure = Figure(figsize=(3.5, 2.75))
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.set_xlim(20_580, 20_700)
    axes.set_ylim(0, 10)
    days = [
        (date(2026, 5, 18), ("ammonium sulfate",)),
        (date(2026, 6, 5), ("urea", "MAP")),
        (date(2026, 6, 9), ("lime",)),
    ]

    _mark_spreading(axes, days, top=10.0)

    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in axes.texts]
    assert len(boxes) == 3
    assert not any(first.overlaps(second) for first, second in combinations(boxes, 2))


def test_the_same_plan_gives_the_same_picture(garden, tmp_path):
    for name in ("first.png", "second.png"):
        draw_season(garden, tmp_path / name)
    assert (tmp_path / "first.png").read_bytes() == (tmp_path / "second.png").read_bytes()


class _Told:
    """As much of a plan as the sentences read."""

    def __init__(self, **found):
        self.sufficiency = found


def sufficient(peak, season):
    return Sufficiency(np.ones((len(peak), 3)), np.array(peak), np.array(season))


def test_zones_that_fare_alike_are_said_together_and_the_shortest_nutrient_comes_first():
    plan = _Told(
        K=sufficient([0.5, 1.2, 0.4, 0.5], [0.7, 1.0, 0.62, 0.7]), N=sufficient([0.2, 0.2, 0.2, 0.2], [0.25] * 4)
    )
    assert supply_sentences(plan) == [
        "N: far short all season (20% of peak demand, 25% of the season's).",
        "K: enough all season in zone 1 (120% of peak demand, 100% of the season's); short in the weeks of greatest "
        "demand in zones 2, 3 (40 to 50% of peak demand, 62 to 70% of the season's).",
    ]


def test_the_text_says_what_every_choice_loses(tomatoes):
    text = result_text(tomatoes, None)
    assert "Expected loss by being short or over" in text
    assert re.search(r"nothing spread +[\d.,]+ +[\d,]+", text)
    assert re.search(r"every cell its own rate +[\d.,]+", text)
    assert len(re.findall(r"zones? .* chosen$", text, re.MULTILINE)) == 1


def test_a_garden_is_told_in_the_units_of_gardens(garden):
    text = result_text(garden, None)
    assert "lb/1000 ft2" in text
    assert "lb/ac]" not in text
    assert re.search(r"\d+ lb( \d+ oz)? in all, from \d+ bags? of \d+ lb, costs", text)
