"""A weighted mixture of Student t distributions as a Hermite series, for every cell at once.

Covariance parameters that are integrated out leave a mixture: at every parameter point the prediction is a t, and the
points carry weights. Its quantiles have no closed form; they are found by Newton steps at a few normal scores and the
series is laid through them, so that all later quantiles are one evaluation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
from numpy.polynomial.hermite_e import hermeder, hermeval, hermevander

from zonemap.values.arrays import BoolArray, FloatArray

SingleArray: TypeAlias = npt.NDArray[np.float32]
_Real = TypeVar("_Real", np.float64, np.float32)

#: Normal scores at which the mixture's quantiles are solved: Chebyshev points from p = 0.01 to 0.99.
SCORES = 2.33 * np.sin(np.arange(-4, 5) * np.pi / 9) / np.sin(4 * np.pi / 9)
#: Terms of the series. Seen in three fields, between those probabilities: within 0.05 % of a mixture's spread in 95 of
#: 100 cells and 0.5 % in 99; up to 5 % in cells with a sample in them, where a sharp peak stands over wide tails.
TERMS = 8
_FEWER_TERMS = (6, 4)
#: The t distribution function is tabulated to this many scales from its centre, at this many points a scale.
_TABLE_REACH, _TABLE_STEPS = 40.0, 64
_NEWTON_STEPS = 6
#: Newton steps end with one below this share of the spread: it leaves an error of 1.2 times its square at most.
_LAST_STEP = 0.01
#: A series is checked for rising at these scores; beyond them a surface goes on along its tangent.
_CHECKED = np.linspace(-2.75, 2.75, 23)


@dataclass(frozen=True, slots=True)
class TTable:
    """Distribution function and density of Student's t on a fine grid."""

    below: SingleArray
    density: SingleArray

    def at(self, deviate: SingleArray) -> tuple[SingleArray, SingleArray]:
        """Probability below (along the tangent at the nearest grid point, to 1e-5) and density there, of deviates.

        The deviates are overwritten.
        """
        deviate *= _TABLE_STEPS
        deviate += _TABLE_REACH * _TABLE_STEPS
        np.clip(deviate, 0.0, len(self.below) - 1.0, out=deviate)
        index = (deviate + np.float32(0.5)).astype(np.intp)
        deviate -= index
        deviate *= np.float32(1 / _TABLE_STEPS)
        density = self.density.take(index)
        deviate *= density
        deviate += self.below.take(index)
        return deviate, density


@cache
def t_table(degrees: int) -> TTable:
    """Tabulate Student's t with so many degrees of freedom."""
    from scipy.special import stdtr

    deviate = np.linspace(-_TABLE_REACH, _TABLE_REACH, int(2 * _TABLE_REACH * _TABLE_STEPS) + 1)
    columns = np.asarray(stdtr(degrees, deviate)), t_density(deviate, degrees=degrees)
    below, density = (np.asarray(column, dtype=np.float32) for column in columns)
    return TTable(below, density)


def t_density(deviate: FloatArray, *, degrees: int) -> FloatArray:
    """Density of Student's t at standard deviates of any shape."""
    half = (degrees + 1) / 2
    constant = math.lgamma(half) - math.lgamma(degrees / 2) - 0.5 * math.log(degrees * math.pi)
    return np.asarray(np.exp(constant - half * np.log1p(np.square(deviate) / degrees)))


def mixture_series(weight: FloatArray, centre: FloatArray, scale: FloatArray, *, degrees: int) -> FloatArray:
    """Hermite coefficients of mixtures of t distributions.

    Parameters
    ----------
    weight
        (points,) or (points, cells), summing to 1 over the points.
    centre, scale
        (points, cells) location and scale of each t; scales positive.
    degrees
        Degrees of freedom of all of them, more than 4.

    Returns
    -------
    FloatArray
        (8, cells), for `Surface.score_coefficients`; with fewer terms, the others 0, where eight would not rise
        everywhere between scores of -2.75 and 2.75.
    """
    mean = _averaged(weight, centre)
    start = _first_quantiles(weight, centre - mean, scale, degrees=degrees)
    spread = start.spread
    quantile = mixture_quantiles(
        weight, (centre - mean) / spread, scale / spread, degrees=degrees, start=start.quantile
    )
    series = _rising_series(quantile) * spread
    series[0] += mean
    return np.asarray(series)


