"""Ordinary kriging to points and to the blocks a spreader can resolve, with a known covariance.

With L the Cholesky factor of the sites' covariance, everything is a product with its inverse: for a target whose
covariances with the sites are c, with v = L^-1 c, u = L^-1 1 and w = L^-1 (z - m),

    m = u'L^-1 z / u'u,   prediction = m + v'w,   variance = C(B, B) - v'v + (1 - u'v)^2 / u'u

(Cressie 1993, Statistics for Spatial Data, revised ed., section 3.2, rearranged; from memory). For a block B, c is the
mean of the covariances with its points and C(B, B) the mean over all their pairs (Journel & Huijbregts 1978, Mining
Geostatistics, chapter V; from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from zonemap.geostat.covariance import factor, site_covariance, within_block_correlation
from zonemap.geostat.fast import loops_for_correlations
from zonemap.geostat.lattice import NODES, Tile
from zonemap.geostat.predict import Answer, Group, krige_each, krige_tile, worthwhile_tiles
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.variogram import Variogram

#: Elements of the (sites, targets) arrays worked on at a time: under 2 MB each, so that they stay in the cache (seen:
#: 7 to 10 % faster than half of it).
_CHUNK_ELEMENTS = 200_000

#: With fewer targets nothing is gained by tiles of them.
_LEAST_TARGETS = 2_000

Route: TypeAlias = Literal["auto", "each", "tiles"]

#: The middle of a target: point support.
POINT = np.zeros((1, 2))


@dataclass(frozen=True, slots=True)
class KrigingSystem:
    """One quantity's sites, factored once and used for every target.

    Attributes
    ----------
    variogram
        Its model.
    whitener
        (n, n) inverse Cholesky factor of the sites' covariance.
    whitened_one, whitened_residual
        (n,) u and w above.
    mean
        m, the generalised least squares mean.
    """

    variogram: Variogram
    whitener: FloatArray
    whitened_one: FloatArray
    whitened_residual: FloatArray
    mean: float


def kriging_system(
    sites: FloatArray, value: FloatArray, variogram: Variogram, *, replicates: IntArray | None = None
) -> KrigingSystem:
    """Factor the covariance of (n,) values at (n, 2) distinct sites.

    Parameters
    ----------
    replicates
        (n,) how many rows a value averages: its measurement variance is divided by that.
    """
    lower = factor(site_covariance(sites, variogram, replicates=replicates))
    whitener = np.asarray(np.linalg.inv(lower), dtype=float)
    ones = whitener.sum(axis=1)
    centre = float(value.mean())
    whitened = whitener @ (value - centre)
    above_centre = float(ones @ whitened) / float(ones @ ones)
    return KrigingSystem(variogram, whitener, ones, whitened - ones * above_centre, centre + above_centre)


def krige(
    systems: tuple[KrigingSystem, ...],
    sites: FloatArray,
    targets: FloatArray,
    *,
    offsets: FloatArray = POINT,
    target_nugget: tuple[float, ...] | None = None,
    route: Route = "auto",
) -> tuple[FloatArray, FloatArray]:
    """Predictions and kriging variances at (m, 2) targets, both (systems, m), by systems that share (n, 2) sites.

    Parameters
    ----------
    offsets
        (b, 2) points of a block about its target; one at the middle is point support.
    target_nugget
        For each system, the variance of the target's own short-range variation, which no sample shares. 0 (``None``)
        for the mean of a block, over which variation without a stated length averages out; the whole nugget less its
        measurement part for the true value at a point; the nugget over the number of block points for the convention
        that gives every one of them a nugget of its own.
    route
        ``"each"`` target on its own, or ``"tiles"`` of targets that form a lattice, where what far sites say is
        interpolated to 1e-10 of the sill or better; the same numbers, and with thousands of cells for every site many
        times faster. ``"auto"`` takes what costs less.

    Notes
    -----
    The target is what is in the field: measurement error is in the sites' covariance and never in the target's.
    Variances are never negative.
    """
    nugget = target_nugget or (0.0,) * len(systems)
    own = [
        s.variogram.partial_sill * _within(s.variogram, offsets) + extra
        for s, extra in zip(systems, nugget, strict=True)
    ]
    mean, variance = np.empty((len(systems), len(targets))), np.empty((len(systems), len(targets)))
    groups = _same_factor(systems)

    def put(here: slice | IntArray, answers: list[Answer]) -> None:
        for group, (centre, explained) in zip(groups, answers, strict=True):
            for k, member in enumerate(group.members):
                mean[member, here] = centre[k]
                variance[member, here] = np.maximum(own[member] - explained, 0.0)

    def each(here: slice | IntArray) -> None:
        put(here, krige_each(groups, sites, targets[here], offsets, loops))

    def tile(part: Tile) -> None:
        number = part.number[part.number >= 0]
        answers = krige_tile(groups, sites, part, offsets, loops) if len(number) > NODES**2 else None
        if answers is not None:
            put(number, answers)
            return
        for here in _chunks(len(sites), len(number)):
            each(number[here])

    tiles = _tiles(groups, sites, targets, offsets, route)
    # about as many correlations of the near sites with cells as of all with the nodes: the side of a tile sees to that
    places = 2 * NODES**2 * len(tiles) if tiles else len(targets)
    # the plain loops share distances between models too: seven that differ gain nothing (measured: 0 to 20 % slower)
    loops = loops_for_correlations(places * len(sites) * len(offsets) // len(groups) ** 2)
    with one_linear_algebra_thread():
        if tiles:
            in_threads(tile, tiles)
        else:
            in_threads(each, _chunks(len(sites), len(targets)))
    return mean, variance


def _same_factor(systems: tuple[KrigingSystem, ...]) -> list[Group]:
    """The systems, grouped by the same model and factor."""
    groups: list[list[int]] = []
    for k, system in enumerate(systems):
        for members in groups:
            first = systems[members[0]]
            if first.variogram == system.variogram and np.array_equal(first.whitener, system.whitener):
                members.append(k)
                break
        else:
            groups.append([k])
    return [_group(members, [systems[k] for k in members]) for members in groups]


def _group(positions: list[int], systems: list[KrigingSystem]) -> Group:
    first = systems[0]
    return Group(
        members=tuple(positions),
        family=first.variogram.family,
        range_m=first.variogram.range_m,
        partial_sill=first.variogram.partial_sill,
        whitener=first.variogram.partial_sill * first.whitener,
        along=np.stack([*(system.whitened_residual for system in systems), first.whitened_one]),
        mean=np.array([system.mean for system in systems]),
    )


def _tiles(
    groups: list[Group], sites: FloatArray, targets: FloatArray, offsets: FloatArray, route: Route
) -> list[Tile]:
    """Tiles that hold all targets; none where each target is to be kriged on its own."""
    if route == "each" or (route == "auto" and len(targets) < _LEAST_TARGETS):
        return []
    return worthwhile_tiles(groups, sites, targets, offsets, at_any_cost=route == "tiles")


def _within(variogram: Variogram, offsets: FloatArray) -> float:
    return within_block_correlation(variogram.family, variogram.range_m, offsets)


def _chunks(sites: int, targets: int) -> Iterator[slice]:
    step = max(_CHUNK_ELEMENTS // sites, 1)
    return (slice(start, start + step) for start in range(0, targets, step))
