"""A surface: for every cell a distribution, not a number.

On the transformed scale g the quantile function of a cell is a short Hermite series in the normal score,
``g(S)(p) = sum_j c_j He_j(z_p)`` with ``z_p`` the standard normal quantile and ``He_j`` the probabilists' Hermite
polynomials; beyond z = +-2.75 (3 in 1,000 a side) it goes on along its tangent (Gaussian anamorphosis; Rivoirard 1994,
Introduction to Disjunctive Kriging and Non-Linear Geostatistics, Oxford; from memory). Two coefficients are the normal
distribution (mean, standard deviation); more bend it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.polynomial.hermite_e import hermeder, hermegauss, hermeval

from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.note import Note
from zonemap.values.variogram import EmpiricalVariogram, Variogram

#: Gauss-Hermite nodes for means: exact for polynomials of degree 31 in the normal score.
_NODES, _WEIGHTS = hermegauss(16)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
#: beyond this normal score a series goes on along its tangent: a polynomial through quantiles does not carry further
_LAST_SCORE = 2.75
#: no score beyond this is looked for
_FARTHEST_SCORE = 8.0
_NEWTON_STEPS = 20
#: a Newton step this small leaves an error of its square
_SETTLED = 1e-5


@dataclass(frozen=True, slots=True)
class Transform:
    """A monotone scale: none, log, or Box-Cox with its exponent.

    >>> Transform("log").backward(Transform("log").forward(np.array([2.0])))
    array([2.])
    """

    name: Literal["none", "log", "box_cox"] = "none"
    exponent: float = 1.0

    def forward(self, value: FloatArray) -> FloatArray:
        """From the measured scale to g."""
        if self.name == "none":
            return value
        if self.name == "log":
            return np.log(value)
        return np.asarray((value**self.exponent - 1) / self.exponent)

    def backward(self, g: FloatArray) -> FloatArray:
        """From g to the measured scale; beyond the end of a Box-Cox scale the result is 0."""
        if self.name == "none":
            return g
        if self.name == "log":
            return np.exp(g)
        return np.asarray(np.maximum(self.exponent * g + 1, 0.0) ** (1 / self.exponent))


@dataclass(frozen=True, slots=True)
class CrossValidation:
    """Leave-one-out diagnostics on the measured scale (`msdr` and `coverage_90` from the predictive distribution).

    Attributes
    ----------
    mean_error, rmse
        In the unit of the quantity.
    msdr
        Mean squared deviation ratio on the g scale, ideal 1.
    coverage_90
        Share of left-out values inside their central 90 % interval.
    crps
        Mean continuous ranked probability score, in the unit of the quantity; NaN where it was not made.
    """

    mean_error: float
    rmse: float
    msdr: float
    coverage_90: float
    crps: float = math.nan


Structure = Literal["found", "not_found", "too_few"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What stands behind a surface.

    Attributes
    ----------
    samples
        How many distinct points were used.
    structure
        Whether the samples show spatial structure.
    structure_p
        p-value of the likelihood-ratio test against pure nugget; NaN when it was not made.
    variogram, empirical
        The fitted model on the g scale, and the empirical variogram for the eye; ``None`` where none was made.
    cross_validation
        ``None`` with fewer than three samples.
    notes
        What the user should know of this surface.
    covariates
        Names of the covariates that were weighed.
    covariate_share
        How much of the pattern goes with them rather than with place alone, 0 to 1; NaN without covariates.
    """

    samples: int
    structure: Structure
    structure_p: float
    variogram: Variogram | None
    empirical: EmpiricalVariogram | None
    cross_validation: CrossValidation | None
    notes: tuple[Note, ...] = ()
    covariates: tuple[str, ...] = ()
    covariate_share: float = math.nan


