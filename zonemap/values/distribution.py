"""Distributions of many cells at once, by their quantiles at normal scores.

The normal score of a probability is the quantile of the standard normal there. A normal distribution is its centre and
spread. Any other is its quantiles at nine scores with the slopes there, and a rising curve between them
(`zonemap.values.rising_curve`); the few cells that bend more than nine scores tell carry more, at scores of their own.
Beyond +-2.75 (3 in 1,000 a side) a distribution goes on along its tangent, as a normal one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Self, TypeAlias

import numpy as np

from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.rising_curve import Piece

Backward: TypeAlias = Callable[[FloatArray], FloatArray]

#: Beyond this normal score a distribution goes on along its tangent.
LAST_SCORE = 2.75
#: The scores at which every cell's quantiles are kept.
SCORES = np.linspace(-LAST_SCORE, LAST_SCORE, 9)
SCORES.setflags(write=False)
_WIDTH = float(SCORES[1] - SCORES[0])
#: Gauss-Legendre nodes between two scores, and in each tail, as far as there is weight.
_NODES, _TAIL_NODES, _FARTHEST_SCORE = 3, 8, 8.0


@dataclass(frozen=True, slots=True)
class OwnScores:
    """Cells with quantiles at scores of their own.

    Attributes
    ----------
    cell
        (n,) which cells, rising.
    first
        (n + 1,) where each cell's quantiles begin, and the end of the last.
    score, quantile, slope
        All cells' one after the other; each cell's rise from a score of -2.75 to 2.75.
    """

    cell: IntArray
    first: IntArray
    score: FloatArray
    quantile: FloatArray
    slope: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "cell", frozen_ints(self.cell, shape=(None,)))
        object.__setattr__(self, "first", frozen_ints(self.first, shape=(len(self.cell) + 1,)))
        for name in ("score", "quantile", "slope"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(int(self.first[-1]),)))

    @classmethod
    def none(cls) -> Self:
        """No cell."""
        nothing = np.empty(0)
        return cls(np.empty(0, dtype=np.int64), np.zeros(1, dtype=np.int64), nothing, nothing, nothing)

    @classmethod
    def joined(cls, parts: list[OwnScores], *, offset: IntArray) -> Self:
        """Cells of several parts, whose numbers rise by an offset for each part."""
        begins = np.cumsum([0, *(part.first[-1] for part in parts)])
        return cls(
            np.concatenate([part.cell + by for part, by in zip(parts, offset, strict=True)]),
            np.concatenate([*(part.first[:-1] + at for part, at in zip(parts, begins, strict=False)), begins[-1:]]),
            *(np.concatenate([getattr(part, name) for part in parts]) for name in ("score", "quantile", "slope")),
        )

    def of_cells(self, cells: IntArray) -> OwnScores:
        """Those among some cells, given by their numbers, rising; they are numbered anew."""
        _, new, old = np.intersect1d(cells, self.cell, assume_unique=True, return_indices=True)
        count = np.diff(self.first)[old]
        first = np.concatenate([[0], np.cumsum(count)])
        at = np.repeat(self.first[old] - first[:-1], count) + np.arange(first[-1])
        return OwnScores(new, first, self.score[at], self.quantile[at], self.slope[at])

    def around_score(self, score: FloatArray | float) -> tuple[Piece, FloatArray]:
        """Pieces of the cells' curves that hold the scores, and the scores at which those begin."""
        left = self._left_of(self.score, score)
        return self._piece(left), self.score[left]

    def around_quantile(self, quantile: FloatArray) -> tuple[Piece, FloatArray]:
        """Pieces that hold the quantiles, and the scores at which those begin."""
        left = self._left_of(self.quantile, quantile)
        return self._piece(left), self.score[left]

    def powers_inside(self, backward: Backward, middle: FloatArray) -> FloatArray:
        """(2, n) integrals, between the outermost scores, of the distance from a (n,) middle and of its square."""
        left = np.delete(np.arange(len(self.score)), self.first[1:] - 1)
        rank = np.repeat(np.arange(len(self.cell)), np.diff(self.first) - 1)
        piece, total = self._piece(left), np.zeros((2, len(self.cell)))
        for part, share in zip(*_unit_nodes(_NODES), strict=True):
            weight = share * piece.width * _density(self.score[left] + part * piece.width)
            distance = backward(piece.at(float(part))) - middle[rank]
            for power in (1, 2):
                total[power - 1] += np.bincount(rank, weights=weight * distance**power, minlength=len(self.cell))
        return total

    def _left_of(self, column: FloatArray, value: FloatArray | float) -> IntArray:
        """(n,) last place but one at most, in each cell's part of a column, that is not above its value."""
        values = np.repeat(value, np.diff(self.first)) if isinstance(value, np.ndarray) else value
        reached = np.add.reduceat(column <= values, self.first[:-1], dtype=np.int64)
        return np.asarray(self.first[:-1] + np.clip(reached - 1, 0, np.diff(self.first) - 2))

    def _piece(self, left: IntArray) -> Piece:
        right = left + 1
        start = self.quantile[left]
        return Piece(
            self.score[right] - self.score[left],
            start,
            self.quantile[right] - start,
            self.slope[left],
            self.slope[right],
        )


