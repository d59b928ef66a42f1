"""The scale on which a quantity is modelled: as measured, or its logarithm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.samples import Measurements
from zonemap.values.surface import Transform

TransformChoice = Literal["auto", "none", "log"]

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
    """Return the scales that may be used for (n,) values that are not all equal; log only where all are positive.

    Notes
    -----
    The Jacobian counts n - 1 values, as many as there are error contrasts: log g' averaged over the values, times
    n - 1. This is the likelihood of the transform divided by its slope at the geometric mean (Box & Cox 1964, Journal
    of the Royal Statistical Society B 26:211-252, section 3), and the only count with which the choice between scales
    does not depend on the unit of the values.
    """
    positive = _positive(value)
    if transform == "auto":
        names: tuple[Literal["none", "log"], ...] = ("none", "log") if positive else ("none",)
    else:
        names = (transform,) if positive else ("none",)
    return tuple(_candidate(value, Transform(name)) for name in names)


def _positive(value: FloatArray) -> bool:
    return bool(np.all(value > 0))


def _candidate(value: FloatArray, transform: Transform) -> Candidate:
    g = transform.forward(value)
    centred = g - g.mean()
    spread = float(np.sqrt(np.square(centred).mean()))
    log_slope = -float(np.log(value).mean()) if transform.name == "log" else 0.0
    return Candidate(transform, centred / spread, spread, (len(value) - 1) * (log_slope - float(np.log(spread))))
