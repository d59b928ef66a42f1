"""How alike two sets rank the same places: Spearman's rank correlation, its interval, and what may be said of it."""

from __future__ import annotations

import math

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.comparison import RankCorrelation, Trend

#: with fewer pairs even a true correlation of 0.6 has an interval that reaches 0: nothing is said (our choice)
LEAST_PAIRS = 8
#: from here on half the variation in rank is common to both sets (0.7^2); common practice for "strong"
_STRONG = 0.7
#: with no more independent pairs than this the interval says nothing
_LEAST_WORTH = 4.0
#: rounding in sums of ranks, far below what one exchanged pair among a million does
_PERFECT = 1e-12
_NORMAL_975 = 1.959963984540054


def rank_shares(value: FloatArray) -> FloatArray:
    """Place of every value in the ranking, 0 lowest and 1 highest; equal values share the mean of their places.

    Examples
    --------
    >>> rank_shares(np.array([3.0, 1.0, 20.0]))
    array([0.5, 0. , 1. ])
    """
    from scipy.stats import rankdata

    if value.size < 2:
        return np.full(value.shape, 0.5)
    return np.asarray((rankdata(value) - 1.0) / (value.size - 1.0))


def rank_correlation(first: FloatArray, second: FloatArray, *, effective: float | None = None) -> RankCorrelation:
    """Spearman's coefficient of paired values, and its 95 % interval.

    The interval is taken on Fisher's z with standard error sqrt((1 + r^2/2) / (n - 3)).

    Parameters
    ----------
    first, second
        (pairs,) finite.
    effective
        How many independent pairs these are worth, n of the formula (see `zonemap.geostat.independence`); ``None``
        where all are independent. That it may stand for n is our choice.

    Returns
    -------
    RankCorrelation
        NaN where all values of one set are equal; no interval with fewer than four pairs or in perfect order; -1 to 1
        where the pairs are worth no more than four.

    References
    ----------
    Bonett, D. G., Wright, T. A. 2000. Sample size requirements for estimating Pearson, Kendall and Spearman
    correlations. Psychometrika 65:23-28.
    """
    n = first.size
    worth = float(n) if effective is None else effective
    one, other = (share - 0.5 for share in (rank_shares(first), rank_shares(second)))
    spread = math.sqrt(float(one @ one) * float(other @ other))
    if n < 2 or spread == 0:
        return RankCorrelation(n, worth, math.nan, math.nan, math.nan)
    r = float(one @ other) / spread
    if 1 - abs(r) < _PERFECT:
        r = math.copysign(1.0, r)
    if n >= LEAST_PAIRS and worth <= _LEAST_WORTH:
        return RankCorrelation(n, worth, r, -1.0, 1.0)
    if abs(r) == 1 or n < 4:
        return RankCorrelation(n, worth, r, math.nan, math.nan)
    half = _NORMAL_975 * math.sqrt((1 + r**2 / 2) / (worth - 3))
    return RankCorrelation(n, worth, r, math.tanh(math.atanh(r) - half), math.tanh(math.atanh(r) + half))


def trend_of(correlation: RankCorrelation) -> Trend:
    """What may be said: nothing from few pairs, and a common ranking only where the interval leaves out 0."""
    r = correlation.coefficient
    if correlation.pairs < LEAST_PAIRS:
        return "too_few"
    if math.isnan(r):
        return "no_spread"
    perfect = math.isnan(correlation.low_95)
    low, high = (r, r) if perfect else (correlation.low_95, correlation.high_95)
    if high < 0:
        return "opposite"
    if low <= 0:
        return "not"
    return "agree" if r >= _STRONG else "loosely"
