"""Distributions of many cells by their quantiles."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from scipy.integrate import quad

from zonemap.values.distribution import LAST_SCORE, SCORES, Distribution, OwnScores
from zonemap.values.rising_curve import Piece

POSITIVE = st.floats(1e-6, 1e6)


def of_t(degrees, *, own=False):
    """Build two cells of Student's t, the second at three times the size; by its own 23 scores too if so asked."""

    def places(score):
        quantile = stats.t.ppf(stats.norm.cdf(score), degrees)
        return quantile, stats.norm.pdf(score) / stats.t.pdf(quantile, degrees)

    size, spread = np.array([1.0, 3.0]), np.sqrt(degrees / (degrees - 2))
    quantile, slope = (np.outer(column, size) for column in places(SCORES))
    score = np.linspace(-LAST_SCORE, LAST_SCORE, 23)
    more = OwnScores([1], [0, 23], score, *(3.0 * column for column in places(score))) if own else OwnScores.none()
    return Distribution(np.zeros(2), spread * size, quantile, slope, more)


@given(width=POSITIVE, rise=POSITIVE, first=POSITIVE, last=POSITIVE)
def test_a_piece_meets_its_ends_with_their_slopes_and_rises_between(width, rise, first, last):
    piece = Piece(width, *(np.array([part]) for part in (0.0, rise, first, last)))

    np.testing.assert_allclose([piece.at(0.0)[0], piece.at(1.0)[0]], [0.0, rise], rtol=1e-9)
    np.testing.assert_allclose([piece.slope_at(0.0)[0], piece.slope_at(1.0)[0]], [first, last], rtol=1e-9)
    parts = np.linspace(0.0, 1.0, 200)
    # to rounding: on a flat stretch of a piece with steep ends nothing is left of 16 digits
    assert np.all(np.diff(np.concatenate([piece.at(part) for part in parts])) >= -1e-15 * rise)
    assert np.all(np.concatenate([piece.slope_at(part) for part in parts]) > 0)


@given(rise=POSITIVE, first=POSITIVE, last=POSITIVE, part=st.floats(0.0, 1.0))
def test_a_piece_is_inverted_by_a_quadratic_equation(rise, first, last, part):
    piece = Piece(1.0, *(np.array([value]) for value in (2.0, rise, first, last)))

    value = piece.at(part)

    np.testing.assert_allclose(piece.at(piece.part_at(value)), value, rtol=1e-7, atol=1e-7 * rise)


def test_the_slope_of_a_piece_is_its_derivative():
    piece = Piece(2.0, *(np.array([value]) for value in (0.0, 3.0, 0.4, 5.0)))
    for part in (0.1, 0.5, 0.8):
        rise = piece.at(part + 1e-6) - piece.at(part - 1e-6)
        assert piece.slope_at(part)[0] == pytest.approx(rise[0] / (2e-6 * 2.0), rel=1e-6)


@pytest.mark.parametrize("degrees", [5, 8, 13, 60])
@pytest.mark.parametrize("own", [False, True])
def test_nine_quantiles_with_their_slopes_are_a_t_distribution_within_a_thousandth(degrees, own):
    said = of_t(degrees, own=own)
    for probability in np.linspace(0.005, 0.995, 67):
        exact = stats.t.ppf(probability, degrees) * np.array([1.0, 3.0])
        off = (said.at_score(float(stats.norm.ppf(probability))) - exact) / said.spread
        assert np.abs(off).max() < 1e-3
        assert not own or abs(off[1]) < 3e-5


@given(score=arrays(float, 2, elements=st.floats(-6.0, 6.0)), own=st.booleans())
def test_the_score_of_a_value_has_that_value(score, own):
    said = of_t(7, own=own)
    value = np.array([said.at_score(float(score[cell]))[cell] for cell in range(2)])

    np.testing.assert_allclose(said.score_of(value), score, atol=1e-9)


@given(low=st.floats(-5.0, 5.0), step=st.floats(1e-6, 3.0), own=st.booleans())
def test_quantiles_rise_at_the_stated_slope_inside_and_beyond(low, step, own):
    said = of_t(7, own=own)

    assert np.all(said.at_score(low + step) > said.at_score(low))
    rise = said.at_score(low + 5e-7) - said.at_score(low - 5e-7)
    np.testing.assert_allclose(said.slope_at(np.full(2, low)), rise / 1e-6, rtol=1e-5)


