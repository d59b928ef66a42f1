"""What the machine is told: single polygons, and a product rate on each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from shapely import Polygon

from zonemap.units import UnitSystem
from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.season import Product


@dataclass(frozen=True, slots=True)
class Application:
    """One product on one day.

    Attributes
    ----------
    product, on
        What, and when (``None`` where no day was named).
    planned_kg_ha
        (zones,) product rate that the need asks for.
    rate_kg_ha
        (zones,) the same after the machine's limits and step.
    parts
        For a blend: product -> share of its mass; empty otherwise.
    """

    product: Product
    on: date | None
    planned_kg_ha: FloatArray
    rate_kg_ha: FloatArray
    parts: tuple[tuple[Product, float], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "planned_kg_ha", frozen_floats(self.planned_kg_ha, shape=(None,)))
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=self.planned_kg_ha.shape))


@dataclass(frozen=True, slots=True)
class Prescription:
    """Polygons with zone numbers, and what each zone gets.

    Attributes
    ----------
    units
        Rates in files are lb/ac or kg/ha.
    crs
        Working CRS of `polygon`.
    polygon
        Single-part, a valid coverage of the field, holes kept.
    zone
        (polygons,) zone number; 0 where nothing may be spread.
    applications
        One an own (product, day); rates are by zone number 1 ... count.
    """

    units: UnitSystem
    crs: str
    polygon: tuple[Polygon, ...]
    zone: IntArray
    applications: tuple[Application, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone", frozen_ints(self.zone, shape=(len(self.polygon),)))

    @property
    def area_ha(self) -> FloatArray:
        """(polygons,) ha."""
        return np.array([polygon.area for polygon in self.polygon]) / 10_000

    def polygon_rates(self, application: Application) -> FloatArray:
        """(polygons,) product rate, kg/ha: the zone's, and 0 in no-spread areas."""
        return np.concatenate([[0.0], application.rate_kg_ha])[self.zone]

    def total_kg(self, application: Application) -> float:
        """Product total: sum of rate x area over the polygons."""
        return float(self.polygon_rates(application) @ self.area_ha)