def _rising_series(quantile: FloatArray) -> FloatArray:
    """(8, cells) series through quantiles (scores, cells), of as many terms as still rise at all checked scores.

    A sharp peak over wide tails bends the quantile function more than a polynomial can follow. Where four do not rise
    either the series is the normal with the mixture's mean and spread, 0 and 1 here.
    """
    series = np.asarray(_laid_through(TERMS) @ quantile)
    for terms in _FEWER_TERMS:
        falling = np.flatnonzero(_falls(series))
        if falling.size == 0:
            return series
        series[:terms, falling] = _laid_through(terms) @ quantile[:, falling]
        series[terms:, falling] = 0.0
    series[:, _falls(series)] = np.eye(TERMS)[:, 1:2]
    return series


def _falls(series: FloatArray) -> BoolArray:
    """(cells,) whether a series does not rise at one of the checked scores."""
    return np.asarray(np.any(_slopes() @ series <= 0, axis=0))


def mixture_quantiles(
    weight: FloatArray, centre: FloatArray, scale: FloatArray, *, degrees: int, start: FloatArray
) -> FloatArray:
    """(scores, cells) quantiles, at the probabilities of `SCORES`, of mixtures of mean 0 and variance 1.

    Parameters
    ----------
    start
        (scores, cells) where Newton's steps start.
    """
    from scipy.special import ndtr

    table = t_table(degrees)
    # single precision is enough for steps that end at a probability met to 1e-6, and twice as fast
    share, inverse = weight.astype(np.float32), (1.0 / scale).astype(np.float32)
    middle = centre.astype(np.float32)
    middle *= inverse
    quantile = start.astype(np.float32)
    for row, target in enumerate(np.asarray(ndtr(SCORES))):
        at = quantile[row]
        for _ in range(_NEWTON_STEPS):
            below, density = table.at(at * inverse - middle)
            density *= inverse
            slope = np.maximum(_averaged(share, density), np.float32(1e-6))
            step = np.clip((_averaged(share, below) - np.float32(target)) / slope, -1.0, 1.0)
            at -= step
            if np.abs(step).max(initial=0.0) < _LAST_STEP:
                break
    return np.maximum.accumulate(quantile, axis=0).astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Start:
    """Spread (cells,) of mixtures, and quantiles (scores, cells) over it, from four moments."""

    spread: FloatArray
    quantile: FloatArray


def _first_quantiles(weight: FloatArray, offset: FloatArray, scale: FloatArray, *, degrees: int) -> _Start:
    """Quantiles of the t of the same spread, corrected for skewness and excess kurtosis.

    The correction is the first of Cornish & Fisher (1937), Review of the International Statistical Institute 5:307-320
    (from memory); it only has to be near.
    """
    from scipy.special import ndtr, stdtrit

    squared, variance = np.square(offset), np.square(scale) * (degrees / (degrees - 2))
    spread = np.sqrt(_averaged(weight, variance + squared))
    skewness = _averaged(weight, (squared + 3 * variance) * offset) / spread**3
    of_t = 6 / (degrees - 4)
    fourth = _averaged(weight, np.square(squared) + 6 * squared * variance + (3 + of_t) * np.square(variance))
    excess = fourth / spread**4 - 3 - of_t
    z = SCORES[:, None]
    plain = np.asarray(stdtrit(degrees, ndtr(SCORES)))[:, None] * np.sqrt((degrees - 2) / degrees)
    bent = (z**2 - 1) / 6 * np.clip(skewness, -1, 1) + (z**3 - 3 * z) / 24 * np.clip(excess, -1, 2)
    return _Start(spread, plain + bent)


def _averaged(weight: npt.NDArray[_Real], of_points: npt.NDArray[_Real]) -> npt.NDArray[_Real]:
    """(cells,) weighted sums over the points of (points, cells)."""
    return weight @ of_points if weight.ndim == 1 else np.einsum("pc,pc->c", weight, of_points)


@cache
def _laid_through(terms: int) -> FloatArray:
    """(terms, scores) least-squares matrix from quantiles at `SCORES` to coefficients."""
    return np.asarray(np.linalg.pinv(hermevander(SCORES, terms - 1)))


@cache
def _slopes() -> FloatArray:
    """(checked, terms) matrix from coefficients to the derivative of the series at `_CHECKED`."""
    return np.asarray(hermeval(_CHECKED, hermeder(np.eye(TERMS))).T)
