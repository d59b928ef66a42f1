"""Targets on a lattice, cut into tiles over which what far sites say is a polynomial.

The correlation of a site with a point is an analytic function of the point away from the site itself (and, for the
spherical family, from the circle on which it ends). Over a tile whose half side is h, seen from a site that is `REACH`
h away or more, its Chebyshev series falls by a factor of 6 a term (Bernstein's ellipse; Trefethen 2013, Approximation
Theory and Approximation Practice, theorems 8.2 and 17.1, numbers from memory), and so do those of sums and products
of such functions. `NODES` terms a side leave about 1e-12. Whether a tile's series has in fact come to its end is
looked at, not assumed: `unfinished`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np

from zonemap.values.arrays import BoolArray, FloatArray, IntArray

#: Chebyshev nodes along a side of a tile.
NODES = 14

#: Sites nearer to a tile than so many of its half sides are not smooth over it.
REACH = 3.0

#: Cells along a side of a tile: with fewer the nodes are most of the work, with more the arrays leave the cache.
SIDES = (32, 48, 64, 80)

#: Coordinates this near to a lattice are on it: a few last digits of a northing.
_ON_LATTICE_M = 1e-8

#: Steps under this are rounding.
_LEAST_STEP_M = 1e-6

#: Targets looked at together when their lattice is sought.
_STRETCH = 16_384

#: A lattice may have so many places for every target.
_PLACES_A_TARGET = 4


@dataclass(frozen=True, slots=True)
class Axis:
    """Equally spaced coordinates: `start_m + step_m * k` for k under `count`."""

    start_m: float
    step_m: float
    count: int

    @property
    def half_m(self) -> float:
        """Half its length."""
        return 0.5 * self.step_m * (self.count - 1)

    @property
    def middle_m(self) -> float:
        """Coordinate of its middle."""
        return self.start_m + self.half_m

    def places(self) -> FloatArray:
        """(count,) coordinates, m."""
        return np.asarray(self.start_m + self.step_m * np.arange(self.count), dtype=float)

    def nodes(self) -> FloatArray:
        """(NODES,) coordinates of the Chebyshev nodes, m."""
        return np.asarray(self.middle_m + self.half_m * _chebyshev_nodes(), dtype=float)

    def numbers(self, coordinate: FloatArray) -> IntArray | None:
        """(m,) which places have these coordinates; ``None`` where one is on no place."""
        beyond = coordinate - self.start_m
        number = np.rint(beyond / self.step_m)
        return number.astype(np.int64) if np.abs(beyond - number * self.step_m).max() <= _ON_LATTICE_M else None

    def part(self, places: slice) -> Axis:
        """Return the places from start to stop."""
        return Axis(self.start_m + self.step_m * places.start, self.step_m, places.stop - places.start)


@dataclass(frozen=True, slots=True)
class Tile:
    """Part of a lattice.

    Attributes
    ----------
    easting, northing
        Coordinates of its columns and rows.
    number
        (rows, columns) which target stands there, -1 for none.
    """

    easting: Axis
    northing: Axis
    number: IntArray

    def cells(self) -> tuple[FloatArray, FloatArray]:
        """Eastings of the columns and northings of the rows, m."""
        return self.easting.places(), self.northing.places()

    def nodes(self) -> tuple[FloatArray, FloatArray]:
        """Eastings and northings of the Chebyshev nodes, m."""
        return self.easting.nodes(), self.northing.nodes()

    def not_smooth(self, sites: FloatArray, *, margin_m: float, end_m: float) -> BoolArray:
        """(n,) which of the (n, 2) sites are too near, or have the circle of radius `end_m` run through the tile.

        Parameters
        ----------
        margin_m
            How far the points of a block lie from its middle.
        """
        nearest, farthest = [], []
        for axis, of_sites in zip((self.easting, self.northing), sites.T, strict=True):
            away, half = np.abs(of_sites - axis.middle_m), axis.half_m + margin_m
            nearest.append(np.maximum(away - half, 0.0))
            farthest.append(away + half)
        gap = np.hypot(*nearest)
        ends_here = (gap < end_m) & (np.hypot(*farthest) > end_m)
        return np.asarray((gap < REACH * max(self.easting.half_m, self.northing.half_m)) | ends_here)

    def from_nodes(self, at_nodes: FloatArray) -> FloatArray:
        """(functions, rows * columns) interpolated from (functions, NODES * NODES), easting running fastest."""
        along = at_nodes.reshape(-1, NODES) @ _to_cells(self.easting.count).T
        functions = len(at_nodes)
        cells = np.matmul(_to_cells(self.northing.count), along.reshape(functions, NODES, -1))
        return np.asarray(cells.reshape(functions, -1))


def unfinished(at_nodes: FloatArray) -> FloatArray:
    """(functions,) greatest of the last coefficients of the series along either side."""
    last = _to_coefficients()[-1]
    square = at_nodes.reshape(-1, NODES, NODES)
    along = np.abs(square @ last).max(axis=1), np.abs(last @ square).max(axis=1)
    return np.asarray(np.maximum(*along))


@dataclass(frozen=True, slots=True)
class Lattice:
    """Rows and columns on which targets stand, not necessarily everywhere.

    Attributes
    ----------
    easting, northing
        Coordinates of its columns and rows.
    number
        (rows, columns) which target stands there, -1 for none.
    """

    easting: Axis
    northing: Axis
    number: IntArray

    def tiles(self, side: int) -> Iterator[Tile]:
        """Tiles of about so many cells a side that hold all targets."""
        full = bool(self.number.min() >= 0)
        for rows in _parts(self.northing.count, side):
            for columns in _parts(self.easting.count, side):
                part = self.number[rows, columns]
                if full or part.max() >= 0:
                    yield Tile(self.easting.part(columns), self.northing.part(rows), part)


def find_lattice(targets: FloatArray) -> Lattice | None:
    """Return the lattice of (m, 2) targets; ``None`` where they are none, or lie too thinly on it."""
    if len(targets) == 0:
        return None
    easting, northing = _axis(targets[:, 0]), _axis(targets[:, 1])
    if easting is None or northing is None or easting.count * northing.count > _PLACES_A_TARGET * len(targets):
        return None
    number = np.full(northing.count * easting.count, -1, dtype=np.int64)
    for here in _stretches(len(targets)):
        column, row = easting.numbers(targets[here, 0]), northing.numbers(targets[here, 1])
        if column is None or row is None:
            return None
        number[row * easting.count + column] = np.arange(here.start, here.stop)
    twice = np.count_nonzero(number >= 0) < len(targets)
    return None if twice else Lattice(easting, northing, number.reshape(northing.count, easting.count))


def _axis(coordinate: FloatArray) -> Axis | None:
    """Return the axis on which all (m,) coordinates lie if they lie on one at all."""
    start, extent = float(coordinate.min()), float(coordinate.max() - coordinate.min())
    if not np.isfinite(extent):
        return None
    least_m = min(_least_step_m(coordinate[here.start : here.stop + 1]) for here in _stretches(len(coordinate)))
    if np.isinf(least_m):
        return Axis(start, 1.0, 1)
    intervals = round(extent / least_m)
    if intervals >= _PLACES_A_TARGET * len(coordinate):
        return None
    # the whole extent fixes the step better than one difference
    return Axis(start, extent / intervals, intervals + 1)


def _least_step_m(coordinate: FloatArray) -> float:
    """Least difference of neighbours that is none of rounding; infinite where there is none."""
    apart = np.abs(np.diff(coordinate))
    return float(apart.min(where=apart > _LEAST_STEP_M, initial=np.inf))


def _stretches(count: int) -> Iterator[slice]:
    """Stretches of so many targets that stay in the cache."""
    return (slice(start, min(start + _STRETCH, count)) for start in range(0, count, _STRETCH))


def _parts(count: int, side: int) -> Iterator[slice]:
    """Nearly equal parts of so many places, none longer than the side."""
    borders = np.linspace(0, count, -(-count // side) + 1).astype(int).tolist()
    return (slice(start, stop) for start, stop in pairwise(borders))


@cache
def _chebyshev_nodes() -> FloatArray:
    """Zeros of the Chebyshev polynomial of degree `NODES`, which are never at an end."""
    return np.asarray(np.cos((np.arange(NODES) + 0.5) * np.pi / NODES))


@cache
def _to_coefficients() -> FloatArray:
    """(coefficients, nodes) discrete cosine transform from values at the nodes to the series."""
    matrix = np.cos(np.outer(np.arange(NODES), np.arccos(_chebyshev_nodes()))) * (2.0 / NODES)
    matrix[0] /= 2.0
    return np.asarray(matrix)


@cache
def _to_cells(count: int) -> FloatArray:
    """(count, nodes) values at equally spaced places from end to end, from those at the nodes."""
    place = np.linspace(-1.0, 1.0, count) if count > 1 else np.zeros(1)
    return np.asarray(np.cos(np.outer(np.arccos(place), np.arange(NODES))) @ _to_coefficients())
