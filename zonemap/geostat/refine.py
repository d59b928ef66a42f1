"""Quantile curves of mixtures of t distributions that bend more than common scores tell: places where they bend.

Two t distributions of very different width, as where a cell holds a sample, or far apart make a curve with corners.
Between two places that are known the curve is guessed, looked at half way, and halved again where the guess was wrong.
Everything here is in double precision, and every place is right to 1e-7 in probability: what is guessed is only what
lies between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from zonemap.geostat.tabulated_t import t_table
from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.distribution import LAST_SCORE, SCORES, OwnScores
from zonemap.values.rising_curve import Piece

#: A guess may be wrong by this share of the spread. Half way is where it is worst, and that place is then known too.
_TOLERANCE = 1.5e-4
#: Closer scores are one: 1e-7 in probability at most.
_LEAST_WIDTH = 2e-7
#: Closer scores than this cannot be told apart.
_LEAST_STEP = 1e-10
#: A slope this many times the mean slope, or the other way round, shows a corner.
_BENT = 3.0
_MOST_ROUNDS = 60
#: Below this probability nothing of a curve is wanted.
_OUTER_PROBABILITY = 5e-4
#: (points, places) elements worked on at a time.
_CHUNK_ELEMENTS = 15_000
_SQRT_2_PI = math.sqrt(2 * math.pi)


@dataclass(frozen=True, slots=True)
class Mixtures:
    """Mixtures of mean 0 and variance 1, (points, cells).

    Attributes
    ----------
    weight
        Sum to 1 over the points.
    centre, scale
        Of each t.
    degrees
        Of freedom, of all of them.
    """

    weight: FloatArray
    centre: FloatArray
    scale: FloatArray
    degrees: int

    def outer_quantiles(self) -> FloatArray:
        """(2, cells) below and above all quantiles that are wanted: no t of a mixture reaches further."""
        from scipy.special import stdtrit

        reach = -float(stdtrit(self.degrees, _OUTER_PROBABILITY)) * self.scale
        return np.stack([(self.centre - reach).min(axis=0), (self.centre + reach).max(axis=0)])

    def below_and_density(self, cell: IntArray, quantile: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Probabilities below flat quantiles of cells, and densities there."""
        table = t_table(self.degrees)
        below, density = np.empty(len(cell)), np.empty(len(cell))
        step = max(_CHUNK_ELEMENTS // len(self.centre), 1)
        for start in range(0, len(cell), step):
            part = slice(start, start + step)
            of = cell[part]
            weight, scale = self.weight[:, of], self.scale[:, of]
            of_points, densities = table.at((quantile[part] - self.centre[:, of]) / scale)
            below[part] = (weight * of_points).sum(axis=0)
            density[part] = (weight * (densities / scale)).sum(axis=0)
        return below, density


@dataclass(frozen=True, slots=True)
class Places:
    """Places on quantile curves, (places, cells): scores, quantiles, and the slopes of these by those."""

    score: FloatArray
    quantile: FloatArray
    slope: FloatArray

    def rows(self, first: int, last: int | None) -> Places:
        """Only some of the places."""
        return Places(self.score[first:last], self.quantile[first:last], self.slope[first:last])

    def of(self, cell: IntArray) -> Places:
        """Only some of the cells."""
        return Places(self.score[:, cell], self.quantile[:, cell], self.slope[:, cell])


@dataclass(frozen=True, slots=True)
class _Row:
    """Places on the quantile curves of cells, in one row."""

    cell: IntArray
    score: FloatArray
    quantile: FloatArray
    slope: FloatArray

    @classmethod
    def of(cls, places: Places, cell: IntArray) -> _Row:
        """All places of some cells."""
        some = places.of(cell)
        return cls(np.tile(cell, len(some.score)), some.score.ravel(), some.quantile.ravel(), some.slope.ravel())

    @classmethod
    def known(cls, mixtures: Mixtures, cell: IntArray, quantile: FloatArray) -> _Row:
        """Places where the curves take values."""
        from scipy.special import ndtri

        below, density = mixtures.below_and_density(cell, quantile)
        score = np.asarray(ndtri(np.clip(below, 1e-15, 1 - 1e-15)))
        slope = np.exp(-0.5 * np.square(score)) / (_SQRT_2_PI * np.maximum(density, 1e-12))
        return cls(cell, score, quantile, slope)

    @classmethod
    def joined(cls, parts: list[_Row]) -> _Row:
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in cls.__dataclass_fields__))

    def only(self, which: BoolArray | IntArray) -> _Row:
        return _Row(self.cell[which], self.score[which], self.quantile[which], self.slope[which])

    def rising(self) -> _Row:
        """Return the places by cell and quantile, no quantile twice, scores that are one as near each other as can be.

        Between two lumps far apart the probability stands still, but the last place of the gap counts as the first.
        """
        places = self.only(np.lexsort((self.quantile, self.cell)))
        twice = (places.cell[1:] == places.cell[:-1]) & (np.diff(places.quantile) <= 0)
        places = places.only(~np.append(False, twice))
        # the scores of all cells in one rising row: they lie between -8 and 8
        offset = 16.0 * places.cell - _LEAST_STEP * np.arange(len(places.cell))
        score = np.maximum(places.score, np.maximum.accumulate(places.score + offset) - offset)
        return replace(places, score=score)


@dataclass(frozen=True, slots=True)
class OwnQuantiles:
    """Distributions, in the numbers of the mixtures.

    Attributes
    ----------
    own
        Of every cell.
    quantile, slope
        (9, cells) of the same curves at `SCORES`.
    """

    own: OwnScores
    quantile: FloatArray
    slope: FloatArray


