"""What sampled sites say of targets, once their covariance has been factored: one by one, or a tile of them at a time.

With v = L^-1 c as in `zonemap.geostat.system`, every number is a sum of products of the covariances c of a target with
the sites. Over a tile c falls into s, of the sites that are smooth there, and r, of the few near it, each 0 where the
other is not; with A the inverse of the sites' covariance

    v'v = s'A s + r'(2 A s + A r),   v'w = s'L^-T w + r'L^-T w,   u'v alike

where all that holds s is smooth: it is computed at the nodes of the tile and interpolated, and r is computed for every
cell. The parts may cancel; tiles where that could cost digits are done cell by cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from types import ModuleType
from typing import TypeAlias

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, distances
from zonemap.geostat.lattice import NODES, SIDES, Tile, find_lattice, unfinished
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.variogram import Family

#: Rows of a triangular factor that are multiplied together (seen: a fifth faster than 64).
_BAND_ROWS = 32

#: What is interpolated may be off by so much of the sill (of the deviations' size, of 1).
_TOLERANCE = 1e-10

#: Parts that are this many sills, and cancel, leave a relative error of 1e-12.
_GREATEST_PART = 1e4

# Costs, relative to one correlation at one distance between a site and a lattice, as measured: with a target that is
# not on a lattice; a multiplication and addition in a product with the whole factor, and in one of the small arrays of
# a tile; what a tile costs for being one.
_SCATTERED, _IN_LARGE_PRODUCT, _IN_SMALL_PRODUCT, _TILE = 2.0, 1 / 150, 1 / 50, 60_000.0

#: Tiles by which their cost is judged.
_TILES_LOOKED_AT = 16

#: Predictions (members, m), and the (m,) part of the variance that sites explain.
Answer: TypeAlias = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True)
class Group:
    """Systems that share model and factor, and with them all that no value takes part in.

    Attributes
    ----------
    members
        Their positions among all systems.
    whitener
        (n, n) inverse Cholesky factor times the partial sill, so that it is to be applied to correlations.
    along
        (members + 1, n) whitened residuals, and the whitened one.
    mean
        (members,) generalised least squares means.
    units
        (members + 1,) size that products of `along` with whitened covariances have.
    """

    members: tuple[int, ...]
    family: Family
    range_m: float
    partial_sill: float
    whitener: FloatArray
    along: FloatArray
    mean: FloatArray
    units: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        deviations = np.sqrt(np.square(self.along).mean(axis=1) * self.partial_sill)
        deviations[-1] = 1.0 if self.partial_sill > 0 else 0.0
        object.__setattr__(self, "units", deviations)


def krige_each(
    groups: Sequence[Group],
    sites: FloatArray,
    targets: FloatArray,
    offsets: FloatArray,
    loops: ModuleType | None = None,
) -> list[Answer]:
    """Answer for (m, 2) targets, one by one; with the compiled loops where they are given."""
    correlations: Iterable[FloatArray]
    if loops is None:
        correlations = _mean_correlations(groups, (distances(sites, targets + offset) for offset in offsets))
    else:
        correlations = _compiled_correlations(groups, sites, np.ascontiguousarray(targets.T), offsets, loops)
    answers = []
    for group, correlation in zip(groups, correlations, strict=True):
        whitened = _times_lower(group.whitener, correlation)
        answers.append(_answer(group, group.along @ whitened, np.einsum("ij,ij->j", whitened, whitened)))
    return answers


def krige_tile(
    groups: Sequence[Group], sites: FloatArray, tile: Tile, offsets: FloatArray, loops: ModuleType | None = None
) -> list[Answer] | None:
    """Answer for the targets of a tile, row by row; ``None`` where interpolation could not be shown to be good."""
    near = _near(groups, sites, tile, offsets)
    at_nodes = _lattice_correlations(groups, sites, tile.nodes(), offsets, loops)
    at_cells = _lattice_correlations(groups, sites[near], tile.cells(), offsets, loops)
    inside = tile.number.ravel() >= 0
    answers = []
    for group, smooth, rough in zip(groups, at_nodes, at_cells, strict=True):
        smooth[near] = 0.0
        sums = _sums_over_tile(group, near, smooth, rough, tile)
        if sums is None:
            return None
        if not inside.all():
            sums = sums[:, inside]
        answers.append(_answer(group, sums[:-1], sums[-1]))
    return answers


def _sums_over_tile(
    group: Group, near: IntArray, smooth: FloatArray, rough: FloatArray, tile: Tile
) -> FloatArray | None:
    """(members + 2, cells) products of `along` with v, and v'v; ``None`` as above."""
    rows = len(group.along)
    whitened = _times_lower(group.whitener, smooth)
    of_near = np.ascontiguousarray(group.whitener[:, near])
    at_nodes = np.empty((rows + 1 + len(near), NODES**2))
    np.matmul(group.along, whitened, out=at_nodes[:rows])
    np.einsum("ij,ij->j", whitened, whitened, out=at_nodes[rows])
    np.matmul(2.0 * of_near.T, whitened, out=at_nodes[rows + 1 :])
    unit = np.full(len(at_nodes), group.partial_sill)
    unit[:rows] = group.units
    if np.any(unfinished(at_nodes) > _TOLERANCE * unit) or np.any(np.abs(at_nodes).max(axis=1) > _GREATEST_PART * unit):
        return None
    sums = tile.from_nodes(at_nodes)
    of_cells, both = sums[: rows + 1], sums[rows + 1 :]
    both += (of_near.T @ of_near) @ rough
    of_cells[:rows] += (group.along @ of_near) @ rough
    of_cells[rows] += np.einsum("ij,ij->j", both, rough)
    return of_cells


