"""How unsure the difference of two areas' means is, once the samples are known."""

from __future__ import annotations

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, distances, factor, in_axes, site_covariance
from zonemap.values.arrays import FloatArray
from zonemap.values.samples import Measurements
from zonemap.values.variogram import Variogram


def difference_variance(measured: Measurements, variogram: Variogram, one: FloatArray, other: FloatArray) -> float:
    """Variance of the error with which ordinary kriging predicts the difference of two areas' means.

    Parameters
    ----------
    one, other
        (places, 2) easting and northing of places that stand for each area.

    Returns
    -------
    float
        On the scale of the variogram, squared. The nugget averages out over an area and counts for the samples only.

    References
    ----------
    Kriging of a linear functional with an unknown mean: Chiles & Delfiner 2012, Geostatistics, 2nd ed., section 3.4
    (from memory). The functional's weights sum to 0.
    """
    sites = np.column_stack([measured.easting_m, measured.northing_m])
    lower = factor(site_covariance(sites, variogram, replicates=measured.replicates))
    to_sites = _covariance(variogram, one, sites).mean(axis=0) - _covariance(variogram, other, sites).mean(axis=0)
    within = _covariance(variogram, one, one).mean() + _covariance(variogram, other, other).mean()
    prior = within - 2 * _covariance(variogram, one, other).mean()
    explained = np.linalg.solve(lower, to_sites)
    unity = np.linalg.solve(lower, np.ones(len(sites)))
    # the mean is unknown: (0 - 1' K^-1 c)^2 / (1' K^-1 1)
    left = prior - explained @ explained + (unity @ explained) ** 2 / (unity @ unity)
    return float(max(left, 0.0))


def _covariance(variogram: Variogram, one: FloatArray, other: FloatArray) -> FloatArray:
    lag_m = distances(in_axes(one, variogram), in_axes(other, variogram))
    return np.asarray(variogram.partial_sill * CORRELATIONS[variogram.family](lag_m / variogram.range_m))
