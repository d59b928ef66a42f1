"""How far a measured value may be from what is in the field at its place: laboratory and compositing error."""

from __future__ import annotations

import numpy as np

from zonemap.values.samples import Measurements
from zonemap.values.surface import Transform
from zonemap.values.variogram import Family, Variogram


def measurement_variance(measurements: Measurements, transform: Transform) -> float:
    """Variance of one plain sample's error on the g scale.

    Replicate rows win over the stated repeatability: their variances are pooled by degrees of freedom (for a log
    scale: their squared coefficients of variation). With neither transform a relative error is taken at the mean value.

    Notes
    -----
    A log-normal error with coefficient of variation c has variance ``log(1 + c^2)`` on the log scale (Aitchison &
    Brown 1957, The Lognormal Distribution, Cambridge, section 2.3). Errors are taken to be without bias on the g scale.
    """
    relative = transform.name != "none"
    variance = _pooled_variance(measurements, relative=relative)
    if variance is None:
        typical = 1.0 if relative else float(np.abs(measurements.value).mean())
        variance = (measurements.repeatability_cv * typical) ** 2
    if not relative:
        return variance
    # the slope of a Box-Cox scale against the logarithm is the value to its exponent: taken at the geometric mean
    steepness = 0.0 if transform.name == "log" else 2.0 * transform.exponent * float(np.log(measurements.value).mean())
    return float(np.log1p(variance) * np.exp(steepness))


def _pooled_variance(measurements: Measurements, *, relative: bool) -> float | None:
    """Replicate variance (of ratios to the mean when relative); None without replicates."""
    seen = (measurements.replicates > 1) & np.isfinite(measurements.replicate_variance)
    if not seen.any():
        return None
    variance = measurements.replicate_variance[seen]
    if relative:
        variance = variance / np.square(measurements.value[seen])
    degrees = measurements.replicates[seen] - 1
    return float(degrees @ variance / degrees.sum())


def pure_nugget(measurements: Measurements, transform: Transform, *, family: Family = "exponential") -> Variogram:
    """Return the model without structure: the spread of g between places (two or more), its measurement part split off.

    The measurement part never exceeds the spread. The range means nothing and is 1 m.
    """
    spread = float(np.var(transform.forward(measurements.value), ddof=1))
    measured = min(measurement_variance(measurements, transform), spread)
    return Variogram(family, 1.0, spread, 0.0, measured)
