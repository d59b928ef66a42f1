"""The scale on which a quantity is modelled: as measured, its logarithm, or between the two (Box-Cox)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.samples import Measurements
from zonemap.values.surface import Transform

TransformChoice = Literal["auto", "none", "log", "box_cox"]

#: Exponents of Box-Cox scales that are tried: 1 is no transform, 0 the logarithm.
_EXPONENTS = (0.25, 0.5, 0.75)
#: So much log likelihood (half the 95 % quantile of chi-square with one degree of freedom) an exponent between them has
#: to earn before it is taken.
_EARNED = 1.92
#: Near the lower end of a Box-Cox scale its curvature has no bound.
_LEAST_STRAIGHT = 0.1

#: A spread below this share of the greatest value is rounding.
_CONSTANT = 1e-9


@dataclass(frozen=True, slots=True)
class Candidate:
    """One quantity on one scale, centred and brought to unit spread, so that nothing computed from it depends on units.

    Attributes
    ----------
    transform
        The g scale.
    standard
        (n,) g less its mean, over `spread`.
    spread
        Standard deviation of g.
    log_jacobian
        To be added to the restricted log likelihood of `standard` before scales are compared.
    """

    transform: Transform
    standard: FloatArray
    spread: float
    log_jacobian: float


def is_constant(measurements: Measurements) -> bool:
    """Whether all values are equal to rounding."""
    return bool(np.ptp(measurements.value) <= _CONSTANT * np.abs(measurements.value).max())


def default_transform(measurements: Measurements, transform: TransformChoice) -> Transform:
    """Return the scale where no likelihood is asked: log if all values are positive, unless none was asked for."""
    return Transform("log" if transform != "none" and _positive(measurements.value) else "none")


def candidates(value: FloatArray, transform: TransformChoice) -> tuple[Candidate, ...]:
    """Return the scales that may be used for (n,) values that are not all equal; others than none if all are positive.

    Notes
    -----
    The Jacobian counts n - 1 values, as many as there are error contrasts: log g' averaged over the values, times
    n - 1. This is the likelihood of the transform divided by its slope at the geometric mean (Box & Cox 1964, Journal
    of the Royal Statistical Society B 26:211-252, section 3), and the only count with which the choice between scales
    does not depend on the unit of the values.
    """
    if not _positive(value) or transform == "none":
        return (_candidate(value, Transform()),)
    plain, log = Transform(), Transform("log")
    between = [Transform("box_cox", exponent) for exponent in _EXPONENTS]
    if transform == "log":
        return (_candidate(value, log),)
    if transform == "box_cox":
        return tuple(_candidate(value, scale) for scale in between)
    handicapped = [_candidate(value, scale, handicap=_EARNED) for scale in between]
    return (_candidate(value, plain), _candidate(value, log), *handicapped)


def half_variance_rise(transform: Transform, centre: FloatArray, variance: FloatArray | float) -> FloatArray:
    """How far on g the arithmetic mean of values lies above the mean of their g, where these have a variance.

    Exact on a log scale for normal g; of second order on a Box-Cox scale.
    """
    curvature, slope = curvature_of(transform)
    return np.asarray(0.5 * variance * curvature / np.maximum(1.0 + slope * centre, _LEAST_STRAIGHT))


def curvature_of(transform: Transform) -> tuple[float, float]:
    """Second over first derivative of the way back is ``curvature / (1 + slope g)``: 0 without a transform, 1 on a log.

    >>> curvature_of(Transform("box_cox", 0.25))
    (0.75, 0.25)
    """
    if transform.name == "none":
        return 0.0, 0.0
    return (1.0, 0.0) if transform.name == "log" else (1.0 - transform.exponent, transform.exponent)


def _positive(value: FloatArray) -> bool:
    return bool(np.all(value > 0))


def _candidate(value: FloatArray, transform: Transform, *, handicap: float = 0.0) -> Candidate:
    g = transform.forward(value)
    centred = g - g.mean()
    spread = float(np.sqrt(np.square(centred).mean()))
    power = {"none": 0.0, "log": -1.0, "box_cox": transform.exponent - 1.0}[transform.name]
    log_slope = power * float(np.log(value).mean()) if power else 0.0
    jacobian = (len(value) - 1) * (log_slope - float(np.log(spread))) - handicap
    return Candidate(transform, centred / spread, spread, jacobian)
