"""What was spread beside what was planned, cell by cell, by zone and in all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from zonemap.units import UnitSystem
from zonemap.values.arrays import BoolArray, FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.delivery import relative_error, within
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.prescription import Application, Prescription
from zonemap.values.spread import Laid

#: a cell counts as covered from half of it on, and as covered twice when that is nearer than once
_COVERED, _TWICE = 0.5, 1.5


@dataclass(frozen=True, slots=True)
class ZoneSpread:
    """One zone, or all that is to be spread.

    Attributes
    ----------
    zone
        Number; ``None`` for all zones together.
    area_ha
        On which something may be spread.
    planned_kg_ha, spread_kg_ha
        Mean product rates; ground that was not covered counts with 0.
    planned_kg, spread_kg
        Product totals.
    within_5_percent, within_10_percent, not_covered, covered_twice
        Shares of the area that was to get something; ``None`` where none was.
    nutrient_kg_ha
        element -> what was put on beyond the plan, negative where it is less; empty where the analysis is not known.
    """

    zone: int | None
    area_ha: float
    planned_kg_ha: float
    spread_kg_ha: float
    planned_kg: float
    spread_kg: float
    within_5_percent: float | None
    within_10_percent: float | None
    not_covered: float | None
    covered_twice: float | None
    nutrient_kg_ha: Mapping[str, float]

    def __post_init__(self) -> None:
        object.__setattr__(self, "nutrient_kg_ha", MappingProxyType(dict(self.nutrient_kg_ha)))

    @property
    def difference_kg_ha(self) -> float:
        """Spread less planned."""
        return self.spread_kg_ha - self.planned_kg_ha


@dataclass(frozen=True, slots=True)
class PassComparison:
    """One planned application and what was logged of it.

    Attributes
    ----------
    application
        As planned.
    log_names, records
        Files of the logs, and how many of their records were used.
    unit
        In which rates were logged.
    swath_m
        Working width that the records were laid out with, the usual one where it changes; NaN where they are polygons.
    zone
        Cell vector of zone numbers, 0 where nothing may be spread.
    area_ha
        Cell vector.
    zone_area_ha
        (zones,) of the polygons: what the plan's totals are made of.
    laid
        What lies on each cell.
    closed_kg
        (reason, mass) by area where nothing may be spread.
    """

    application: Application
    log_names: tuple[str, ...]
    records: int
    unit: str
    swath_m: float
    zone: IntArray
    area_ha: FloatArray
    zone_area_ha: FloatArray
    laid: Laid
    closed_kg: tuple[tuple[str, float], ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone", frozen_ints(self.zone, shape=self.laid.covered.shape))
        object.__setattr__(self, "area_ha", frozen_floats(self.area_ha, shape=self.laid.covered.shape))
        object.__setattr__(
            self, "zone_area_ha", frozen_floats(self.zone_area_ha, shape=self.application.rate_kg_ha.shape)
        )

    @property
    def planned_kg_ha(self) -> FloatArray:
        """Cell vector: the zone's rate, 0 where nothing may be spread."""
        return np.concatenate([[0.0], self.application.rate_kg_ha])[self.zone]

    @property
    def difference_kg_ha(self) -> FloatArray:
        """Cell vector: spread less planned."""
        return self.laid.rate_kg_ha - self.planned_kg_ha

    @property
    def covered(self) -> BoolArray:
        """Cell vector: whether the machine went over it while open."""
        return np.asarray(self.laid.covered >= _COVERED)

    @property
    def twice(self) -> BoolArray:
        """Cell vector: whether it went over it twice or more."""
        return np.asarray(self.laid.covered >= _TWICE)

    @property
    def on_field_kg(self) -> float:
        """Mass on the field, no-spread areas among it."""
        return float(self.laid.rate_kg_ha @ self.area_ha)

    @property
    def on_no_spread_kg(self) -> float:
        """Mass where nothing may be spread."""
        return float(self.laid.rate_kg_ha @ np.where(self.zone > 0, 0.0, self.area_ha))

    @property
    def beyond_kg(self) -> float:
        """Mass beyond the field, by the places in the log."""
        return max(self.laid.total_kg - self.on_field_kg, 0.0)

    @property
    def zones(self) -> tuple[ZoneSpread, ...]:
        """Zones on which something may be spread, by number."""
        return tuple(
            self._spread(number, self.zone == number)
            for number in range(1, self.zone_area_ha.size + 1)
            if np.any(self.zone == number)
        )

    @property
    def whole(self) -> ZoneSpread:
        """All zones together."""
        return self._spread(None, self.zone > 0)

    def _spread(self, number: int | None, cells: BoolArray) -> ZoneSpread:
        application = self.application
        zones = slice(None) if number is None else slice(number - 1, number)
        planned_kg = float(application.rate_kg_ha[zones] @ self.zone_area_ha[zones])
        planned_ha, area = float(self.zone_area_ha[zones].sum()), np.where(cells, self.area_ha, 0.0)
        spread_kg = float(self.laid.rate_kg_ha @ area)
        planned = planned_kg / planned_ha if planned_ha else 0.0
        spread = spread_kg / area.sum() if area.any() else 0.0
        error = relative_error(self.laid.rate_kg_ha, self.planned_kg_ha)
        meant = np.where(self.planned_kg_ha > 0, area, 0.0)
        return ZoneSpread(
            zone=number,
            area_ha=planned_ha,
            planned_kg_ha=planned,
            spread_kg_ha=float(spread),
            planned_kg=planned_kg,
            spread_kg=spread_kg,
            within_5_percent=_share(meant, within(error, 0.05)),
            within_10_percent=_share(meant, within(error, 0.10)),
            not_covered=_share(meant, ~self.covered),
            covered_twice=_share(meant, self.twice),
            nutrient_kg_ha={
                element: share * (float(spread) - planned) for element, share in application.product.analysis.items()
            },
        )


def _share(area_ha: FloatArray, which: BoolArray) -> float | None:
    return float(area_ha[which].sum() / area_ha.sum()) if area_ha.any() else None


@dataclass(frozen=True, slots=True)
class SpreadComparison:
    """Everything the writers of such a comparison are given."""

    field: Field
    units: UnitSystem
    prescription: Prescription
    grid: Grid
    passes: tuple[PassComparison, ...]
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]
