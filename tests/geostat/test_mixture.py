"""Quantiles of mixtures of t distributions, against the mixtures themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import ndtri
from scipy.stats import norm
from scipy.stats import t as student_t

from zonemap.geostat.mixture import mixture_distribution
from zonemap.geostat.tabulated_t import Desk, t_density, t_table

PROBABILITIES = (0.005, 0.01, 0.025, 0.05, 0.1, 0.18, 0.25, 0.4, 0.5, 0.65, 0.75, 0.9, 0.95, 0.975, 0.99, 0.995)
#: what is promised, of the mixture's spread
PROMISED = 1e-3
#: where a mixture has next to no density its quantiles are as loose as its probabilities
LOOSE = 2e-6


def exact_quantile(weight, centre, scale, degrees, probability):
    """Find a quantile of one mixture by a root of its distribution function."""
    reach = np.abs(centre).max() + 200 * scale.max()
    return brentq(
        lambda x: weight @ student_t.cdf((x - centre) / scale, degrees) - probability, -reach, reach, xtol=1e-12
    )


def off(said, weight, centre, scale, degrees, probability):
    """(cells,) how far a quantile is from the exact ones of all probabilities within `LOOSE`, over the spread."""
    value = said.at_score(float(ndtri(probability)))
    miss = np.empty(said.cells)
    for j in range(said.cells):
        low, high = (
            exact_quantile(weight, centre[:, j], scale[:, j], degrees, probability + side) for side in (-LOOSE, LOOSE)
        )
        miss[j] = max(low - value[j], value[j] - high, 0.0)
    mean = weight @ centre
    return miss / np.sqrt(weight @ (np.square(scale) * degrees / (degrees - 2) + np.square(centre - mean)))


def along_a_grid(seed, *, lumps, cells=20):
    """Draw mixtures like those of a parameter grid: what is predicted changes smoothly along it."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(0, 1, 60))[:, None]
    weight = rng.dirichlet(np.full(60, 2.0))
    return weight, lumps * 0.25 * np.sin(3 * at + rng.uniform(0, 6, cells)), 0.2 + 0.25 * at * rng.uniform(0, 1, cells)


# lumps of 3 put two peaks under some mixtures
@pytest.mark.parametrize("degrees", [5, 14, 99])
@pytest.mark.parametrize("lumps", [0.1, 1.0, 3.0])
def test_quantiles_are_those_of_the_mixture(degrees, lumps):
    weight, centre, scale = along_a_grid(degrees, lumps=lumps)

    said = mixture_distribution(weight, centre, scale, degrees=degrees)

    for probability in PROBABILITIES[::2]:
        assert off(said, weight, centre, scale, degrees, probability).max() < PROMISED


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    degrees=st.integers(5, 80),
    apart=st.sampled_from([0.0, 0.1, 1.0, 5.0, 30.0]),
    narrowest=st.sampled_from([1.0, 0.3, 0.1, 0.03, 0.01, 0.001]),
    even=st.sampled_from([0.1, 0.5, 5.0]),
    probability=st.floats(0.005, 0.995),
)
def test_quantiles_are_those_of_any_mixture(seed, degrees, apart, narrowest, even, probability):
    # five t's, from alike to a thousand times narrower and 30 scales apart, from one that has nearly all weight to even
    rng = np.random.default_rng(seed)
    weight = rng.dirichlet(np.full(5, even))
    centre, scale = apart * rng.standard_normal((5, 3)), narrowest ** rng.uniform(0, 1, (5, 3))

    said = mixture_distribution(weight, centre, scale, degrees=degrees)

    assert off(said, weight, centre, scale, degrees, probability).max() < PROMISED


@pytest.mark.parametrize("narrow", [0.3, 0.1, 0.02, 0.001, 3e-5])
@pytest.mark.parametrize("share", [0.001, 0.02, 0.3, 0.85])
@pytest.mark.parametrize("beside", [0.0, 1.7])
def test_a_sharp_peak_over_wide_tails(narrow, share, beside):
    weight, degrees = np.array([share, 1 - share]), 13
    centre, scale = np.array([[beside], [0.0]]), np.array([[narrow], [1.0]])

    said = mixture_distribution(weight, centre, scale, degrees=degrees)

    # where the peak begins and ends is where the curve has its corners
    corners = (
        weight @ student_t.cdf((x - centre[:, 0]) / scale[:, 0], degrees) for x in beside + narrow * np.array([-3, 3])
    )
    for probability in (*PROBABILITIES, *corners):
        assert off(said, weight, centre, scale, degrees, probability).max() < PROMISED


