"""Leave-one-out cross-validation in closed form, the covariance parameters kept.

References
----------
Dubrule, O. (1983), Cross validation of kriging in a unique neighborhood, Mathematical Geology 15:687-699.
"""

from __future__ import annotations

import numpy as np

from zonemap.geostat.covariance import factor, site_covariance
from zonemap.geostat.student import half_width_90
from zonemap.values.arrays import FloatArray
from zonemap.values.samples import Measurements
from zonemap.values.surface import CrossValidation, Transform
from zonemap.values.variogram import Variogram

#: Fewer points leave no spread to compare with.
LEAST_POINTS = 3

#: The square of exp() of more is not a number any more; no logarithm of a measured value comes near it.
_GREATEST_LOG = 300.0


def leave_one_out(covariance: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals (left-out value less its ordinary kriging prediction) and their variances, both (n,).

    With B the inverse covariance less its part along the mean, residual i is (B z)_i / B_ii and its variance 1 / B_ii
    (Dubrule 1983, equations for a unique neighbourhood). The variance includes the left-out value's own nugget.
    """
    whitener = np.linalg.inv(factor(covariance))
    ones = whitener.sum(axis=1)
    along_mean = whitener.T @ ones
    precision = whitener.T @ whitener - np.outer(along_mean, along_mean) / float(ones @ ones)
    variance = 1.0 / np.maximum(np.diag(precision), np.finfo(float).tiny)
    return np.asarray((precision @ (value - value.mean())) * variance), np.asarray(variance)


def cross_validate(measurements: Measurements, *, transform: Transform, variogram: Variogram) -> CrossValidation | None:
    """Leave-one-out diagnostics of a fitted model; ``None`` with fewer than three points.

    Notes
    -----
    The prediction of a left-out value on the measured scale is the mean of its predictive distribution; `mean_error` is
    prediction less measurement. `msdr` divides by the plain kriging variance, `coverage_90` takes Student's t with
    n - 1 degrees of freedom, as the surfaces do.
    """
    if measurements.count < LEAST_POINTS or variogram.sill <= 0:
        return None
    sites = np.column_stack([measurements.easting_m, measurements.northing_m])
    g = transform.forward(measurements.value)
    residual, variance = leave_one_out(site_covariance(sites, variogram, replicates=measurements.replicates), g)
    predicted = _predictive_mean(transform, g - residual, variance)
    error = predicted - measurements.value
    inside = np.abs(residual) <= half_width_90(measurements.count - 1) * np.sqrt(variance)
    return CrossValidation(
        mean_error=float(error.mean()),
        rmse=float(np.sqrt(np.square(error).mean())),
        msdr=float((np.square(residual) / variance).mean()),
        coverage_90=float(inside.mean()),
    )


def _predictive_mean(transform: Transform, mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Mean on the measured scale of a normal on the g scale."""
    if transform.name == "log":
        return np.asarray(np.exp(np.minimum(mean + 0.5 * variance, _GREATEST_LOG)))
    return transform.backward(mean)
