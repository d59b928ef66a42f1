"""Sampled points: one row a composite sample, several quantities measured in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from zonemap.values.arrays import BoolArray, FloatArray, IntArray, frozen_bools, frozen_floats, frozen_ints
from zonemap.values.basis import Basis


@dataclass(frozen=True, slots=True)
class Column:
    """One quantity over all samples of a set.

    Attributes
    ----------
    unit
        Unit of `value`: ``kg/ha/day`` for resin, as measured otherwise.
    value
        (n,) measured values; NaN where the sample has none.
    censored
        (n,) true where the laboratory reported "below detection" and `value` is a stated substitute.
    """

    unit: str
    value: FloatArray
    censored: BoolArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None,)))
        object.__setattr__(self, "censored", frozen_bools(self.censored, shape=self.value.shape))


@dataclass(frozen=True, slots=True)
class Measurements:
    """One quantity at distinct points, ready for the surface methods.

    Attributes
    ----------
    quantity
        ``"K"``, ``"pH"``, ...
    unit, basis
        Of every value.
    sample
        Identifiers, as text; joined with ``+`` where rows at one place were averaged.
    easting_m, northing_m
        (n,) distinct points in the working CRS.
    value
        (n,) finite values.
    replicates
        (n,) how many rows a value averages (1 for a plain sample).
    replicate_variance
        (n,) sample variance (n - 1) of those rows in `unit` squared; NaN where `replicates` is 1.
    repeatability_cv
        Relative standard deviation of one composite sample, stated or defaulted.
    censored
        (n,) true where a substitute stands for "below detection".
    """

    quantity: str
    unit: str
    basis: Basis
    sample: tuple[str, ...]
    easting_m: FloatArray
    northing_m: FloatArray
    value: FloatArray
    replicates: IntArray
    replicate_variance: FloatArray
    repeatability_cv: float
    censored: BoolArray

    def __post_init__(self) -> None:
        n = len(self.sample)
        for name in ("easting_m", "northing_m", "value", "replicate_variance"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(n,)))
        object.__setattr__(self, "replicates", frozen_ints(self.replicates, shape=(n,)))
        object.__setattr__(self, "censored", frozen_bools(self.censored, shape=(n,)))

    @property
    def count(self) -> int:
        """Number of distinct points."""
        return len(self.sample)


@dataclass(frozen=True, slots=True)
class Samples:
    """All sample rows of a field on one measurement basis.

    Attributes
    ----------
    sample
        (n) identifiers as text.
    easting_m, northing_m
        (n,) in the working CRS.
    columns
        quantity -> Column.
    repeatability_cv
        Relative standard deviation of one composite sample (laboratory and compositing together).
    """

    sample: tuple[str, ...]
    easting_m: FloatArray
    northing_m: FloatArray
    basis: Basis
    columns: Mapping[str, Column]
    repeatability_cv: float

    def __post_init__(self) -> None:
        n = len(self.sample)
        object.__setattr__(self, "easting_m", frozen_floats(self.easting_m, shape=(n,)))
        object.__setattr__(self, "northing_m", frozen_floats(self.northing_m, shape=(n,)))
        object.__setattr__(self, "columns", MappingProxyType(dict(self.columns)))

    @property
    def count(self) -> int:
        """Number of rows."""
        return len(self.sample)

    @property
    def quantities(self) -> tuple[str, ...]:
        """What was measured, in the order of the file."""
        return tuple(self.columns)
