"""Zones a machine can follow: no crumbs, no ragged edges."""

from __future__ import annotations

import heapq
import math

import numpy as np
import numpy.typing as npt

from zonemap.errors import InputError
from zonemap.values.arrays import IntArray
from zonemap.values.grid import Grid
from zonemap.values.season import Spreader
from zonemap.values.zones import Features, Zones
from zonemap.zoning.width import widen


def smooth_labels(zones: Zones, grid: Grid, *, passes: int = 1) -> Zones:
    """Give every cell the zone most common in the 3 by 3 cells around it; a tie leaves it as it is.

    Cells outside the field have no vote. A zone without a majority anywhere vanishes and the rest close up.
    """
    raster = grid.raster(zones.number, outside=0)
    for _ in range(passes):
        raster = _majority(raster, zones.count)
    return Zones.closed_up(raster[grid.inside])


def as_they_are(zones: Zones, grid: Grid, features: Features) -> Zones:  # noqa: ARG001 - what every method is given
    """Leave zones alone."""
    return zones


def merge_small(
    zones: Zones,
    grid: Grid,
    features: Features,
    *,
    minimum_area_ha: float | None = None,
    minimum_share: float = 0.01,
    majority_passes: int = 0,
    across_m: float | None = None,
    along_m: float | None = None,
    spreader: Spreader | None = None,
    smallest_m: tuple[float, float] | None = None,
) -> Zones:
    """Merge connected pieces below the minimum area, smallest first; widen what is left to what the machine can follow.

    Cells of stretches that are too narrow go to the zone most like them that is wide enough near by
    (`zonemap.zoning.width`); what that leaves too small is merged again.

    A piece is a set of cells of one zone that hang together by their sides. Most alike is the neighbouring piece whose
    area-weighted mean of the features is nearest; of equals the larger one. A piece without a neighbour (a small part
    of a multipart field) stays, whatever its area. Zones that vanish leave no gap in the numbers.

    Parameters
    ----------
    minimum_area_ha
        Smallest piece, ha; ``None`` takes `minimum_share`.
    minimum_share
        Smallest piece as a share of the field's area, where no area is given.
    majority_passes
        How often `smooth_labels` goes over the zones first.
    across_m, along_m
        Least width of a zone across the line of travel and along it; ``None`` takes the smallest zone that gets its
        rate over half of either (`zonemap.machine.size`). Without a heading a zone is to be as wide as the swath both
        ways.

    Raises
    ------
    InputError
        When the minimum is negative or not a number.
    """
    key, minimum = ("minimum_share", minimum_share) if minimum_area_ha is None else ("minimum_area_ha", minimum_area_ha)
    if not (math.isfinite(minimum) and minimum >= 0):
        raise InputError(f"workable.{key}", f"{minimum:g} is not a size", "Write 0 or more.")
    least_ha = minimum if minimum_area_ha is not None else minimum * float(grid.cell_area_ha.sum())
    merged = _merged(smooth_labels(zones, grid, passes=majority_passes), grid, features, least_ha)
    machine_along, machine_across = smallest_m or (0.0, 0.0)
    across = machine_across if across_m is None else across_m
    along = machine_along if along_m is None else along_m
    heading = None if spreader is None else spreader.heading_deg
    if heading is None and along_m is None:
        along = across
    wide = widen(merged, grid, features, across_m=across, along_m=along, heading_deg=heading or 0.0)
    return merged if wide is merged else _merged(wide, grid, features, least_ha)


def _merged(zones: Zones, grid: Grid, features: Features, minimum_area_ha: float) -> Zones:
    piece = _pieces(grid.raster(zones.number, outside=0), zones.count)
    pieces = _Pieces(piece, zones, grid, features)
    pieces.merge_below(minimum_area_ha)
    return Zones.closed_up(pieces.zone_of_piece()[piece[grid.inside] - 1])


def _majority(raster: IntArray, count: int) -> IntArray:
    """One pass of the 3 by 3 majority filter over a raster of zone numbers, 0 outside."""
    most, winner = _votes(raster, 1), np.ones_like(raster)
    own = np.where(raster == 1, most, 0)
    for zone in range(2, count + 1):
        votes = _votes(raster, zone)
        own = np.where(raster == zone, votes, own)
        winner = np.where(votes > most, zone, winner)
        most = np.maximum(votes, most)
    return np.where((raster > 0) & (most > own), winner, raster)


def _votes(raster: IntArray, zone: int) -> npt.NDArray[np.int8]:
    """How many of the nine cells around and including each are of the zone."""
    padded = np.pad(raster == zone, 1).astype(np.int8)
    across = padded[:, :-2] + padded[:, 1:-1] + padded[:, 2:]
    return np.asarray(across[:-2] + across[1:-1] + across[2:])


