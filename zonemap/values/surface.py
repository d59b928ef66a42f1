"""A surface: for every cell a distribution, not a number.

The distributions live on the transformed scale g (Gaussian anamorphosis: quantiles as a function of the normal score;
Rivoirard 1994, Introduction to Disjunctive Kriging and Non-Linear Geostatistics, Oxford; from memory). Quantiles pass
straight through the back-transform; means and standard deviations are taken after it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from zonemap.values.arrays import FloatArray, IntArray, frozen_floats
from zonemap.values.distribution import Distribution
from zonemap.values.note import Note
from zonemap.values.variogram import EmpiricalVariogram, Variogram, WeighedVariogram


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
    models
        What the surface was predicted with, heaviest first; empty where that is `variogram` alone, or where there is
        no map.
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
    models: tuple[WeighedVariogram, ...] = ()


@dataclass(frozen=True, slots=True)
class Surface:
    """Distribution of one quantity in every cell of a grid.

    Attributes
    ----------
    quantity, unit
        What, and in which unit after the back-transform.
    transform
        The scale on which `distribution` lives.
    distribution
        Of the cells, on the g scale.
    evidence
        Where it comes from.
    """

    quantity: str
    unit: str
    transform: Transform
    distribution: Distribution
    evidence: Evidence
    # means and standard deviations once they were asked for: a plan asks for them some thirty times
    _moments: list[FloatArray] = field(default_factory=list, init=False, repr=False, compare=False)

    @property
    def cells(self) -> int:
        """How many."""
        return self.distribution.cells

    def at_score(self, normal_score: float) -> FloatArray:
        """Cell vector of the quantile whose standard normal score is given, in `unit`."""
        return self.transform.backward(self.g_at_score(normal_score))

    def g_at_score(self, normal_score: float) -> FloatArray:
        """Cell vector of the same quantile on the g scale."""
        return self.distribution.at_score(normal_score)

    def quantile(self, probability: float) -> FloatArray:
        """Cell vector of the `probability` quantile, in `unit`."""
        from scipy.special import ndtri

        return self.at_score(float(ndtri(probability)))

    def score_of(self, g: FloatArray) -> FloatArray:
        """Cell vector of the normal scores of values on the g scale (a cell vector)."""
        return self.distribution.score_of(g)

    def score_and_slope_of(self, g: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Cell vectors of those scores, and of the derivatives of g by the score there."""
        return self.distribution.score_and_slope_of(g)

    def of_cells(self, cells: IntArray) -> Surface:
        """Surface of some cells, given by their numbers, rising."""
        return replace(self, distribution=self.distribution.of_cells(cells))

    def centre(self) -> FloatArray:
        """Cell vector of means on the g scale."""
        return self.distribution.centre

    def spread(self) -> FloatArray:
        """Cell vector of standard deviations on the g scale."""
        return self.distribution.spread

    def probability_below(self, value: FloatArray) -> FloatArray:
        """Cell vector of P(S <= value), `value` a cell vector in `unit`."""
        from scipy.special import ndtr

        with np.errstate(divide="ignore"):
            g = self.transform.forward(value if self.transform.name == "none" else np.maximum(value, 0.0))
        return np.asarray(ndtr(self.score_of(g)), dtype=np.float64)

    def mean(self) -> FloatArray:
        """Cell vector of means, in `unit`, read-only.

        Without a transform they are exact; with one they are those of distributions that go on along their tangents
        beyond normal scores of +-2.75 (a t on a log scale has no mean).
        """
        return self.centre() if self.transform.name == "none" else self._moments_in_unit()[0]

    def standard_deviation(self) -> FloatArray:
        """Cell vector of standard deviations, in `unit`, read-only, exact or not as `mean` is."""
        return self.spread() if self.transform.name == "none" else self._moments_in_unit()[1]

    def _moments_in_unit(self) -> list[FloatArray]:
        if not self._moments:
            found = self.distribution.moments(self.transform.backward)
            # both in one step: threads that come at once find the same
            self._moments[:] = [frozen_floats(each, shape=(None,)) for each in found]
        return self._moments