@pytest.mark.parametrize("far", [3.0, 8.0, 40.0, 4000.0])
def test_two_lumps_far_apart(far):
    weight, centre, scale = np.array([0.3, 0.7]), np.array([[-far], [far]]), np.ones((2, 1))

    said = mixture_distribution(weight, centre, scale, degrees=20)

    for probability in (*PROBABILITIES, 0.28, 0.299, 0.2999, 0.3, 0.3001, 0.301, 0.32):
        assert off(said, weight, centre, scale, 20, probability).max() < PROMISED


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    degrees=st.integers(5, 60),
    apart=st.floats(0.0, 30.0),
    shift=st.floats(-1e3, 1e3),
    factor=st.floats(1e-3, 1e3),
)
def test_whatever_the_mixture_quantiles_rise_everywhere_are_finite_and_move_with_it(
    seed, degrees, apart, shift, factor
):
    rng = np.random.default_rng(seed)
    weight = rng.dirichlet(np.full(5, 0.5))
    centre, scale = apart * rng.standard_normal((5, 4)), np.exp(rng.uniform(-6, 1, (5, 4)))

    said = mixture_distribution(weight, centre, scale, degrees=degrees)
    moved = mixture_distribution(weight, shift + factor * centre, factor * scale, degrees=degrees)

    assert np.all(np.isfinite(said.quantile))
    # rising between all neighbours with positive slopes is rising everywhere (Gregory & Delbourgo 1982)
    assert np.all(np.diff(said.quantile, axis=0) > 0)
    assert np.all(said.slope > 0)
    same_cell = np.diff(np.repeat(said.own.cell, np.diff(said.own.first))) == 0
    assert np.all(np.diff(said.own.quantile)[same_cell] > 0)
    assert np.all(np.diff(said.own.score)[same_cell] > 0)
    assert np.all(said.own.slope > 0)
    for score in np.linspace(-2.5, 2.5, 9):
        low, high = (shift + factor * said.at_score(score + side) for side in (-1e-5, 1e-5))
        # rounding of the shift, and twice the promise
        loose = 2 * PROMISED * factor * said.spread + 1e-9 * abs(shift)
        value = moved.at_score(score)
        assert np.all((value > low - loose) & (value < high + loose))


def test_centre_and_spread_are_the_mixture_s_mean_and_standard_deviation():
    weight, centre, scale = along_a_grid(1, lumps=2.0)
    said = mixture_distribution(weight, centre, scale, degrees=9)

    draws = student_t(9)
    for j in (0, 7):
        mean = weight @ centre[:, j]
        # of a t about its own centre, and of the centres about the mean
        variance = weight @ (np.square(scale[:, j]) * draws.var() + np.square(centre[:, j] - mean))
        assert said.centre[j] == pytest.approx(mean, abs=1e-12)
        assert said.spread[j] == pytest.approx(np.sqrt(variance), rel=1e-12)


@pytest.mark.parametrize("degrees", [7, 29])
def test_weights_that_differ_by_cell_are_used_cell_by_cell(degrees):
    weight, centre, scale = along_a_grid(3, lumps=0.5)
    scale[:30, 1] *= 1e-3
    other = weight[::-1].copy()

    both = mixture_distribution(np.column_stack([weight, other]), centre[:, :2], scale[:, :2], degrees=degrees)

    for j, one in enumerate((weight, other)):
        alone = mixture_distribution(one, centre[:, j : j + 1], scale[:, j : j + 1], degrees=degrees)
        for score in (-2.2, 0.1, 1.4):
            np.testing.assert_allclose(both.at_score(score)[j], alone.at_score(score)[0], atol=2e-5)


def test_one_t_alone_is_that_t():
    # Student's t, 14 degrees of freedom: 0.95 quantile 1.761, 0.99 quantile 2.624 (every printed table; from memory).
    said = mixture_distribution(np.ones(1), np.array([[3.0]]), np.array([[2.0]]), degrees=14)

    assert (said.at_score(float(ndtri(0.95)))[0] - 3.0) / 2.0 == pytest.approx(1.761, abs=1e-3)
    assert (said.at_score(float(ndtri(0.99)))[0] - 3.0) / 2.0 == pytest.approx(2.624, abs=1e-3)
    assert said.at_score(0.0)[0] == pytest.approx(3.0, abs=1e-5)


def test_beyond_the_last_score_the_tangent_stands_for_the_heavier_tail():
    said = mixture_distribution(np.ones(1), np.zeros((1, 1)), np.ones((1, 1)), degrees=6)

    tangent = norm.pdf(2.75) / student_t.pdf(student_t.ppf(norm.cdf(2.75), 6), 6)
    assert said.at_score(4.0)[0] - said.at_score(2.75)[0] == pytest.approx(1.25 * tangent, rel=2e-3)
    assert said.at_score(4.0)[0] < student_t.ppf(norm.cdf(4.0), 6)


@pytest.mark.parametrize(("degrees", "close"), [(5, 1e-5), (6, 1e-5), (13, 2e-6), (200, 2e-6)])
def test_tabulated_t_is_the_library_s_t(degrees, close):
    deviate = np.random.default_rng(0).uniform(-30, 30, 2000)
    below, density = student_t.cdf(deviate, degrees), student_t.pdf(deviate, degrees)
    desk = Desk.of_shape(deviate.shape)
    desk.deviate[:] = deviate

    t_table(degrees).look_up(desk)
    finely = t_table(degrees).at(deviate)

    np.testing.assert_allclose(desk.below, below, atol=close)
    np.testing.assert_allclose(desk.density, density, atol=4e-3)
    # where the table ends 1e-7 is left, or less than 2e-7 with 5 degrees of freedom
    np.testing.assert_allclose(finely[0], below, atol=2e-7)
    np.testing.assert_allclose(finely[1], density, atol=2e-5)
    np.testing.assert_allclose(t_density(deviate, degrees=degrees), density, rtol=1e-10)
