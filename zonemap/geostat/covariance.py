"""Covariance: correlation functions of distance over range, and their means over a square block.

Every family is a function of ``distance / range`` and is 1 at 0. The parameter is the one of the published formula, not
a "practical range": spherical reaches 0 at 1; exponential is ``exp(-r)``; the Matern family is ``r^k K_k(r)`` scaled to
1 at 0, without a square root of 2k in its argument. `PRACTICAL_RANGE` says at which ratio the correlation is down to
0.05.

References
----------
Chiles, J.-P. & Delfiner, P. (2012), Geostatistics: Modeling Spatial Uncertainty, 2nd ed., section 2.5.1 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.variogram import Family, Variogram

#: Points nearer than this are one place (the accuracy of no field receiver is better), m.
SAME_PLACE_M = 0.01


def spherical(ratio: FloatArray) -> FloatArray:
    """``1 - 1.5 r + 0.5 r^3`` up to r = 1, then 0.

    >>> spherical(np.array([0.0, 0.5, 1.0, 2.0]))
    array([1.    , 0.3125, 0.    , 0.    ])
    """
    near = np.minimum(ratio, 1.0)
    return np.asarray(1.0 + near * (0.5 * near * near - 1.5))


def exponential(ratio: FloatArray) -> FloatArray:
    """``exp(-r)``."""
    negative = np.negative(ratio)
    return np.asarray(np.exp(negative, out=negative))


def matern_3_2(ratio: FloatArray) -> FloatArray:
    """``(1 + r) exp(-r)``: once differentiable fields."""
    return np.asarray((1.0 + ratio) * np.exp(-ratio))


def matern_5_2(ratio: FloatArray) -> FloatArray:
    """``(1 + r + r^2/3) exp(-r)``: twice differentiable fields."""
    return np.asarray((1.0 + ratio * (1.0 + ratio / 3.0)) * np.exp(-ratio))


CORRELATIONS: Mapping[Family, Callable[[FloatArray], FloatArray]] = MappingProxyType(
    {"spherical": spherical, "exponential": exponential, "matern_3_2": matern_3_2, "matern_5_2": matern_5_2}
)

#: Ratio at which the correlation is 0.05 (spherical: 0), solved from the formulas above.
PRACTICAL_RANGE: Mapping[Family, float] = MappingProxyType(
    {"spherical": 1.0, "exponential": 2.9957, "matern_3_2": 4.7439, "matern_5_2": 5.9185}
)


def distances(sites: FloatArray, targets: FloatArray) -> FloatArray:
    """(n, m) distances between (n, 2) and (m, 2) points, m."""
    # in place: this is where kriging many targets spends its time
    squared, northing = (np.subtract.outer(sites[:, axis], targets[:, axis]) for axis in (0, 1))
    np.square(squared, out=squared)
    squared += np.square(northing, out=northing)
    return np.asarray(np.sqrt(squared, out=squared))


def axes_of(variogram: Variogram) -> FloatArray:
    """(2, 2) matrix to coordinates in which the model is the same in all directions, its range that of `range_m`.

    The first row is the direction of the longest range; across it coordinates are stretched by 1 / ratio (geometric
    anisotropy: Chiles & Delfiner 2012, section 2.5.2; from memory).
    """
    azimuth = np.radians(variogram.azimuth_deg)
    along = np.array([np.sin(azimuth), np.cos(azimuth)])
    across = np.array([along[1], -along[0]]) / variogram.ratio
    return np.vstack([along, across])


def in_axes(points: FloatArray, variogram: Variogram) -> FloatArray:
    """(n, 2) points in the coordinates of `axes_of`; as they are where the model is the same in all directions."""
    return points if variogram.ratio == 1 else points @ axes_of(variogram).T


def without_direction(variogram: Variogram) -> Variogram:
    """Return the model as it is in its own axes."""
    return replace(variogram, ratio=1.0, azimuth_deg=0.0)


def nearest_gap_m(sites: FloatArray) -> float:
    """Median distance to the nearest neighbour, m."""
    between = distances(sites, sites)
    np.fill_diagonal(between, np.inf)
    return float(np.median(between.min(axis=1)))


def site_covariance(sites: FloatArray, variogram: Variogram, *, replicates: IntArray | None = None) -> FloatArray:
    """(n, n) covariance of what was measured at (n, 2) distinct points.

    The diagonal holds the whole nugget; its measurement part is divided by the number of rows a value averages.
    """
    rows = np.ones(len(sites)) if replicates is None else replicates.astype(float)
    sites = in_axes(sites, variogram)
    covariance = variogram.partial_sill * CORRELATIONS[variogram.family](distances(sites, sites) / variogram.range_m)
    real = variogram.nugget - variogram.measurement_variance
    covariance[np.diag_indices(len(sites))] += real + variogram.measurement_variance / rows
    return np.asarray(covariance)


def block_offsets(side_m: float, block_points: int) -> FloatArray:
    """(block_points^2, 2) centres of equal sub-squares of a square block about its centre, m.

    >>> block_offsets(40.0, 2).tolist()
    [[-10.0, -10.0], [-10.0, 10.0], [10.0, -10.0], [10.0, 10.0]]
    """
    along = ((np.arange(block_points) + 0.5) / block_points - 0.5) * side_m
    easting, northing = np.meshgrid(along, along, indexing="ij")
    return np.column_stack([easting.ravel(), northing.ravel()])


def within_block_correlation(family: Family, range_m: float, offsets: FloatArray) -> float:
    """Mean correlation over all ordered pairs of a block's points, each with itself included.

    The variance of a block mean is the partial sill times this; a nugget, which has no stated length, averages to
    nothing over a block and takes no part in it.
    """
    return float(CORRELATIONS[family](distances(offsets, offsets) / range_m).mean())


def within_block_variance(variogram: Variogram, offsets: FloatArray) -> float:
    """Variance of true point values about the mean of their block, real short-range variation included.

    This is D2(point | block) of Journel & Huijbregts (1978), Mining Geostatistics, chapter II.
    """
    real = variogram.sill - variogram.measurement_variance
    offsets = in_axes(offsets, variogram)
    return real - variogram.partial_sill * within_block_correlation(variogram.family, variogram.range_m, offsets)


def factor(covariance: FloatArray) -> FloatArray:
    """Lower Cholesky factor; a matrix that is singular to rounding gets the least jitter that makes it definite.

    Points a hand's breadth apart under a smooth model without nugget are singular in double precision. The jitter is
    1e-13 of the mean diagonal at first, and at most 1e-6.
    """
    jitter = 0.0
    scale = float(np.trace(covariance)) / len(covariance)
    while True:
        try:
            return np.asarray(np.linalg.cholesky(covariance + jitter * scale * np.eye(len(covariance))), dtype=float)
        except np.linalg.LinAlgError:
            if jitter >= 1e-6:
                raise
            jitter = max(jitter * 10.0, 1e-13)