@dataclass(frozen=True, slots=True)
class Surface:
    """Distribution of one quantity in every cell of a grid.

    Attributes
    ----------
    quantity, unit
        What, and in which unit after the back-transform.
    transform
        The scale on which `score_coefficients` live.
    score_coefficients
        (terms, cells), terms >= 2: c_j above. ``c_1 >= 0`` and the series is increasing in z.
    evidence
        Where it comes from.
    """

    quantity: str
    unit: str
    transform: Transform
    score_coefficients: FloatArray
    evidence: Evidence

    def __post_init__(self) -> None:
        object.__setattr__(self, "score_coefficients", frozen_floats(self.score_coefficients, shape=(None, None)))

    def at_score(self, normal_score: float) -> FloatArray:
        """Cell vector of the quantile whose standard normal score is given, in `unit`."""
        return self.transform.backward(self.g_at_score(normal_score))

    def g_at_score(self, normal_score: float) -> FloatArray:
        """Cell vector of the same quantile on the g scale."""
        return np.asarray(_basis(normal_score, self.score_coefficients.shape[0]) @ self.score_coefficients)

    def quantile(self, probability: float) -> FloatArray:
        """Cell vector of the `probability` quantile, in `unit`."""
        from scipy.special import ndtri

        return self.at_score(float(ndtri(probability)))

    def slope_at(self, score: FloatArray) -> FloatArray:
        """Cell vector of the derivative of the series by the normal score, at a cell vector of scores."""
        if self.score_coefficients.shape[0] == 2:
            return np.asarray(self.score_coefficients[1], dtype=np.float64)
        inside = np.clip(score, -_LAST_SCORE, _LAST_SCORE)
        return np.asarray(hermeval(inside, hermeder(self.score_coefficients), tensor=False), dtype=np.float64)

    def score_of(self, g: FloatArray, *, start: FloatArray | None = None) -> FloatArray:
        """Cell vector of the normal scores at which the cells' series take the values `g` (a cell vector).

        Exact for two terms; otherwise Newton steps from `start` (default the normal approximation), within +-8.
        """
        centre, spread = self.score_coefficients[0], self.score_coefficients[1]
        with np.errstate(divide="ignore", invalid="ignore"):
            score = np.where(spread > 0, (g - centre) / spread, np.where(g >= centre, np.inf, -np.inf))
        if self.score_coefficients.shape[0] == 2:
            return score
        near = np.clip(score if start is None else start, -_FARTHEST_SCORE, _FARTHEST_SCORE)
        return _solve_series(self.score_coefficients, g, near)

    def probability_below(self, value: FloatArray) -> FloatArray:
        """Cell vector of P(S <= value), `value` a cell vector in `unit`."""
        from scipy.special import ndtr

        with np.errstate(divide="ignore"):
            g = self.transform.forward(value if self.transform.name == "none" else np.maximum(value, 0.0))
        return np.asarray(ndtr(self.score_of(g)), dtype=np.float64)

    def mean(self) -> FloatArray:
        """Cell vector of means, in `unit` (exact without a transform, 16-point Gauss-Hermite otherwise)."""
        if self.transform.name == "none":
            return np.array(self.score_coefficients[0], dtype=np.float64)
        return _expectation(self.at_score)

    def standard_deviation(self) -> FloatArray:
        """Cell vector of standard deviations, in `unit`."""
        mean = self.mean()
        return np.asarray(np.sqrt(_expectation(lambda z: (self.at_score(z) - mean) ** 2)), dtype=np.float64)


def _solve_series(coefficients: FloatArray, g: FloatArray, score: FloatArray) -> FloatArray:
    """Normal scores at which the series takes the values `g`, within +-`_FARTHEST_SCORE`."""
    derivative = hermeder(coefficients)
    for _ in range(_NEWTON_STEPS):
        inside = np.clip(score, -_LAST_SCORE, _LAST_SCORE)
        slope = np.maximum(hermeval(inside, derivative, tensor=False), np.finfo(float).tiny)
        miss = hermeval(inside, coefficients, tensor=False) + (score - inside) * slope - g
        step = miss / slope
        moved = np.clip(score - np.clip(step, -1.0, 1.0), -_FARTHEST_SCORE, _FARTHEST_SCORE)
        settled = np.max(np.abs(moved - score), initial=0.0) < _SETTLED
        score = moved
        if settled:
            break
    return score


@lru_cache(maxsize=1024)
def _basis(score: float, terms: int) -> FloatArray:
    """(terms,) Hermite polynomials at a score, along their tangents beyond `_LAST_SCORE`."""
    inside = min(max(score, -_LAST_SCORE), _LAST_SCORE)
    identity = np.eye(terms)
    value = hermeval(inside, identity) + (score - inside) * hermeval(inside, hermeder(identity))
    return np.asarray(value, dtype=np.float64)


def _expectation(of: Callable[[float], FloatArray]) -> FloatArray:
    """Mean of a function of a standard normal score."""
    total = np.zeros(1)
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        total = total + weight * of(float(node))
    return np.asarray(total, dtype=np.float64)
