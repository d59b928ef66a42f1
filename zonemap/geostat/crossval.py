"""Leave-one-out cross-validation in closed form, the covariance parameters kept; scores of left-out values.

References
----------
Dubrule, O. (1983), Cross validation of kriging in a unique neighborhood, Mathematical Geology 15:687-699.

Gneiting, T. & Raftery, A. E. (2007), Strictly proper scoring rules, prediction, and estimation, Journal of the American
Statistical Association 102:359-378, section 4.2.

Baran, S. & Lerch, S. (2015), Log-normal distribution based ensemble model output statistics models for probabilistic
wind-speed forecasting, Quarterly Journal of the Royal Meteorological Society 141:2289-2299.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.geostat.covariance import factor, site_covariance
from zonemap.geostat.student import half_width_90, widening
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.samples import Measurements
from zonemap.values.surface import CrossValidation, Transform
from zonemap.values.variogram import Variogram

#: Fewer points leave no spread to compare with.
LEAST_POINTS = 3

#: The square of exp() of more is not a number any more; no logarithm of a measured value comes near it.
_GREATEST_LOG = 300.0

#: Of a prediction, as a share of its error.
_LEAST_DEVIATION = 1e-9


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


@dataclass(frozen=True, slots=True)
class Scores:
    """How left-out values lie in their predictive distributions.

    Attributes
    ----------
    error
        (n,) predictive mean less value, on the measured scale.
    squared_ratio
        (n,) squared residual over kriging variance, on the g scale.
    inside
        (n,) whether the value is in its central 90 % interval.
    crps
        (n,) continuous ranked probability score, on the measured scale.
    """

    error: FloatArray
    squared_ratio: FloatArray
    inside: BoolArray
    crps: FloatArray

    def summary(self) -> CrossValidation:
        """Means over the left-out values."""
        return CrossValidation(
            mean_error=float(self.error.mean()),
            rmse=float(np.sqrt(np.square(self.error).mean())),
            msdr=float(self.squared_ratio.mean()),
            coverage_90=float(self.inside.mean()),
            crps=float(self.crps.mean()),
        )


def score(value: FloatArray, *, transform: Transform, centre: FloatArray, variance: FloatArray, degrees: int) -> Scores:
    """Score (n,) left-out values against what was predicted on the g scale.

    Parameters
    ----------
    value
        On the measured scale. One that the scale does not hold (0 on a log scale) has an infinite squared ratio.
    centre, variance
        (n,) kriging prediction and variance, the left-out value's own nugget included.
    degrees
        Degrees of freedom of the variance: widen the interval, and the normal of `crps`, as `zonemap.geostat.student`
        says.
    """
    with np.errstate(divide="ignore"):
        residual = transform.forward(value if transform.name == "none" else np.maximum(value, 0.0)) - centre
    # a prediction without any spread is judged as one whose spread is a billionth of its error
    least = _LEAST_DEVIATION * np.where(np.isfinite(residual), np.abs(residual), 0.0) + np.finfo(float).tiny ** 0.5
    variance = np.maximum(variance, np.square(least))
    return Scores(
        error=predictive_mean(transform, centre, variance) - value,
        squared_ratio=np.square(residual) / variance,
        inside=np.abs(residual) <= half_width_90(degrees) * np.sqrt(variance),
        crps=crps(value, transform=transform, centre=centre, deviation=widening(degrees) * np.sqrt(variance)),
    )


def cross_validate(measurements: Measurements, *, transform: Transform, variogram: Variogram) -> CrossValidation | None:
    """Leave-one-out diagnostics of a fitted model; ``None`` with fewer than three points.

    Notes
    -----
    The prediction of a left-out value on the measured scale is the mean of its predictive distribution; `mean_error` is
    prediction less measurement. `msdr` divides by the plain kriging variance; `coverage_90` and `crps` take Student's t
    with n - 1 degrees of freedom, as the surfaces do.
    """
    if measurements.count < LEAST_POINTS or variogram.sill <= 0:
        return None
    sites = np.column_stack([measurements.easting_m, measurements.northing_m])
    g = transform.forward(measurements.value)
    residual, variance = leave_one_out(site_covariance(sites, variogram, replicates=measurements.replicates), g)
    return score(
        measurements.value, transform=transform, centre=g - residual, variance=variance, degrees=measurements.count - 1
    ).summary()


def predictive_mean(transform: Transform, mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Mean on the measured scale of a normal on the g scale."""
    if transform.name == "log":
        return np.asarray(np.exp(np.minimum(mean + 0.5 * variance, _GREATEST_LOG)))
    if transform.name == "none":
        return mean
    node, weight = np.polynomial.hermite_e.hermegauss(16)
    values = transform.backward(mean[:, None] + np.sqrt(variance)[:, None] * node)
    return np.asarray(values @ weight / weight.sum())


def crps(value: FloatArray, *, transform: Transform, centre: FloatArray, deviation: FloatArray) -> FloatArray:
    """(n,) continuous ranked probability scores on the measured scale, in the unit of the values; less is better.

    Parameters
    ----------
    centre, deviation
        (n,) of a normal on the g scale, deviations positive.

    Returns
    -------
    FloatArray
        NaN on a Box-Cox scale, for which there is no closed form.

    Notes
    -----
    On the measured scale and not on g, so that quantities whose scales were chosen differently, and the RMSE beside it,
    can be compared. It is the mean distance from value to distribution: that of a distribution without spread is the
    absolute error. Normal: Gneiting & Raftery (2007), section 4.2; log-normal: Baran & Lerch (2015), with
    1 - Phi(s / sqrt 2) written as one tail.

    >>> crps(np.array([0.0]), transform=Transform("none"), centre=np.array([0.0]), deviation=np.array([1.0])).round(6)
    array([0.233695])
    """
    from scipy.special import ndtr

    if transform.name == "box_cox":
        return np.full(len(value), np.nan)
    if transform.name == "none":
        z = (value - centre) / deviation
        density = np.exp(-0.5 * np.square(z)) / np.sqrt(2.0 * np.pi)
        return np.asarray(deviation * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi)))
    with np.errstate(divide="ignore"):
        z = (np.log(np.maximum(value, 0.0)) - centre) / deviation
    spread = ndtr(z - deviation) - ndtr(-deviation / np.sqrt(2.0))
    return np.asarray(value * (2.0 * ndtr(z) - 1.0) - 2.0 * predictive_mean(transform, centre, deviation**2) * spread)