def worthwhile_tiles(
    groups: Sequence[Group], sites: FloatArray, targets: FloatArray, offsets: FloatArray, *, at_any_cost: bool = False
) -> list[Tile]:
    """Tiles that hold all (m, 2) targets; none where the targets are no lattice, or kriging them singly costs less."""
    lattice = find_lattice(targets)
    if lattice is None:
        return []
    tilings = [list(lattice.tiles(side)) for side in SIDES]
    costs = [_cost_a_place(groups, sites, tiles, offsets) for tiles in tilings]
    best = int(np.argmin(costs))
    singly = _SCATTERED * len(sites) * len(offsets) + _IN_LARGE_PRODUCT * len(sites) ** 2 / 2
    worthwhile = costs[best] * lattice.number.size < singly * len(targets)
    return tilings[best] if at_any_cost or worthwhile else []


def _cost_a_place(groups: Sequence[Group], sites: FloatArray, tiles: list[Tile], offsets: FloatArray) -> float:
    """Cost of one place of the lattice, judged by a few of the tiles."""
    looked_at = tiles[:: max(len(tiles) // _TILES_LOOKED_AT, 1)]
    points, places = len(offsets), sum(tile.number.size for tile in looked_at)
    at_node = len(sites) * points + _IN_LARGE_PRODUCT * len(sites) ** 2 / 2
    total = len(looked_at) * (NODES**2 * at_node + _TILE)
    for tile in looked_at:
        near = len(_near(groups, sites, tile, offsets))
        total += tile.number.size * (near * points + _IN_SMALL_PRODUCT * (near**2 + (3 + near) * 2 * NODES))
    return total / places


def _near(groups: Sequence[Group], sites: FloatArray, tile: Tile, offsets: FloatArray) -> IntArray:
    """Positions of the sites that are not smooth over a tile for one of the groups."""
    margin_m = float(np.hypot(*offsets.T).max())
    ends_m = {_end_m(group) for group in groups}
    rough = [tile.not_smooth(sites, margin_m=margin_m, end_m=end_m) for end_m in ends_m]
    return np.flatnonzero(np.any(rough, axis=0))


def _end_m(group: Group) -> float:
    """Distance at which a correlation function is not smooth."""
    return group.range_m if group.family == "spherical" else np.inf


def _lattice_correlations(
    groups: Sequence[Group],
    sites: FloatArray,
    axes: tuple[FloatArray, FloatArray],
    offsets: FloatArray,
    loops: ModuleType | None,
) -> Iterable[FloatArray]:
    """(n, rows * columns) correlation for each group of sites with the places where two axes cross."""
    if loops is None:
        return _mean_correlations(groups, _lags(sites, axes, offsets))
    places = np.stack(np.meshgrid(*axes)).reshape(2, -1)
    return _compiled_correlations(groups, sites, places, offsets, loops)


def _compiled_correlations(
    groups: Sequence[Group], sites: FloatArray, places: FloatArray, offsets: FloatArray, loops: ModuleType
) -> list[FloatArray]:
    """(n, m) mean correlation over a block's points for each group, of sites with (2, m) places."""
    kinds = np.array([loops.KINDS[group.family] for group in groups])
    ranges_m = np.array([group.range_m for group in groups])
    mean = np.empty((len(groups), len(sites), places.shape[1]))
    loops.block_correlations(np.ascontiguousarray(sites), places, np.ascontiguousarray(offsets), kinds, ranges_m, mean)
    return list(mean)


def _lags(sites: FloatArray, axes: tuple[FloatArray, FloatArray], offsets: FloatArray) -> Iterator[FloatArray]:
    """For each point of a block (n, rows * columns) distances of sites from the places where two axes cross."""
    east_m, north_m = axes
    for east_offset_m, north_offset_m in offsets:
        along = np.square(np.subtract.outer(sites[:, 0], east_m + east_offset_m))
        up = np.square(np.subtract.outer(sites[:, 1], north_m + north_offset_m))
        lag_m = up[:, :, None] + along[:, None, :]
        np.sqrt(lag_m, out=lag_m)
        yield lag_m.reshape(len(sites), len(east_m) * len(north_m))


def _mean_correlations(groups: Sequence[Group], lags: Iterable[FloatArray]) -> Iterator[FloatArray]:
    """(n, m) mean correlation over a block's points for each group; distances are shared by all of them.

    At one point they are made when they are asked for: arrays for one group at a time stay in the cache.
    """
    several = iter(lags)
    first_m, second_m = next(several), next(several, None)
    if second_m is None:
        return _correlations(groups, first_m)
    sums = list(_correlations(groups, first_m))
    points = 1
    for lag_m in chain([second_m], several):
        points += 1
        for total, part in zip(sums, _correlations(groups, lag_m), strict=True):
            total += part
    for total in sums:
        total /= points
    return iter(sums)


def _correlations(groups: Sequence[Group], lag_m: FloatArray) -> Iterator[FloatArray]:
    """(n, m) correlation at these distances for each group, made when it is asked for."""
    ratio = np.empty_like(lag_m)
    for group in groups:
        yield CORRELATIONS[group.family](np.divide(lag_m, group.range_m, out=ratio))


def _times_lower(lower: FloatArray, right: FloatArray) -> FloatArray:
    """(n, m) product of a lower triangular (n, n) matrix, by bands of rows: what is right of a band is 0."""
    product = np.empty_like(right)
    for start in range(0, len(lower), _BAND_ROWS):
        stop = min(start + _BAND_ROWS, len(lower))
        np.matmul(lower[start:stop, :stop], right[:stop], out=product[start:stop])
    return product


def _answer(group: Group, along: FloatArray, explained: FloatArray) -> Answer:
    """Predictions and explained variance from the products of `Group.along` with v, and v'v."""
    one = group.along[-1]
    return along[:-1] + group.mean[:, None], explained - np.square(1.0 - along[-1]) / float(one @ one)
