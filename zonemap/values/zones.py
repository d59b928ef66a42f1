"""Management zones: a label a cell, and their outlines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon

from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.note import Note


@dataclass(frozen=True, slots=True)
class Features:
    """What cells are grouped by.

    Attributes
    ----------
    name
        (features) what each column is.
    value
        (cells, features), already scaled and weighted: distances between rows are meant as they stand.
    """

    name: tuple[str, ...]
    value: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None, len(self.name))))


@dataclass(frozen=True, slots=True)
class Zones:
    """A zone number for every cell.

    Attributes
    ----------
    number
        Cell vector, 1 ... count; every number is in use.
    """

    number: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "number", frozen_ints(self.number, shape=(None,)))
        used = np.unique(self.number)
        if used.size == 0 or not np.array_equal(used, np.arange(1, used.size + 1)):
            msg = f"zone numbers must run from 1 without a gap, got {used.tolist()}"
            raise ValueError(msg)

    @classmethod
    def whole(cls, cells: int) -> Zones:
        """One zone of all cells."""
        return cls(np.ones(cells, dtype=np.int64))

    @classmethod
    def closed_up(cls, label: npt.ArrayLike) -> Zones:
        """Zones 1 ... count in the order of any whole-number labels, a cell vector.

        >>> Zones.closed_up([7, 2, 7, 4]).number
        array([3, 1, 3, 2])
        """
        return cls(np.unique(label, return_inverse=True)[1].reshape(-1) + 1)

    @property
    def count(self) -> int:
        """How many zones there are."""
        return int(self.number.max())


@dataclass(frozen=True, slots=True)
class Memberships:
    """To what degree every cell belongs to every zone.

    Attributes
    ----------
    grade
        (cells, zones) from 0 to 1, each row summing to 1.
    """

    grade: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "grade", frozen_floats(self.grade, shape=(None, None)))

    @property
    def zones(self) -> Zones:
        """Every cell in the zone it belongs to most; zones without a cell are closed up."""
        return Zones.closed_up(self.grade.argmax(axis=1))


@dataclass(frozen=True, slots=True)
class ZoneChoice:
    """The zones taken, and what any number of them was expected to lose.

    Attributes
    ----------
    zones
        What was taken.
    loss
        number of zones -> mean expected loss per ha of all that were tried, one zone among them.
    loss_as_grouped
        The same of the zones taken, before they were made workable; ``None`` where they are as they were.
    alike
        number of zones -> pairs of touching zones that the samples cannot tell apart, where there are any.
    fuzziness
        number of zones -> fuzzy performance index and normalised classification entropy, where zones are fuzzy.
    memberships
        Grades of the zones taken, before they were made workable; ``None`` where zones are not fuzzy.
    own
        quantity -> (zones,) number of its own zone that each zone is a part of, where quantities have zones of their
        own; empty where all share the zones.
    notes
        What was said while they were chosen.
    certainty
        Cell vector: how likely each cell, its supply known without error, is most like its own zone; ``None`` for one
        zone.
    """

    zones: Zones
    loss: Mapping[int, float]
    loss_as_grouped: float | None = None
    alike: Mapping[int, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    fuzziness: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    memberships: Memberships | None = None
    certainty: FloatArray | None = None
    own: Mapping[str, IntArray] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        for name in ("loss", "alike", "fuzziness"):
            object.__setattr__(self, name, MappingProxyType(dict(sorted(getattr(self, name).items()))))
        own = {quantity: frozen_ints(number, shape=(self.zones.count,)) for quantity, number in self.own.items()}
        object.__setattr__(self, "own", MappingProxyType(own))
        if self.certainty is not None:
            object.__setattr__(self, "certainty", frozen_floats(self.certainty, shape=self.zones.number.shape))

    def zones_of(self, quantity: str) -> Zones:
        """Zones in which a quantity's need has one rate each."""
        return Zones(self.own[quantity][self.zones.number - 1]) if quantity in self.own else self.zones


@dataclass(frozen=True, slots=True)
class Outlines:
    """Outlines of all zones, a valid coverage of the field: no gap, no overlap, shared edges identical.

    Attributes
    ----------
    zone
        (count) zone numbers 1 ... count.
    area
        (count) one geometry a zone in the working CRS; their union is the field.
    """

    zone: tuple[int, ...]
    area: tuple[MultiPolygon, ...]

    @property
    def area_ha(self) -> FloatArray:
        """(count,) ha."""
        return np.array([area.area for area in self.area]) / 10_000
