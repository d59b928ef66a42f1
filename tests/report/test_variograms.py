"""The variograms as drawn: what is in each panel, in which unit, and what is left out."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from zonemap.report.variograms import draw_variograms, variogram_figure
from zonemap.units import KG_HA_PER_LB_AC, M_PER_FT


@pytest.fixture(scope="module")
def panels(tomatoes):
    """quantity -> its axes."""
    return dict(zip(tomatoes.surfaces, variogram_figure(tomatoes).axes, strict=False))


def square(surface):
    """Semivariance of the surface's scale in one unit of its axis."""
    return 1.0 if surface.transform.name == "log" else KG_HA_PER_LB_AC**2


def lines(axes):
    return [np.asarray(line.get_xydata()) for line in axes.get_lines()]


def bars(axes):
    """(bottom, height) of the parts of the nugget bar that have any height."""
    return [(bar.get_y(), bar.get_height()) for bar in axes.patches if bar.get_height() > 0]


def test_the_sample_field_has_both_verdicts_and_both_scales(tomatoes):
    # what the tests below rest on
    evidence = [(s.evidence.structure, s.transform.name) for s in tomatoes.surfaces.values()]
    assert {structure for structure, _ in evidence} == {"found", "not_found"}
    assert {scale for _, scale in evidence} == {"log", "none"}


def test_points_are_the_empirical_variogram_in_the_readers_units(tomatoes, panels):
    for quantity, surface in tomatoes.surfaces.items():
        empirical = surface.evidence.empirical
        (points,) = panels[quantity].collections
        expected = np.column_stack([empirical.lag_m / M_PER_FT, empirical.semivariance / square(surface)])
        np.testing.assert_allclose(points.get_offsets(), expected, rtol=1e-12)
        assert [int(text.get_text()) for text in panels[quantity].texts] == empirical.pairs.tolist()


def test_a_curve_is_drawn_only_where_structure_was_found(tomatoes, panels):
    for quantity, surface in tomatoes.surfaces.items():
        (line,) = lines(panels[quantity])
        variogram = surface.evidence.variogram
        if surface.evidence.structure == "found":
            # the formulas of the default families, written out: nugget + partial sill (1 - correlation)
            ratio = line[:, 0] * M_PER_FT / variogram.range_m
            rough, smooth = np.exp(-ratio), (1 + ratio + ratio**2 / 3) * np.exp(-ratio)
            rise = 1 - {"exponential": rough, "matern_5_2": smooth}[variogram.family]
            expected = (variogram.nugget + variogram.partial_sill * rise) / square(surface)
            np.testing.assert_allclose(line[:, 1], expected, rtol=1e-9)
        else:
            np.testing.assert_allclose(line[:, 1], variogram.sill / square(surface), rtol=1e-12)


def test_the_nugget_is_a_bar_with_its_measurement_part_at_the_foot(tomatoes, panels):
    for quantity, surface in tomatoes.surfaces.items():
        variogram, factor = surface.evidence.variogram, square(surface)
        error = variogram.measurement_variance / factor
        real = (variogram.nugget - variogram.measurement_variance) / factor
        expected = [(0.0, error)] if error > 0 else []
        if surface.evidence.structure == "found" and real > 0:
            expected.append((error, real))
        np.testing.assert_allclose(sorted(bars(panels[quantity])), expected, rtol=1e-9)


def test_a_panel_says_scale_verdict_units_and_leave_one_out(tomatoes, panels):
    for quantity, surface in tomatoes.surfaces.items():
        title, evidence = panels[quantity].get_title(loc="left"), surface.evidence
        log = surface.transform.name == "log"
        assert title.startswith(f"{quantity}, 14 samples, {'log scale' if log else 'as measured'}")
        assert ("structure found" in title) == (evidence.structure == "found")
        assert ("range" in title) == ("nugget" in title) == (evidence.structure == "found")
        assert f"MSDR {evidence.cross_validation.msdr:.2f}" in title
        assert "lb/ac/day" in title
        assert panels[quantity].get_xlabel() == "distance, ft"
        assert panels[quantity].get_ylabel() == f"semivariance, {'log units²' if log else '(lb/ac/day)²'}"


@pytest.mark.parametrize("everywhere", [None, "N", "P", "Ca"])
def test_no_text_leaves_the_picture_or_runs_into_the_next_panel(tomatoes, everywhere):
    # the texts of one quantity are put in every panel, so that each is seen at the right edge too
    shown = {q: s if everywhere is None else tomatoes.surfaces[everywhere] for q, s in tomatoes.surfaces.items()}
    figure = variogram_figure(replace(tomatoes, surfaces=shown))
    figure.canvas.draw()
    titles = [axes._left_title.get_window_extent() for axes in figure.axes[: len(shown)]]
    assert max(box.x1 for box in titles) <= figure.bbox.x1
    assert max(box.y1 for box in titles) <= figure._suptitle.get_window_extent().y0
    for left, right in itertools.pairwise(titles):
        assert left.x1 <= right.x0 or left.y0 > right.y1
    assert figure.legends[0].get_window_extent().x1 <= figure.bbox.x1


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_key_and_the_heading_fit_a_picture_of_few_panels(tomatoes, count):
    figure = variogram_figure(replace(tomatoes, surfaces=dict(list(tomatoes.surfaces.items())[:count])))
    figure.canvas.draw()
    key = figure.legends[0].get_window_extent()
    assert key.x1 <= figure.bbox.x1
    assert figure._suptitle.get_window_extent().x1 <= figure.bbox.x1
    labels = [axes.xaxis.label.get_window_extent() for axes in figure.axes[:count]]
    assert key.y1 <= min(label.y0 for label in labels)


def test_one_sample_has_no_variogram_and_is_drawn_without_one(garden, tmp_path):
    assert all(not axes.get_lines() for axes in variogram_figure(garden).axes)
    draw_variograms(garden, tmp_path / "garden.png")
    assert (tmp_path / "garden.png").stat().st_size > 0


def test_the_same_plan_gives_the_same_bytes(tomatoes, tmp_path):
    first, second = tmp_path / "first.png", tmp_path / "second.png"
    draw_variograms(tomatoes, first)
    draw_variograms(tomatoes, second)
    assert first.read_bytes() == second.read_bytes()
    assert first.read_bytes().startswith(b"\x89PNG")
    assert b"Software" not in first.read_bytes()


@pytest.mark.parametrize(("name", "mapped"), [("organic_tomatoes", True), ("home_garden", False)])
def test_a_published_plan_holds_the_picture_where_there_is_a_map(outcomes, name, mapped):
    outcome = outcomes[name]

    assert (outcome.folder / "variograms.png").exists() == mapped
    assert ("variograms.png" in (outcome.folder / "manifest.json").read_text(encoding="utf-8")) == mapped
