"""Rank correlation: against another implementation, by its laws, and its interval by what it promises."""

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from zonemap.geostat.ranks import LEAST_PAIRS, rank_correlation, rank_shares, trend_of
from zonemap.values.comparison import RankCorrelation

# whole numbers: ties are frequent, and an increasing transform keeps unequal values unequal
ranked = st.integers(4, 40).flatmap(
    lambda n: st.tuples(*[arrays(np.float64, n, elements=st.integers(-50, 50).map(float))] * 2)
)
INCREASING = [lambda v: 3 * v + 7, np.exp, np.cbrt, lambda v: v**3, lambda v: np.arctan(v / 10)]


def _spread(*sets):
    return all(np.ptp(values) > 0 for values in sets)


@given(ranked)
def test_the_coefficient_is_that_of_another_implementation(both):
    assume(_spread(*both))

    assert rank_correlation(*both).coefficient == pytest.approx(scipy.stats.spearmanr(*both).statistic, abs=1e-12)


@given(ranked, st.sampled_from(INCREASING), st.booleans())
def test_an_increasing_transform_of_either_set_changes_nothing(both, transform, of_first):
    first, second = both
    changed = (transform(first), second) if of_first else (first, transform(second))

    np.testing.assert_equal(rank_correlation(*changed), rank_correlation(first, second))


@given(ranked)
def test_the_order_of_the_two_sets_does_not_matter(both):
    one, other = rank_correlation(*both), rank_correlation(*both[::-1])

    np.testing.assert_allclose(
        [one.coefficient, one.low_95, one.high_95], [other.coefficient, other.low_95, other.high_95], atol=1e-12
    )


@given(ranked)
def test_a_set_agrees_with_itself_and_is_opposite_to_its_negative(both):
    values = both[0]
    assume(_spread(values))

    assert rank_correlation(values, values).coefficient == 1
    assert rank_correlation(values, -values).coefficient == -1


@given(ranked)
def test_the_interval_holds_the_coefficient_and_lies_within_one(both):
    found = rank_correlation(*both)
    assume(not math.isnan(found.low_95))

    assert -1 <= found.low_95 <= found.coefficient <= found.high_95 <= 1


def test_the_interval_of_bonett_and_wright_by_hand():
    # Bonett & Wright (2000, Psychometrika 65:23-28): z = atanh(r), standard error sqrt((1 + r^2/2)/(n - 3)).
    # Arithmetic. Five neighbours of ten exchanged: squared rank differences add up to 10, r = 1 - 6 * 10 / (10 * 99),
    # which is 31/33; z = ln(32) / 2 = 1.732868; error sqrt(1.441230 / 7) = 0.453751, times 1.959964 = 0.889336.
    # Limits of z: 0.843532 and 2.622204; exp(2 z): 5.403590 and 189.5037; (e - 1) / (e + 1): 0.687675 and 0.989502.
    found = rank_correlation(np.arange(10.0), np.array([2.0, 1, 4, 3, 6, 5, 8, 7, 10, 9]))

    assert found.coefficient == pytest.approx(31 / 33, abs=1e-12)
    assert found.low_95 == pytest.approx(0.687675, abs=1e-6)
    assert found.high_95 == pytest.approx(0.989502, abs=1e-6)


@pytest.mark.parametrize(("rho", "pairs"), [(0.0, 15), (0.5, 30), (0.8, 40)])
def test_the_interval_covers_the_true_value_as_often_as_it_says(rho, pairs):
    # Pearson (1907; from memory): the rank correlation of a bivariate normal is 6/pi asin(rho/2).
    rng, true = np.random.default_rng(int(100 * rho) + pairs), 6 / math.pi * math.asin(rho / 2)
    covered = 0
    for _ in range(1500):
        first = rng.normal(size=pairs)
        second = rho * first + math.sqrt(1 - rho**2) * rng.normal(size=pairs)
        found = rank_correlation(first, second)
        covered += found.low_95 <= true <= found.high_95

    # four standard errors of a share of 0.95 in 1500 are 0.0225
    assert covered / 1500 == pytest.approx(0.95, abs=0.0225)


def test_shares_run_from_lowest_to_highest_and_ties_meet_in_the_middle():
    np.testing.assert_allclose(rank_shares(np.array([5.0, 1, 5, 9, 2])), [0.625, 0, 0.625, 1, 0.25])


@pytest.mark.parametrize("values", [np.ones(12), np.array([]), np.array([3.0])])
def test_what_has_no_ranking_has_no_coefficient(values):
    found = rank_correlation(values, np.arange(float(values.size)))

    assert math.isnan(found.coefficient)
    assert trend_of(found) == ("no_spread" if values.size >= LEAST_PAIRS else "too_few")


@pytest.mark.parametrize(
    ("found", "trend"),
    [
        (RankCorrelation(7, 7.0, 0.99, 0.9, 1.0), "too_few"),
        (RankCorrelation(30, 30.0, 0.8, 0.6, 0.9), "agree"),
        (RankCorrelation(30, 30.0, 0.5, 0.2, 0.7), "loosely"),
        (RankCorrelation(30, 30.0, 0.2, -0.2, 0.5), "not"),
        (RankCorrelation(30, 30.0, -0.2, -0.5, 0.2), "not"),
        (RankCorrelation(30, 30.0, -0.6, -0.8, -0.3), "opposite"),
        (RankCorrelation(9, 9.0, 1.0, math.nan, math.nan), "agree"),
        (RankCorrelation(9, 9.0, -1.0, math.nan, math.nan), "opposite"),
    ],
)
def test_what_may_be_said(found, trend):
    assert trend_of(found) == trend


def test_independent_sets_are_seldom_said_to_agree():
    rng = np.random.default_rng(11)
    trends = [trend_of(rank_correlation(rng.normal(size=20), rng.normal(size=20))) for _ in range(1000)]

    # 5 % of intervals leave out 0, half of them on either side; four standard errors of 0.05 in 1000 are 0.028
    assert sum(trend != "not" for trend in trends) / 1000 < 0.05 + 0.028
