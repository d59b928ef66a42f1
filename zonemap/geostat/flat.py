"""A surface without a map: one distribution for every cell."""

from __future__ import annotations

import math

import numpy as np

from zonemap.geostat.evidence import gather_evidence
from zonemap.geostat.fit import Fit
from zonemap.geostat.repeatability import measurement_variance, pure_nugget
from zonemap.geostat.scale import is_constant
from zonemap.geostat.student import LEAST_DEGREES, widening
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.surface import Surface


def flat_surface(measurements: Measurements, grid: Grid, fit: Fit) -> Surface:
    """Return one distribution for every cell.

    Notes
    -----
    With s^2 the spread between n places and e its measurement part, the value of a cell differs from the sample mean by
    the cell's own s^2 - e, kept whole because without structure nobody knows at which scale it varies, and by the
    error of the mean, s^2 / n. Student's t has n - 1 degrees of freedom (see `zonemap.geostat.student`). One value, or
    all equal ones, leave no spread: then repeatability alone is stated, a lower bound, and the mean is the value.
    """
    spread = measurements.count > 1 and not is_constant(measurements)
    centre, deviation = _spread_out(measurements, fit) if spread else _repeatable(measurements, fit)
    predictive = pure_nugget(measurements, fit.transform) if spread else None
    return Surface(
        quantity=measurements.quantity,
        unit=measurements.unit,
        transform=fit.transform,
        distribution=Distribution.normal(np.full(grid.cells, centre), np.full(grid.cells, deviation)),
        evidence=gather_evidence(measurements, fit, predictive=predictive),
    )


def _spread_out(measurements: Measurements, fit: Fit) -> tuple[float, float]:
    """Centre and standard deviation on the g scale from values that differ."""
    g = fit.transform.forward(measurements.value)
    n = measurements.count
    error = measurement_variance(measurements, fit.transform)
    spread = float(np.var(g, ddof=1))
    if n <= LEAST_DEGREES:
        spread = max(spread, error)  # two or three values may agree by chance
    between = max(spread - error * float((1.0 / measurements.replicates).mean()), 0.0)
    return float(g.mean()), math.sqrt(between + spread / n) * widening(n - 1)


def _repeatable(measurements: Measurements, fit: Fit) -> tuple[float, float]:
    """Centre and standard deviation on the g scale where there is no spread to go by."""
    variance = measurement_variance(measurements, fit.transform) / float(measurements.replicates.mean())
    centre = float(fit.transform.forward(measurements.value).mean())
    return centre - (0.5 * variance if fit.transform.name == "log" else 0.0), math.sqrt(variance)
