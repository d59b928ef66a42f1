"""The empirical variogram: method of moments, drawn beside the fitted model for the eye and never fitted."""

from __future__ import annotations

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.variogram import EmpiricalVariogram


def empirical_variogram(
    easting_m: FloatArray,
    northing_m: FloatArray,
    value: FloatArray,
    *,
    lags: int = 12,
    cutoff_m: float | None = None,
) -> EmpiricalVariogram:
    """Half the mean squared difference of pairs, by classes of distance of equal width.

    Parameters
    ----------
    lags
        Number of classes of equal width up to the cutoff; classes without a pair are left out of the result.
    cutoff_m
        Greatest distance; ``None`` takes a third of the diagonal of the box that bounds the points.

    Notes
    -----
    Class k holds distances in (k w, (k + 1) w], the first one 0 as well, where w is cutoff / lags. These are the
    conventions of Pebesma (2004), Computers & Geosciences 30:683-691, and reproduce its published table.

    References
    ----------
    Matheron, G. (1963), Principles of geostatistics, Economic Geology 58:1246-1266.
    """
    first, second = np.triu_indices(len(value), k=1)
    lag = np.hypot(easting_m[first] - easting_m[second], northing_m[first] - northing_m[second])
    half_square = 0.5 * np.square(value[first] - value[second])
    cutoff = _default_cutoff_m(easting_m, northing_m) if cutoff_m is None else cutoff_m
    near = lag <= cutoff
    if not near.any():
        return EmpiricalVariogram(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64))
    lag, half_square = lag[near], half_square[near]
    lag_class = np.clip(np.ceil(lag / (cutoff / lags)) - 1, 0, lags - 1).astype(np.int64)
    pairs = np.bincount(lag_class, minlength=lags)
    used = pairs > 0
    mean_lag = np.bincount(lag_class, weights=lag, minlength=lags)[used] / pairs[used]
    semivariance = np.bincount(lag_class, weights=half_square, minlength=lags)[used] / pairs[used]
    return EmpiricalVariogram(mean_lag, semivariance, pairs[used])


def _default_cutoff_m(easting_m: FloatArray, northing_m: FloatArray) -> float:
    return float(np.hypot(np.ptp(easting_m), np.ptp(northing_m))) / 3.0
