"""Two sets of measurements of one field held side by side: a trend, never a conversion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import Literal

import numpy as np

from zonemap.units import UnitSystem
from zonemap.values.arrays import BoolArray, FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.field import Field
from zonemap.values.note import Note
from zonemap.values.samples import Samples

#: a rank difference that stands out: a third of the ranking (our choice)
STANDS_OUT = 1 / 3

#: agree, loosely: rank alike, well or a little; not: no common ranking is shown; opposite: one high where the other is
#: low; too_few: too few pairs to say; no_spread: all values of a set are equal; no_pattern: a mapped set has no pattern
Trend = Literal["agree", "loosely", "not", "opposite", "too_few", "no_spread", "no_pattern"]


@dataclass(frozen=True, slots=True)
class SampleSet:
    """Samples on one basis, with what tells them from another set of the same field.

    Attributes
    ----------
    name
        As the user calls the set.
    collected
        Day the samples were taken; ``None`` when it was not stated.
    file_sha256
        Hash of the file they were read from.
    same_as
        Quantity of this set -> quantity of the first set it is held against, where the names differ.
    """

    name: str
    samples: Samples
    collected: date | None
    file_sha256: str = ""
    same_as: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "same_as", MappingProxyType(dict(self.same_as)))

    def __str__(self) -> str:
        """Return what a reader calls it, e.g. ``leaf (tissue, 2026-07-12)``."""
        parts = [str(self.samples.basis), self.collected.isoformat() if self.collected else ""]
        return f"{self.name} ({', '.join(part for part in parts if part)})"


@dataclass(frozen=True, slots=True)
class SampleSets:
    """Sets of samples of one field, all in its working CRS, with what was noticed while reading them."""

    field: Field
    units: UnitSystem
    first: SampleSet
    others: tuple[SampleSet, ...]
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Pairs:
    """Places of two sets that belong together, each place in one pair at most.

    Attributes
    ----------
    first, second
        (pairs,) indices into either set.
    distance_m
        (pairs,) between the two places.
    """

    first: IntArray
    second: IntArray
    distance_m: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "first", frozen_ints(self.first, shape=(None,)))
        object.__setattr__(self, "second", frozen_ints(self.second, shape=self.first.shape))
        object.__setattr__(self, "distance_m", frozen_floats(self.distance_m, shape=self.first.shape))


@dataclass(frozen=True, slots=True)
class RankCorrelation:
    """Spearman's coefficient with its 95 % interval; NaN where it cannot be given.

    Attributes
    ----------
    pairs
        How many there are.
    effective_pairs
        How many independent ones they are worth; the interval is from these.
    """

    pairs: int
    effective_pairs: float
    coefficient: float
    low_95: float
    high_95: float


@dataclass(frozen=True, slots=True)
class QuantityComparison:
    """One quantity in two sets, pair by pair.

    Attributes
    ----------
    quantity, other_quantity
        What each set calls it.
    how
        ``paired``: measured values at places that lie together; ``kriged``: the sets share no place, both were mapped
        and read at the places of the sparser one.
    sample, other_sample
        (pairs) identifiers; the one of the denser set is empty where it was mapped.
    easting_m, northing_m
        (pairs,) where the pair lies, in the working CRS.
    distance_m
        (pairs,) between the two places; 0 where they were mapped.
    value, other_value
        (pairs,) in `unit` and `other_unit`.
    share, other_share
        (pairs,) place in the ranking of either set: 0 lowest, 1 highest.
    """

    quantity: str
    other_quantity: str
    how: Literal["paired", "kriged"]
    sample: tuple[str, ...]
    other_sample: tuple[str, ...]
    easting_m: FloatArray
    northing_m: FloatArray
    distance_m: FloatArray
    unit: str
    value: FloatArray
    other_unit: str
    other_value: FloatArray
    share: FloatArray
    other_share: FloatArray
    correlation: RankCorrelation
    trend: Trend

    def __post_init__(self) -> None:
        n = len(self.sample)
        for name in ("easting_m", "northing_m", "distance_m", "value", "other_value", "share", "other_share"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(n,)))

    @property
    def name(self) -> str:
        """What a reader calls it: one name, or both where they differ."""
        return self.quantity if self.quantity == self.other_quantity else f"{self.quantity}/{self.other_quantity}"

    @property
    def says_something(self) -> bool:
        """Whether the pairs allow a statement."""
        return self.trend not in ("too_few", "no_spread", "no_pattern")

    @property
    def rank_difference(self) -> FloatArray:
        """(pairs,) how much higher the other set ranks a place, as a share of the ranking, -1 to 1."""
        return self.other_share - self.share

    @property
    def stands_out(self) -> BoolArray:
        """(pairs,) whether the two rankings of a place lie more than a third apart; nowhere without a statement."""
        if not self.says_something:
            return np.zeros(len(self.sample), dtype=bool)
        return np.asarray(np.abs(self.rank_difference) > STANDS_OUT)

    def place(self, index: int) -> str:
        """Name of a place: the first set's, or the other's where only that has one."""
        return self.sample[index] or self.other_sample[index]


@dataclass(frozen=True, slots=True)
class SetComparison:
    """Two sets over all quantities they share.

    Attributes
    ----------
    within_m
        Places up to this far apart were taken for one.
    causes
        What may make such sets disagree, general knowledge: (quantities it is about, sentence).
    """

    first: SampleSet
    other: SampleSet
    within_m: float
    quantities: tuple[QuantityComparison, ...]
    causes: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything the writers of a comparison are given."""

    field: Field
    units: UnitSystem
    sets: tuple[SetComparison, ...]
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]
