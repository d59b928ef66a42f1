"""The picture of the choice of zones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.affinity import scale

from zonemap.report.choices import choices_figure, draw_choices
from zonemap.units import HA_PER_AC


def titled(figure):
    return {axes.get_title(loc="left"): axes for axes in figure.axes if axes.get_title(loc="left")}


def test_every_number_of_zones_that_was_tried_is_drawn_at_its_loss(tomatoes):
    axes = titled(choices_figure(tomatoes))["Expected loss by being short or over"]
    losses = [tomatoes.value.flat_loss, *tomatoes.value.zones_loss.values()]
    np.testing.assert_allclose(axes.lines[0].get_ydata(), np.array(losses) * HA_PER_AC)
    assert axes.lines[0].get_xdata().tolist() == [1, *tomatoes.value.zones_loss]
    assert axes.lines[1].get_ydata()[0] == pytest.approx(tomatoes.value.cell_loss * HA_PER_AC)
    assert axes.get_ylabel() == "money per ac"


def test_numbers_that_are_not_told_apart_are_hollow_and_said_to_be(tomatoes):
    count = max(tomatoes.value.zones_loss)
    plan = replace(tomatoes, choice=replace(tomatoes.choice, alike={count: ((1, 2),)}))
    axes = titled(choices_figure(plan))["Expected loss by being short or over"]
    faces = {int(dot.get_offsets()[0][0]): tuple(dot.get_facecolor()[0][:3]) for dot in axes.collections}
    assert [number for number, face in faces.items() if face == (1.0, 1.0, 1.0)] == [count]
    assert "hollow: not told apart" in axes.get_xlabel()


def test_certainty_is_mapped_in_percent(tomatoes):
    axes = titled(choices_figure(tomatoes))["Probability that a place is most like its zone"]
    image = axes.images[0].get_array()
    assert np.ma.compressed(np.ma.masked_invalid(image)).mean() == pytest.approx(100 * tomatoes.choice.certainty.mean())


@pytest.mark.parametrize("narrow", [1.0, 0.1])
def test_no_title_reaches_past_the_picture_on_a_long_field(tomatoes, narrow):
    field = tomatoes.case.field
    slim = scale(field.boundary, narrow, 1.0)
    plan = replace(tomatoes, case=replace(tomatoes.case, field=replace(field, boundary=slim)))
    figure = choices_figure(plan)
    figure.draw_without_rendering()
    right = figure.bbox.width
    for axes in figure.axes:
        for title in (axes.title, axes._left_title):  # the left one has no public name
            assert title.get_window_extent().x1 <= right


def test_fuzziness_has_a_panel_only_where_zones_are_fuzzy(tomatoes):
    assert "How fuzzy the groups are" not in titled(choices_figure(tomatoes))
    fuzzy = replace(tomatoes, choice=replace(tomatoes.choice, fuzziness={2: (0.3, 0.4), 3: (0.2, 0.5)}))
    axes = titled(choices_figure(fuzzy))["How fuzzy the groups are"]
    assert [list(line.get_ydata()) for line in axes.lines] == [[0.3, 0.2], [0.4, 0.5]]


def test_the_same_plan_gives_the_same_picture(tomatoes, tmp_path):
    for name in ("first.png", "second.png"):
        draw_choices(tomatoes, tmp_path / name)
    assert (tmp_path / "first.png").read_bytes() == (tmp_path / "second.png").read_bytes()
