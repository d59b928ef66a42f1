"""Spatial covariance of one quantity, and the empirical variogram drawn beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints

#: covariance families; the range of the Matern family is its scale parameter a in (h/a)
Family = Literal["spherical", "exponential", "matern_3_2", "matern_5_2"]


@dataclass(frozen=True, slots=True)
class Variogram:
    """A covariance model on the transformed (g) scale, the same in all directions unless `ratio` says otherwise.

    Attributes
    ----------
    family
        Name of the correlation function.
    range_m
        Distance parameter a of the family: where a spherical model reaches its sill; the scale of the others.
    nugget
        Total nugget, of which `measurement_variance` is error and the rest real short-range variation.
    partial_sill
        Sill less nugget.
    measurement_variance
        Part of `nugget` that is laboratory and compositing error and not in the field.
    ratio
        Range across `azimuth_deg` over `range_m`, the range along it; at most 1.
    azimuth_deg
        Direction of the longest range, clockwise from north, 0 to 180.
    """

    family: Family
    range_m: float
    nugget: float
    partial_sill: float
    measurement_variance: float = 0.0
    ratio: float = 1.0
    azimuth_deg: float = 0.0

    @property
    def sill(self) -> float:
        """Nugget plus partial sill."""
        return self.nugget + self.partial_sill

    @property
    def nugget_ratio(self) -> float:
        """Nugget to sill; 1 for pure nugget and for a constant."""
        return self.nugget / self.sill if self.sill > 0 else 1.0


@dataclass(frozen=True, slots=True)
class WeighedVariogram:
    """One of the models that the samples leave possible.

    Attributes
    ----------
    weight
        How likely it is, of all of them together 1.
    variogram
        On the g scale. A pattern that goes with covariates or with a trend across the field is not in its sill.
    short_range_m
        Correlation length of the nugget's real part, m; 0 where that is taken to average out over a cell.
    """

    weight: float
    variogram: Variogram
    short_range_m: float = 0.0


@dataclass(frozen=True, slots=True)
class EmpiricalVariogram:
    """Method-of-moments semivariances by lag class.

    Attributes
    ----------
    lag_m, semivariance, pairs
        (lags,) mean distance of the pairs in a class, half their mean squared difference, and their number.
    """

    lag_m: FloatArray
    semivariance: FloatArray
    pairs: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "lag_m", frozen_floats(self.lag_m, shape=(None,)))
        object.__setattr__(self, "semivariance", frozen_floats(self.semivariance, shape=self.lag_m.shape))
        object.__setattr__(self, "pairs", frozen_ints(self.pairs, shape=self.lag_m.shape))