def test_beyond_the_last_score_a_distribution_is_its_tangent():
    said = of_t(9, own=True)
    np.testing.assert_allclose(said.at_score(4.0) - said.at_score(3.0), said.slope[-1], rtol=1e-12)
    np.testing.assert_allclose(said.at_score(-3.0) - said.at_score(-4.0), said.slope[0], rtol=1e-12)


@pytest.mark.parametrize("own", [False, True])
def test_moments_on_another_scale_are_those_of_numerical_integration(own):
    said = of_t(12, own=own).moved(shift=0.5, factor=0.2)

    mean, deviation = said.moments(np.exp)

    for cell in range(2):
        power = [
            quad(
                lambda z, cell=cell, k=k: np.exp(k * said.at_score(z)[cell]) * stats.norm.pdf(z),
                *(-8, 8),
                points=SCORES,
                limit=200,
            )[0]
            for k in (1, 2)
        ]
        assert mean[cell] == pytest.approx(power[0], rel=1e-6)
        assert deviation[cell] == pytest.approx(np.sqrt(power[1] - power[0] ** 2), rel=1e-4)


def test_a_normal_s_moments_are_exact():
    # of x^3 for N(1, 1/2): E x^3 = 1 + 3/4, E x^6 = 1 + 15/4 + 45/16 + 15/64 (moments of the normal, from memory)
    mean, deviation = Distribution.normal(np.array([1.0]), np.array([0.5])).moments(lambda x: x**3)
    assert mean[0] == pytest.approx(1.75, rel=1e-12)
    assert deviation[0] == pytest.approx(np.sqrt(1 + 15 / 4 + 45 / 16 + 15 / 64 - 1.75**2), rel=1e-12)


def test_parts_joined_are_the_cells_in_order_and_moving_moves_them_all():
    one, other = of_t(7, own=True), of_t(9, own=True)
    both = Distribution.joined([one, other, one])
    moved = both.moved(shift=-4.0, factor=0.1)

    np.testing.assert_array_equal(both.own.cell, [1, 3, 5])
    for score in (-3.0, -1.1, 0.2, 2.7):
        whole = np.concatenate([part.at_score(score) for part in (one, other, one)])
        np.testing.assert_array_equal(both.at_score(score), whole)
        np.testing.assert_allclose(moved.at_score(score), -4.0 + 0.1 * whole, rtol=1e-12)
    np.testing.assert_allclose(moved.centre, -4.0)
    np.testing.assert_allclose(moved.spread, 0.1 * both.spread)


def test_a_cell_without_spread_is_below_every_higher_value():
    said = Distribution.normal(np.array([1.0, 1.0]), np.zeros(2))
    np.testing.assert_array_equal(said.score_of(np.array([0.5, 1.5])), [-np.inf, np.inf])


def test_quantiles_at_other_than_nine_scores_are_refused():
    with pytest.raises(ValueError, match="expected shape"):
        Distribution(np.zeros(1), np.ones(1), np.zeros((3, 1)), np.ones((3, 1)))


@pytest.mark.parametrize("own", [False, True])
def test_some_cells_are_distributed_as_they_were_among_all(own):
    every = Distribution.joined([of_t(5, own=own), of_t(8), of_t(13, own=own)])
    some = np.array([0, 1, 3, 5])

    few = every.of_cells(some)

    for score in (-3.0, -1.1, 0.0, 0.4, 2.6):
        np.testing.assert_array_equal(few.at_score(score), every.at_score(score)[some])
    assert few.own.cell.tolist() == ([1, 3] if own else [])


@given(score=st.floats(-4, 4), own=st.booleans())
def test_score_and_slope_of_a_value_are_those_found_one_by_one(score, own):
    distribution = of_t(8, own=own)

    found, slope = distribution.score_and_slope_of(distribution.at_score(score))

    np.testing.assert_allclose(found, score, atol=1e-7)
    np.testing.assert_allclose(slope, distribution.slope_at(found), rtol=1e-6)
