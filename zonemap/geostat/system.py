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

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, distances, factor, site_covariance, within_block_correlation
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.variogram import Variogram

#: Elements of the (sites, targets) arrays worked on at a time: under 2 MB each, so that they stay in the cache (seen:
#: 7 to 10 % faster than half of it).
_CHUNK_ELEMENTS = 200_000

#: Rows of a triangular factor that are multiplied together.
_BAND_ROWS = 64

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
    scaled = [systems[members[0]].variogram.partial_sill * systems[members[0]].whitener for members in groups]

    def fill(part: slice) -> None:
        correlations = _block_correlations([systems[members[0]] for members in groups], sites, targets[part], offsets)
        for members, whitener, correlation in zip(groups, scaled, correlations, strict=True):
            centre, explained = _predict([systems[k] for k in members], _times_lower(whitener, correlation))
            mean[members, part] = centre
            variance[members, part] = np.maximum(np.array([own[k] for k in members])[:, None] - explained, 0.0)

    with one_linear_algebra_thread():
        in_threads(fill, _chunks(len(sites), len(targets)))
    return mean, variance


def _same_factor(systems: tuple[KrigingSystem, ...]) -> list[list[int]]:
    """Positions of the systems, grouped by the same model and factor: they share all that no value takes part in."""
    groups: list[list[int]] = []
    for k, system in enumerate(systems):
        for members in groups:
            first = systems[members[0]]
            if first.variogram == system.variogram and np.array_equal(first.whitener, system.whitener):
                members.append(k)
                break
        else:
            groups.append([k])
    return groups


def _within(variogram: Variogram, offsets: FloatArray) -> float:
    return within_block_correlation(variogram.family, variogram.range_m, offsets)


def _chunks(sites: int, targets: int) -> Iterator[slice]:
    step = max(_CHUNK_ELEMENTS // sites, 1)
    return (slice(start, start + step) for start in range(0, targets, step))


def _block_correlations(
    systems: list[KrigingSystem], sites: FloatArray, targets: FloatArray, offsets: FloatArray
) -> list[FloatArray]:
    """(n, m) mean correlation of sites with blocks for each system; distances are computed once for all of them."""
    sums: list[FloatArray] = []
    for offset in offsets:
        lag_m = distances(sites, targets + offset)
        parts = [CORRELATIONS[system.variogram.family](lag_m / system.variogram.range_m) for system in systems]
        if sums:
            for total, part in zip(sums, parts, strict=True):
                total += part
        else:
            sums = parts
    if len(offsets) > 1:
        for total in sums:
            total /= len(offsets)
    return sums


def _times_lower(lower: FloatArray, right: FloatArray) -> FloatArray:
    """(n, m) product of a lower triangular (n, n) matrix, by bands of rows: what is right of a band is 0."""
    product = np.empty_like(right)
    for start in range(0, len(lower), _BAND_ROWS):
        stop = min(start + _BAND_ROWS, len(lower))
        np.matmul(lower[start:stop, :stop], right[:stop], out=product[start:stop])
    return product


def _predict(systems: list[KrigingSystem], whitened: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Predictions (systems, m), and the (m,) part of the variance that sites explain, of systems with one factor."""
    one = systems[0].whitened_one
    *along_residual, along_one = np.stack([*(system.whitened_residual for system in systems), one]) @ whitened
    mean = np.stack(along_residual) + np.array([[system.mean] for system in systems])
    explained = np.einsum("ij,ij->j", whitened, whitened)
    explained -= np.square(1.0 - along_one) / float(one @ one)
    return mean, explained
