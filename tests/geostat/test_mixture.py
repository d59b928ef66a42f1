"""Mixtures of t distributions as Hermite series, against the mixtures themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial.hermite_e import hermeval, hermevander
from scipy.optimize import brentq
from scipy.special import ndtri
from scipy.stats import t as student_t

from zonemap.geostat.mixture import mixture_series, t_density, t_table

PROBABILITIES = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975, 0.99)


def exact_quantile(weight, centre, scale, degrees, probability):
    """Find a quantile of one mixture by bisection of its distribution function."""
    reach = np.abs(centre).max() + 200 * scale.max()
    return brentq(
        lambda x: weight @ student_t.cdf((x - centre) / scale, degrees) - probability, -reach, reach, xtol=1e-12
    )


def along_a_grid(seed, *, lumps, degrees, cells=25):
    """Draw mixtures like those of a parameter grid: what is predicted changes smoothly along it."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(0, 1, 60))[:, None]
    weight = rng.dirichlet(np.full(60, 2.0))
    centre = lumps * 0.25 * np.sin(3 * at + rng.uniform(0, 6, cells))
    scale = 0.2 + 0.25 * at * rng.uniform(0, 1, cells)
    mean = weight @ centre
    spread = np.sqrt(weight @ (scale**2 * degrees / (degrees - 2) + (centre - mean) ** 2))
    return weight, centre, scale, spread


@pytest.mark.parametrize("degrees", [7, 14, 39, 99])
# lumps of 1 put two peaks under some mixtures; the series then misses by up to 2e-3
@pytest.mark.parametrize("lumps", [0.1, 0.3, 0.6])
def test_quantiles_of_the_series_are_those_of_the_mixture(degrees, lumps):
    weight, centre, scale, spread = along_a_grid(degrees, lumps=lumps, degrees=degrees)

    series = mixture_series(weight, centre, scale, degrees=degrees)

    for probability in PROBABILITIES:
        exact = [exact_quantile(weight, centre[:, j], scale[:, j], degrees, probability) for j in range(25)]
        np.testing.assert_allclose(hermeval(ndtri(probability), series) / spread, exact / spread, atol=1e-3)


@pytest.mark.parametrize("degrees", [7, 29])
def test_weights_that_differ_by_cell_are_used_cell_by_cell(degrees):
    weight, centre, scale, _ = along_a_grid(3, lumps=0.5, degrees=degrees)
    other = weight[::-1].copy()
    by_cell = np.column_stack([weight, other])

    series = mixture_series(by_cell, centre[:, :2], scale[:, :2], degrees=degrees)

    for j, one in enumerate((weight, other)):
        alone = mixture_series(one, centre[:, j : j + 1], scale[:, j : j + 1], degrees=degrees)
        np.testing.assert_allclose(series[:, j], alone[:, 0], atol=2e-4)


def test_one_t_alone_is_that_t():
    # Student's t, 14 degrees of freedom: 0.95 quantile 1.761, 0.99 quantile 2.624 (every printed table; from memory).
    series = mixture_series(np.ones(1), np.array([[3.0]]), np.array([[2.0]]), degrees=14)[:, 0]

    assert (hermeval(ndtri(0.95), series) - 3.0) / 2.0 == pytest.approx(1.761, abs=2e-3)
    assert (hermeval(ndtri(0.99), series) - 3.0) / 2.0 == pytest.approx(2.624, abs=2e-3)
    assert series[0] == pytest.approx(3.0, abs=1e-4)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    degrees=st.integers(6, 60),
    apart=st.floats(0.0, 30.0),
    shift=st.floats(-1e3, 1e3),
    factor=st.floats(1e-3, 1e3),
)
def test_whatever_the_mixture_the_series_rises_is_finite_and_moves_with_it(seed, degrees, apart, shift, factor):
    rng = np.random.default_rng(seed)
    weight = rng.dirichlet(np.full(5, 0.5))
    centre, scale = apart * rng.standard_normal((5, 4)), np.exp(rng.uniform(-6, 1, (5, 4)))

    series = mixture_series(weight, centre, scale, degrees=degrees)
    moved = mixture_series(weight, shift + factor * centre, factor * scale, degrees=degrees)

    assert np.all(np.isfinite(series))
    rises = np.diff(hermevander(np.linspace(-2.75, 2.75, 12), 7) @ series, axis=0)
    assert np.all(rises >= 0)
    spread = np.sqrt((np.square(series[1:]) * np.array([1, 2, 6, 24, 120, 720, 5040])[:, None]).sum(axis=0))
    expected = factor * series
    expected[0] += shift
    # the settled Newton steps see rounding of the shift, hence of single precision
    for score in (-2.0, 0.0, 2.0):
        tolerance = 5e-3 * factor * spread.max() + 1e-6 * abs(shift)
        np.testing.assert_allclose(hermeval(score, moved), hermeval(score, expected), atol=tolerance)


def test_two_lumps_far_apart_become_the_normal_of_their_centre_and_spread():
    series = mixture_series(np.array([0.5, 0.5]), np.array([[-20.0], [20.0]]), np.ones((2, 1)), degrees=20)[:, 0]

    np.testing.assert_allclose(series[:2], [0.0, np.sqrt(400 + 20 / 18)], atol=1e-9)
    assert np.all(series[2:] == 0)


def test_a_sharp_peak_over_wide_tails_keeps_the_terms_that_rise():
    weight, centre, scale = np.array([0.85, 0.15]), np.zeros((2, 1)), np.array([[0.05], [1.0]])
    spread = np.sqrt(weight @ np.square(scale) * 9 / 7)[0]

    series = mixture_series(weight, centre, scale, degrees=9)[:, 0]

    assert series[3] > 0
    assert series[6] == series[7] == 0
    for probability in (0.01, 0.05, 0.95, 0.99):
        exact = exact_quantile(weight, centre[:, 0], scale[:, 0], 9, probability)
        assert abs(hermeval(ndtri(probability), series) - exact) < 0.5 * spread


@pytest.mark.parametrize("degrees", [6, 13, 200])
def test_tabulated_t_is_the_library_s_t(degrees):
    deviate = np.random.default_rng(0).uniform(-30, 30, 2000)

    below, density = t_table(degrees).at(deviate.astype(np.float32))

    np.testing.assert_allclose(below, student_t.cdf(deviate, degrees), atol=1e-5)
    np.testing.assert_allclose(density, student_t.pdf(deviate, degrees), atol=4e-3)
    np.testing.assert_allclose(t_density(deviate, degrees=degrees), student_t.pdf(deviate, degrees), rtol=1e-10)
