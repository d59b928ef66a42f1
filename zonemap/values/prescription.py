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
    limited_kg_ha
        (zones,) `rate_kg_ha` before some of it was set by hand; ``None`` where none was.
    """

    product: Product
    on: date | None
    planned_kg_ha: FloatArray
    rate_kg_ha: FloatArray
    parts: tuple[tuple[Product, float], ...] = ()
    limited_kg_ha: FloatArray | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "planned_kg_ha", frozen_floats(self.planned_kg_ha, shape=(None,)))
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=self.planned_kg_ha.shape))
        if self.limited_kg_ha is not None:
            limited = frozen_floats(self.limited_kg_ha, shape=self.planned_kg_ha.shape)
            object.__setattr__(self, "limited_kg_ha", limited)


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
        Single-part, a valid coverage of the field, holes kept; those on its edge may reach past its boundary.
    zone
        (polygons,) zone number; 0 where nothing may be spread.
    applications
        One an own (product, day); rates are by zone number 1 ... count.
    inside_ha
        (polygons,) area inside the field; ``None`` where no polygon reaches past the boundary.
    drawn_ha
        (zones,) area to be spread before small polygons joined their neighbours; ``None`` where none did.
    outside_rate_kg_ha, position_lost_rate_kg_ha
        Rate where no polygon lies, and while the machine does not know where it is.
    """

    units: UnitSystem
    crs: str
    polygon: tuple[Polygon, ...]
    zone: IntArray
    applications: tuple[Application, ...]
    inside_ha: FloatArray | None = None
    drawn_ha: FloatArray | None = None
    outside_rate_kg_ha: float = 0.0
    position_lost_rate_kg_ha: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone", frozen_ints(self.zone, shape=(len(self.polygon),)))
        if self.inside_ha is not None:
            object.__setattr__(self, "inside_ha", frozen_floats(self.inside_ha, shape=(len(self.polygon),)))
        if self.drawn_ha is not None:
            object.__setattr__(self, "drawn_ha", frozen_floats(self.drawn_ha, shape=(None,)))

    @property
    def whole_area_ha(self) -> FloatArray:
        """(polygons,) ha, with what lies past the boundary."""
        return np.array([polygon.area for polygon in self.polygon]) / 10_000

    @property
    def area_ha(self) -> FloatArray:
        """(polygons,) ha inside the field: what lies past the boundary counts nowhere."""
        return self.whole_area_ha if self.inside_ha is None else self.inside_ha

    def zone_area_ha(self, zones: int) -> FloatArray:
        """(zones,) ha inside the field that each zone's rate is spread on."""
        return np.asarray(np.bincount(self.zone, weights=self.area_ha, minlength=zones + 1)[1:], dtype=np.float64)

    def polygon_rates(self, application: Application) -> FloatArray:
        """(polygons,) product rate, kg/ha: the zone's, and 0 in no-spread areas."""
        return np.concatenate([[0.0], application.rate_kg_ha])[self.zone]

    def total_kg(self, application: Application) -> float:
        """Product total of the field: sum of rate x area over the polygons."""
        return float(self.polygon_rates(application) @ self.area_ha)

    def polygons_kg(self, application: Application) -> float:
        """What the polygons add up to as they stand: the field's total, and what lies past the boundary."""
        return float(self.polygon_rates(application) @ self.whole_area_ha)

    def beyond_kg(self, application: Application) -> float:
        """Product that the file would put past the boundary if the machine went there."""
        return float(self.polygon_rates(application) @ np.maximum(self.whole_area_ha - self.area_ha, 0.0))
