"""Quantiles of weighted mixtures of Student t distributions, for every cell at once.

Covariance parameters that are integrated out leave a mixture: at every parameter point the prediction is a t, and the
points carry weights. Its quantiles have no closed form, but wherever its distribution function and density are known
there is a point of the quantile curve, with the slope there. Two sweeps do: one between the scores at which a
`Distribution` keeps quantiles, one at them, to which the first shows the way. The first then tells how well the curve
through the second does where it is worst. Cells that fail are left to `zonemap.geostat.refine`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from zonemap.geostat.refine import Mixtures, Places, own_quantiles
from zonemap.geostat.tabulated_t import Desk, SingleArray, TTable, t_table
from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.distribution import SCORES, Distribution, OwnScores
from zonemap.values.rising_curve import Piece

_Real = TypeVar("_Real", np.float64, np.float32)

#: Scores of the first sweep: between those that are kept, and the outermost of them.
_BETWEEN = np.array([SCORES[0], *((SCORES[1:] + SCORES[:-1]) / 2), SCORES[-1]])
_WIDTH = float(SCORES[1] - SCORES[0])
#: A curve may be off by this share of the spread where it is worst, as far as one place shows; 0.1 % is promised.
_TOLERANCE = 7e-4
#: Where a curve is off by more it has corners, and all of it is found anew.
_CORNER = 5e-3
#: The second sweep may miss its scores by this much: what is left after the step to them is of the third order.
_LARGEST_STEP = 0.03
#: What a place at this share of the way from score to score shows of the largest error is too little.
_LEAST_SHOWN = 0.25
#: Where one t is narrower than this share of the mixture's spread, a curve may bend unseen between two places.
_NARROW = 0.05
#: Where the curve is steeper than this share of the spread, single precision does not carry.
_STEEP = 8.0
_LEAST_PROBABILITY = 1e-7
#: Scores no further apart are one.
_SAME = 1e-9
_SQRT_2_PI = math.sqrt(2 * math.pi)


def mixture_distribution(weight: FloatArray, centre: FloatArray, scale: FloatArray, *, degrees: int) -> Distribution:
    """Distributions that are mixtures of t distributions.

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
    Distribution
        Quantiles of probabilities from 0.005 to 0.995 within 0.1 % of the mixture's spread; centre and spread are the
        mixture's mean and standard deviation.
    """
    mean = _averaged(weight, centre)
    offset = centre - mean
    start = _first_quantiles(weight, offset, scale, degrees=degrees)
    mixture = _Mixture.of(weight, offset, scale, start.spread, degrees=degrees)
    desk = Desk.of_shape(centre.shape)
    between = mixture.at(start.quantile, desk)
    near = mixture.at(_towards_scores(between), desk)
    at_scores = _stepped(near, between)
    open_ = _misses(at_scores, between) | _unsettled(near, at_scores) | (scale.min(axis=0) < _NARROW * start.spread)
    own = OwnScores.none()
    hard = np.flatnonzero(open_.any(axis=0))
    if hard.size > 0:
        mixtures = _standardised(weight, offset, scale, start.spread, hard, degrees=degrees)
        finer = own_quantiles(mixtures, _stacked(at_scores, between.rows(1, -1)).of(hard), open_[:, hard])
        at_scores.quantile[:, hard], at_scores.slope[:, hard] = finer.quantile, finer.slope
        own = _of_cells(finer.own, hard, mean[hard], start.spread[hard])
    quantile, slope = mean + start.spread * at_scores.quantile, start.spread * at_scores.slope
    return Distribution(mean, start.spread, quantile, slope, own)


def _standardised(
    weight: FloatArray, offset: FloatArray, scale: FloatArray, spread: FloatArray, cell: IntArray, *, degrees: int
) -> Mixtures:
    """Mixtures of some cells, of mean 0 and variance 1."""
    parts = weight[:, cell] if weight.ndim == 2 else np.repeat(weight[:, None], cell.size, axis=1)
    return Mixtures(parts, offset[:, cell] / spread[cell], scale[:, cell] / spread[cell], degrees)


def _of_cells(own: OwnScores, cell: IntArray, mean: FloatArray, spread: FloatArray) -> OwnScores:
    """Scores of some cells, in their numbers."""
    count = np.diff(own.first)
    mean, spread = np.repeat(mean, count), np.repeat(spread, count)
    return OwnScores(cell, own.first, own.score, mean + spread * own.quantile, spread * own.slope)


@dataclass(frozen=True, slots=True)
class _Mixture:
    """Mixtures of mean 0 and variance 1, in single precision: enough for probabilities to 1e-6, and twice as fast."""

    weight: SingleArray
    inverse: SingleArray
    middle: SingleArray
    table: TTable

    @classmethod
    def of(
        cls, weight: FloatArray, offset: FloatArray, scale: FloatArray, spread: FloatArray, *, degrees: int
    ) -> _Mixture:
        middle = (offset / scale).astype(np.float32)
        return cls(weight.astype(np.float32), (spread / scale).astype(np.float32), middle, t_table(degrees))

    def at(self, quantile: FloatArray, desk: Desk) -> Places:
        """Places where the curves take (places, cells) values."""
        from scipy.special import ndtri

        below, density = (np.empty(quantile.shape, dtype=np.float32) for _ in range(2))
        for row, value in enumerate(quantile.astype(np.float32)):
            np.multiply(value, self.inverse, out=desk.deviate)
            np.subtract(desk.deviate, self.middle, out=desk.deviate)
            self.table.look_up(desk)
            below[row] = _averaged(self.weight, desk.below)
            np.multiply(desk.density, self.inverse, out=desk.density)
            density[row] = _averaged(self.weight, desk.density)
        probability = np.clip(below.astype(np.float64), _LEAST_PROBABILITY, 1 - _LEAST_PROBABILITY)
        score = np.asarray(ndtri(probability))
        slope = np.exp(-0.5 * np.square(score)) / (_SQRT_2_PI * np.maximum(density, _LEAST_PROBABILITY))
        return Places(score, quantile, slope)


def _between(first: Places, last: Places) -> Piece:
    """Pieces of rising curves from the places of one row to those of another."""
    rise = np.maximum(last.quantile - first.quantile, 0.0)
    return Piece(np.maximum(last.score - first.score, _SAME), first.quantile, rise, first.slope, last.slope)


def _stacked(*several: Places) -> Places:
    """Places of several, row upon row."""
    return Places(*(np.vstack([getattr(one, name) for one in several]) for name in ("score", "quantile", "slope")))


def _towards_scores(between: Places) -> FloatArray:
    """(scores, cells) near the quantiles at `SCORES`, along the curve through places between and its end tangents."""
    near = between.quantile + (_BETWEEN[:, None] - between.score) * between.slope
    left = between.rows(1, -2)
    piece = _between(left, between.rows(2, -1))
    part = np.clip((SCORES[1:-1, None] - left.score) / piece.width, 0.0, 1.0)
    return np.vstack([near[:1], piece.at(part), near[-1:]])


def _stepped(near: Places, between: Places) -> Places:
    """Places at `SCORES`, by a step of third order from near ones."""
    other = between.rows(1, -1)
    other = _stacked(other, other.rows(-1, None))
    width = other.score - near.score
    width = np.where(np.abs(width) < _SAME, _WIDTH, width)
    mean_slope = (other.quantile - near.quantile) / width
    # of the cubic through both places, at the near one
    curvature = (6 * mean_slope - 4 * near.slope - 2 * other.slope) / width
    step = SCORES[:, None] - near.score
    quantile = near.quantile + step * (near.slope + 0.5 * step * curvature)
    return Places(np.broadcast_to(SCORES[:, None], step.shape), quantile, near.slope + step * curvature)


def _unsettled(near: Places, at_scores: Places) -> BoolArray:
    """(cells,) whether a step was long, or leads to what is no rising curve that single precision can tell."""
    long = np.any(np.abs(at_scores.score - near.score) > _LARGEST_STEP, axis=0)
    rising = np.all((at_scores.slope > 0) & (at_scores.slope < _STEEP), axis=0)
    return np.asarray(long | ~rising | np.any(np.diff(at_scores.quantile, axis=0) <= 0, axis=0))


def _misses(at_scores: Places, between: Places) -> BoolArray:
    """(8, cells) whether the curve misses the places between; all along where one shows too little.

    The error of a smooth curve through two places with their slopes is as ``p^2 (1 - p)^2`` on the way from one to the
    other.
    """
    piece = _between(at_scores.rows(0, -1), at_scores.rows(1, len(SCORES)))
    seen = between.rows(1, -1)
    part = np.clip((seen.score - SCORES[:-1, None]) / _WIDTH, 0.0, 1.0)
    shown = 16 * np.square(part * (1 - part))
    miss = np.abs(piece.at(part) - seen.quantile) / np.maximum(shown, _LEAST_SHOWN)
    # a curve may meet the place by chance: its slope there then differs
    miss = np.maximum(miss, np.abs(piece.slope_at(part) - seen.slope) * (_WIDTH / 8))
    missed = miss > _TOLERANCE
    # a corner may lie by a score, and then shows little on one side
    missed[1:] |= miss[:-1] > _TOLERANCE
    missed[:-1] |= miss[1:] > _TOLERANCE
    return np.asarray(missed | np.any((shown < _LEAST_SHOWN) | (miss > _CORNER), axis=0))


@dataclass(frozen=True, slots=True)
class _Start:
    """Spread (cells,) of mixtures, and places (10, cells) on the quantile curve over it, from four moments."""

    spread: FloatArray
    quantile: FloatArray


def _first_quantiles(weight: FloatArray, offset: FloatArray, scale: FloatArray, *, degrees: int) -> _Start:
    """Quantiles of the t of the same spread, corrected for skewness and excess kurtosis.

    The correction is the first of Cornish & Fisher (1937), Review of the International Statistical Institute 5:307-320
    (from memory); it only has to be near.
    """
    from scipy.special import ndtr, stdtrit

    variance = np.square(scale)
    variance *= degrees / (degrees - 2)
    squared = np.square(offset)
    spread = np.sqrt(_averaged(weight, squared) + _averaged(weight, variance))
    # from here on near is enough
    share, over = weight.astype(np.float32), (1.0 / spread).astype(np.float32)
    distance, variances = offset.astype(np.float32) * over, variance.astype(np.float32) * np.square(over)
    squares = np.square(distance)
    distance *= squares + 3 * variances
    of_t = np.float32(6 / (degrees - 4))
    fourth = squares + 6 * variances
    fourth *= squares
    fourth += (3 + of_t) * np.square(variances)
    skewness, excess = _averaged(share, distance), _averaged(share, fourth) - 3 - of_t
    z = _BETWEEN[:, None]
    plain = np.asarray(stdtrit(degrees, ndtr(_BETWEEN)))[:, None] * np.sqrt((degrees - 2) / degrees)
    bent = (z**2 - 1) / 6 * np.clip(skewness, -1, 1) + (z**3 - 3 * z) / 24 * np.clip(excess, -1, 2)
    return _Start(spread, plain + bent)


def _averaged(weight: npt.NDArray[_Real], of_points: npt.NDArray[_Real]) -> npt.NDArray[_Real]:
    """(cells,) weighted sums over the points of (points, cells)."""
    return weight @ of_points if weight.ndim == 1 else np.einsum("pc,pc->c", weight, of_points)
