"""Where to take samples: places in walking order, and what they are worth before they are taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from zonemap.units import UnitSystem
from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.basis import Basis
from zonemap.values.field import Field
from zonemap.values.note import Note

#: cover: in the middle of its part of the field; pair: a short distance beside another; next: lowers the expected loss
#: most; core: one of several that go into one bag
PlaceKind = Literal["cover", "pair", "next", "core"]
#: what a loss is counted in: money, shares of what is needed where some product has no price, or the variance of a map
#: that no rate hangs on
Measure = Literal["money", "relative", "variance"]
#: first: nothing was sampled yet; composite: one bag of cores; next: by what they are worth; closer: beside samples
#: that show no pattern; gaps: between samples that are too few to say
Purpose = Literal["first", "composite", "next", "closer", "gaps"]


@dataclass(frozen=True, slots=True)
class SamplingField:
    """A field that is to be sampled, before its first samples or with some there.

    Attributes
    ----------
    basis
        How samples are to be measured; ``None`` where field.toml does not say.
    sampled
        (n) names of samples that are there.
    easting_m, northing_m
        (n,) where, in the working CRS.
    notes, input_sha256
        As in `Case`.
    """

    field: Field
    units: UnitSystem
    basis: Basis | None
    sampled: tuple[str, ...]
    easting_m: FloatArray
    northing_m: FloatArray
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]

    def __post_init__(self) -> None:
        for name in ("easting_m", "northing_m"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(len(self.sampled),)))


@dataclass(frozen=True, slots=True)
class Places:
    """Places in the order in which they are walked.

    Attributes
    ----------
    name
        (n) what is written on the bag; of a core, which core.
    kind
        (n).
    easting_m, northing_m
        (n,) in the working CRS.
    beside
        (n) what a pair stands beside; empty for the others.
    rank
        (n) 1 for the place that is worth most, counting up; 0 where nothing was weighed.
    saves
        (n,) by how much the place lowers the expected loss per ha once those ranked before it are sampled; 0 where
        nothing was weighed.
    """

    name: tuple[str, ...]
    kind: tuple[PlaceKind, ...]
    easting_m: FloatArray
    northing_m: FloatArray
    beside: tuple[str, ...]
    rank: tuple[int, ...]
    saves: FloatArray

    def __post_init__(self) -> None:
        for name in ("easting_m", "northing_m", "saves"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(len(self.name),)))

    @property
    def count(self) -> int:
        """How many."""
        return len(self.name)


@dataclass(frozen=True, slots=True)
class Worth:
    """What samples are worth before they are taken.

    Attributes
    ----------
    now, after
        Expected loss per ha with every cell's own best rate, as known now and once the samples are there; where
        `measure` is ``"variance"`` the mean share of the variance that is left.
    measure
        What `now` and `after` are counted in.
    variance_left
        quantity -> mean share of the variance of a cell that is left, for those that were weighed.
    """

    now: float
    after: float
    measure: Measure
    variance_left: Mapping[str, float]

    def __post_init__(self) -> None:
        object.__setattr__(self, "variance_left", MappingProxyType(dict(self.variance_left)))


@dataclass(frozen=True, slots=True)
class Sampling:
    """Where to take samples in one field.

    Attributes
    ----------
    about
        The field and what is there.
    purpose
        What the places are for.
    places
        In walking order.
    path_m
        Length of the walk through them, as the crow flies.
    spacing_m
        Root of the area that a place stands for.
    pair_m
        Distance wanted between the places of a pair; 0 without pairs.
    worth
        ``None`` where nothing was weighed.
    notes
        What was assumed, repaired or left out.
    """

    about: SamplingField
    purpose: Purpose
    places: Places
    path_m: float
    spacing_m: float
    pair_m: float
    worth: Worth | None
    notes: tuple[Note, ...]