def own_quantiles(mixtures: Mixtures, near: Places, open_: BoolArray) -> OwnQuantiles:
    """Quantiles at scores of their own, of every cell.

    Parameters
    ----------
    near
        (places, cells) on the curves; those at the `SCORES` among them.
    open_
        (8, cells) whether more is to be known between two of the `SCORES`. Cells that are open all along keep only the
        values of the places: all else is found anew.
    """
    cells = near.score.shape[1]
    known, anew = _Row.of(near, np.flatnonzero(~open_.all(axis=0))), np.flatnonzero(open_.all(axis=0))
    if anew.size > 0:
        begin = np.vstack([near.quantile[:, anew], mixtures.outer_quantiles()[:, anew]])
        known = _Row.joined([known, _Row.known(mixtures, np.tile(anew, len(begin)), begin.ravel())])
    known = known.rising()
    known = _Row.joined([known, *_halved(mixtures, known, open_)]).rising()
    at_scores = _at_scores(known, cells)
    shape = (len(SCORES), cells)
    return OwnQuantiles(_cut(known, at_scores), at_scores.quantile.reshape(shape), at_scores.slope.reshape(shape))


def _halved(mixtures: Mixtures, known: _Row, open_: BoolArray) -> list[_Row]:
    """Places between known ones where a cell is open, until every guess is right.

    Where the slopes at both ends are near the mean slope one place half way tells whether the guess is right. Elsewhere
    there is a corner, which half way along the scores and half way along the quantiles enclose: all three parts are
    looked at again.
    """
    between = np.clip(np.searchsorted(SCORES, known.score + _LEAST_WIDTH) - 1, 0, len(open_) - 1)
    inner = (known.cell[1:] == known.cell[:-1]) & open_[between[:-1], known.cell[:-1]]
    left, right = known.only(np.append(inner, False)), known.only(np.append(False, inner))
    found = []
    for _ in range(_MOST_ROUNDS):
        left, right = _wanted(left, right)
        if len(left.cell) == 0:
            break
        corner = _bent(left, right)
        ends = [_halves(mixtures, left.only(~corner), right.only(~corner))]
        ends.append(_thirds(mixtures, left.only(corner), right.only(corner)))
        found += [new for _, _, new in ends]
        left, right = (_Row.joined([end[side] for end in ends]) for side in (0, 1))
    return found


def _wanted(left: _Row, right: _Row) -> tuple[_Row, _Row]:
    """Only intervals in which there is something to be known."""
    wanted = (left.score < LAST_SCORE) & (right.score > -LAST_SCORE) & (right.score - left.score > _LEAST_WIDTH)
    wanted &= right.quantile - left.quantile > _TOLERANCE
    return left.only(wanted), right.only(wanted)


def _bent(left: _Row, right: _Row) -> BoolArray:
    """Whether the slope at an end is far from the mean slope."""
    mean_slope = (right.quantile - left.quantile) / (right.score - left.score)
    low, high = np.minimum(left.slope, right.slope), np.maximum(left.slope, right.slope)
    return np.asarray((low * _BENT < mean_slope) | (high > _BENT * mean_slope))


def _halves(mixtures: Mixtures, left: _Row, right: _Row) -> tuple[_Row, _Row, _Row]:
    """Halves of the intervals whose guess was wrong, by their ends, and all places half way."""
    piece = _piece(left, right)
    middle = _Row.known(mixtures, left.cell, piece.at(0.5))
    part = np.clip((middle.score - left.score) / piece.width, 0.0, 1.0)
    # a guess may meet the place by chance: its slope there then differs
    slope = np.abs(piece.slope_at(part) - middle.slope) * (piece.width / 8)
    wrong = np.maximum(np.abs(piece.at(part) - middle.quantile), slope) > _TOLERANCE
    left, right, some = left.only(wrong), right.only(wrong), middle.only(wrong)
    return _Row.joined([left, some]), _Row.joined([some, right]), middle


def _thirds(mixtures: Mixtures, left: _Row, right: _Row) -> tuple[_Row, _Row, _Row]:
    """Three parts of every interval, by their ends, and the places between."""
    piece = _piece(left, right)
    guess = piece.at(0.5)
    half = left.quantile + 0.5 * piece.rise
    first = _Row.known(mixtures, left.cell, np.minimum(guess, half))
    second = _Row.known(mixtures, left.cell, np.maximum(guess, half))
    return _Row.joined([left, first, second]), _Row.joined([first, second, right]), _Row.joined([first, second])


def _piece(left: _Row, right: _Row) -> Piece:
    rise = right.quantile - left.quantile
    return Piece(right.score - left.score, left.quantile, rise, left.slope, right.slope)


def _at_scores(places: _Row, cells: int) -> _Row:
    """Where the curves have the `SCORES`, score by score."""
    cell = np.tile(np.arange(cells), len(SCORES))
    score = np.repeat(SCORES, cells)
    # every cell's scores lie between -8 and 8
    right = np.searchsorted(16.0 * places.cell + places.score, 16.0 * cell + score)
    right = np.maximum(right, np.searchsorted(places.cell, cell) + 1)
    left = places.only(right - 1)
    piece = _piece(left, places.only(right))
    part = (score - left.score) / piece.width
    return _Row(cell, score, piece.at(part), piece.slope_at(part))


def _cut(places: _Row, at_scores: _Row) -> OwnScores:
    """Cut the curves at the outermost of the `SCORES`."""
    ends = at_scores.only(np.abs(at_scores.score) == LAST_SCORE)
    every = _Row.joined([places.only(np.abs(places.score) < LAST_SCORE - _LEAST_STEP), ends])
    every = every.only(np.lexsort((every.score, every.cell)))
    count = np.bincount(every.cell)
    first = np.concatenate([[0], np.cumsum(count)])
    return OwnScores(np.arange(len(count)), first, every.score, every.quantile, every.slope)