@dataclass(frozen=True, slots=True)
class Distribution:
    """One distribution a cell.

    Attributes
    ----------
    centre, spread
        (cells,) mean and standard deviation of what the quantiles were taken of.
    quantile, slope
        (9, cells) at `SCORES`, rising and positive; (0, cells) where every cell is normal.
    own
        Cells that are described by quantiles at scores of their own instead.
    """

    centre: FloatArray
    spread: FloatArray
    quantile: FloatArray
    slope: FloatArray
    own: OwnScores = field(default_factory=OwnScores.none)

    def __post_init__(self) -> None:
        object.__setattr__(self, "centre", frozen_floats(self.centre, shape=(None,)))
        object.__setattr__(self, "spread", frozen_floats(self.spread, shape=self.centre.shape))
        rows = 0 if len(self.quantile) == 0 else len(SCORES)
        object.__setattr__(self, "quantile", frozen_floats(self.quantile, shape=(rows, self.cells)))
        object.__setattr__(self, "slope", frozen_floats(self.slope, shape=(rows, self.cells)))

    @classmethod
    def normal(cls, centre: FloatArray, spread: FloatArray) -> Self:
        """Normal distributions of (cells,) means and standard deviations."""
        nothing = np.empty((0, len(centre)))
        return cls(centre, spread, nothing, nothing)

    @classmethod
    def joined(cls, parts: list[Distribution]) -> Self:
        """Cells of several parts, in order; all normal or none."""
        offset = np.cumsum([0, *(part.cells for part in parts[:-1])])
        return cls(
            np.concatenate([part.centre for part in parts]),
            np.concatenate([part.spread for part in parts]),
            np.concatenate([part.quantile for part in parts], axis=1),
            np.concatenate([part.slope for part in parts], axis=1),
            OwnScores.joined([part.own for part in parts], offset=offset),
        )

    @property
    def cells(self) -> int:
        """How many."""
        return len(self.centre)

    def moved(self, *, shift: float, factor: float) -> Distribution:
        """Distributions of ``shift + factor x``, the factor positive."""
        own = replace(self.own, quantile=shift + factor * self.own.quantile, slope=factor * self.own.slope)
        return Distribution(
            shift + factor * self.centre,
            factor * self.spread,
            shift + factor * self.quantile,
            factor * self.slope,
            own,
        )

    def at_score(self, score: float) -> FloatArray:
        """(cells,) quantiles at one normal score."""
        value = self._at_common_score(score)
        if self.own.cell.size > 0 and abs(score) < LAST_SCORE:
            piece, begins = self.own.around_score(score)
            value[self.own.cell] = piece.at((score - begins) / piece.width)
        return value

    def slope_at(self, score: FloatArray) -> FloatArray:
        """(cells,) derivative of the quantiles by the normal score, at (cells,) scores."""
        if len(self.quantile) == 0:
            return self.spread
        inside = np.clip(score, -LAST_SCORE, LAST_SCORE)
        left = np.minimum(((inside + LAST_SCORE) / _WIDTH).astype(np.int64), len(SCORES) - 2)
        slope = np.array(self._pieces(left).slope_at((inside - SCORES[left]) / _WIDTH), dtype=np.float64)
        if self.own.cell.size > 0:
            piece, begins = self.own.around_score(inside[self.own.cell])
            slope[self.own.cell] = piece.slope_at((inside[self.own.cell] - begins) / piece.width)
        return slope

    def score_of(self, value: FloatArray) -> FloatArray:
        """(cells,) normal scores whose quantiles are (cells,) values; infinite beside a cell without spread."""
        return self.score_and_slope_of(value)[0]

    def score_and_slope_of(self, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(cells,) normal scores whose quantiles are (cells,) values, and the slopes of the quantiles there."""
        if len(self.quantile) == 0:
            return _over(value - self.centre, self.spread), self.spread
        inside = np.clip(value, self.quantile[0], self.quantile[-1])
        # as bytes: numpy adds them up many times as fast as truth values
        left = (self.quantile[1:-1] <= inside).view(np.int8).sum(axis=0, dtype=np.int8).astype(np.int64)
        piece = self._pieces(left)
        part = piece.part_at(inside)
        score, slope = SCORES[left] + _WIDTH * part, piece.slope_at(part)
        if self.own.cell.size > 0:
            bent, begins = self.own.around_quantile(inside[self.own.cell])
            part = bent.part_at(inside[self.own.cell])
            score[self.own.cell], slope[self.own.cell] = begins + bent.width * part, bent.slope_at(part)
        beyond = value != inside
        if np.any(beyond):
            last = np.where(value > inside, self._last_slope(above=True), self._last_slope(above=False))
            score = np.where(beyond, np.copysign(LAST_SCORE, value - inside) + _over(value - inside, last), score)
            slope = np.where(beyond, last, slope)
        return np.asarray(score, dtype=np.float64), slope

    def of_cells(self, cells: IntArray) -> Distribution:
        """Distributions of some cells, given by their numbers, rising."""
        return Distribution(
            self.centre[cells],
            self.spread[cells],
            self.quantile[:, cells],
            self.slope[:, cells],
            self.own.of_cells(cells),
        )

    def moments(self, backward: Backward) -> tuple[FloatArray, FloatArray]:
        """(cells,) means and standard deviations on another scale, to which a rising function takes the values."""
        middle = backward(self.at_score(0.0))
        if len(self.quantile) == 0:
            first, second = self._powers(_normal_nodes(), backward, middle)
        else:
            inside = self._powers(_inner_nodes(), backward, middle)
            if self.own.cell.size > 0:
                inside[:, self.own.cell] = self.own.powers_inside(backward, middle[self.own.cell])
            first, second = inside + self._powers(_tail_nodes(), backward, middle)
        # about the median, which lies near the mean: of large squares little would be left
        return middle + first, np.asarray(np.sqrt(np.maximum(second - np.square(first), 0.0)))

    def _powers(self, nodes: tuple[FloatArray, FloatArray], backward: Backward, middle: FloatArray) -> FloatArray:
        """(2, cells) sums, over weighted scores, of the distance from a middle and of its square."""
        total = np.zeros((2, self.cells))
        for score, weight in zip(*nodes, strict=True):
            distance = backward(self._at_common_score(float(score))) - middle
            total[0] += weight * distance
            total[1] += weight * np.square(distance)
        return total

    def _at_common_score(self, score: float) -> FloatArray:
        """(cells,) quantiles, by the scores that all cells share."""
        if len(self.quantile) == 0:
            return np.asarray(self.centre + score * self.spread)
        inside = min(max(score, -LAST_SCORE), LAST_SCORE)
        left = min(int((inside + LAST_SCORE) / _WIDTH), len(SCORES) - 2)
        value = self._piece(left).at((inside - float(SCORES[left])) / _WIDTH)
        return value if inside == score else value + (score - inside) * self._last_slope(above=score > 0)

    def _last_slope(self, *, above: bool) -> FloatArray:
        return np.asarray(self.slope[-1 if above else 0], dtype=np.float64)

    def _piece(self, left: int) -> Piece:
        start, end = self.quantile[left], self.quantile[left + 1]
        return Piece(_WIDTH, start, end - start, self.slope[left], self.slope[left + 1])

    def _pieces(self, left: IntArray) -> Piece:
        """Pieces from the score of each cell's number on."""
        at = left * self.cells + np.arange(self.cells)
        start, end = self.quantile.take(at), self.quantile.take(at + self.cells)
        return Piece(_WIDTH, start, end - start, self.slope.take(at), self.slope.take(at + self.cells))


def _over(distance: FloatArray, slope: FloatArray) -> FloatArray:
    """Distance over slope; without slope infinite, and above where there is no distance."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(slope > 0, distance / slope, np.where(distance >= 0, np.inf, -np.inf))


@cache
def _normal_nodes() -> tuple[FloatArray, FloatArray]:
    """Gauss-Hermite nodes and weights: exact for polynomials of degree 31 in the normal score."""
    node, weight = np.polynomial.hermite_e.hermegauss(16)
    return node, weight / weight.sum()


@cache
def _inner_nodes() -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes between the scores, and weights under the standard normal density."""
    part, share = _unit_nodes(_NODES)
    score = (SCORES[:-1, None] + _WIDTH * part).ravel()
    return score, np.tile(share, len(SCORES) - 1) * _WIDTH * _density(score)


@cache
def _tail_nodes() -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes beyond the last scores, on both sides, and weights."""
    part, share = _unit_nodes(_TAIL_NODES)
    score = LAST_SCORE + (_FARTHEST_SCORE - LAST_SCORE) * part
    weight = share * (_FARTHEST_SCORE - LAST_SCORE) * _density(score)
    return np.concatenate([-score[::-1], score]), np.concatenate([weight[::-1], weight])


@cache
def _unit_nodes(count: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights from 0 to 1."""
    node, weight = np.polynomial.legendre.leggauss(count)
    return np.asarray((node + 1) / 2), np.asarray(weight / 2)


def _density(score: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * np.square(score)) / np.sqrt(2 * np.pi))