def _pieces(raster: IntArray, count: int) -> IntArray:
    """Raster of piece numbers 1 ..., 0 outside: cells of one zone that hang together by their sides."""
    from scipy.ndimage import label

    piece = np.zeros_like(raster)
    last = 0
    for zone in range(1, count + 1):
        found, number = label(raster == zone)
        piece = np.where(found > 0, found + last, piece)
        last += number
    return piece


def neighbours(piece: IntArray) -> list[set[int]]:
    """For every piece (from 0) the pieces that share a cell side with it."""
    sides = [(piece[:, :-1], piece[:, 1:]), (piece[:-1], piece[1:])]
    one, other = (np.concatenate([side[k].ravel() for side in sides]) for k in (0, 1))
    apart = (one != other) & (one > 0) & (other > 0)
    low, high = np.minimum(one, other)[apart] - 1, np.maximum(one, other)[apart] - 1
    many = int(piece.max())
    pairs = np.unique(low * many + high)
    beside: list[set[int]] = [set() for _ in range(many)]
    for a, b in zip((pairs // many).tolist(), (pairs % many).tolist(), strict=True):
        beside[a].add(b)
        beside[b].add(a)
    return beside


class _Pieces:
    """Pieces that grow into one another: a union-find forest with area, feature sums and neighbours at each root."""

    def __init__(self, piece: IntArray, zones: Zones, grid: Grid, features: Features) -> None:
        of_cell = piece[grid.inside] - 1
        area = grid.cell_area_ha
        self.neighbours = neighbours(piece)
        self.root = list(range(len(self.neighbours)))
        self.area: list[float] = np.bincount(of_cell, weights=area).tolist()
        sums = [np.bincount(of_cell, weights=column * area) for column in features.value.T]
        self.feature_sum: list[tuple[float, ...]] = list(zip(*(s.tolist() for s in sums), strict=True)) or [()] * len(
            self.root
        )
        zone = np.zeros(len(self.root), dtype=np.int64)
        zone[of_cell] = zones.number
        self.zone: list[int] = zone.tolist()

    def merge_below(self, minimum_area_ha: float) -> None:
        """Merge pieces smaller than the minimum, the smallest of the time first."""
        queue = [(area, piece) for piece, area in enumerate(self.area) if area < minimum_area_ha]
        heapq.heapify(queue)
        while queue:
            area, piece = heapq.heappop(queue)
            stale = self.root[piece] != piece or area != self.area[piece]
            if stale or not self.neighbours[piece]:
                continue
            grown = self._join_zone(piece, self._most_alike(piece))
            if self.area[grown] < minimum_area_ha:
                heapq.heappush(queue, (self.area[grown], grown))

    def zone_of_piece(self) -> IntArray:
        """Zone number of every piece there was at the start."""
        return np.array([self.zone[self._find(piece)] for piece in range(len(self.root))], dtype=np.int64)

    def _most_alike(self, piece: int) -> int:
        return min(self.neighbours[piece], key=lambda other: (self._distance(piece, other), -self.area[other], other))

    def _distance(self, piece: int, other: int) -> float:
        """Squared distance between the feature means of two pieces."""
        return sum(
            (a / self.area[piece] - b / self.area[other]) ** 2
            for a, b in zip(self.feature_sum[piece], self.feature_sum[other], strict=True)
        )

    def _join_zone(self, piece: int, other: int) -> int:
        """Give a piece the zone of another; all its neighbours of that zone become one piece with it."""
        self.zone[piece] = self.zone[other]
        alike = [neighbour for neighbour in self.neighbours[piece] if self.zone[neighbour] == self.zone[other]]
        grown = piece
        for neighbour in sorted(alike):
            grown = self._unite(grown, neighbour)
        return grown

    def _unite(self, one: int, other: int) -> int:
        """Make two neighbouring pieces one; the root is the one with more neighbours."""
        if len(self.neighbours[one]) < len(self.neighbours[other]):
            one, other = other, one
        self.root[other] = one
        self.area[one] += self.area[other]
        self.feature_sum[one] = tuple(
            a + b for a, b in zip(self.feature_sum[one], self.feature_sum[other], strict=True)
        )
        for neighbour in self.neighbours[other]:
            self.neighbours[neighbour].discard(other)
            if neighbour != one:
                self.neighbours[neighbour].add(one)
                self.neighbours[one].add(neighbour)
        self.neighbours[one].discard(other)
        self.neighbours[other] = set()
        return one

    def _find(self, piece: int) -> int:
        while self.root[piece] != piece:
            self.root[piece] = piece = self.root[self.root[piece]]
        return piece
