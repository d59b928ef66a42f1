"""The prescription as the rows of a file: rates and areas in the reader's units, outlines in degrees."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.errors import OutputError
from zonemap.io.names import plain_text
from zonemap.units import UnitSystem
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.file_units import HA_PER_AREA, ROW_DECIMALS, file_units
from zonemap.values.prescription import Application, Prescription

WGS84 = "EPSG:4326"
#: the day that stands in a file where the caller names none: files must not carry the clock
UNSTATED_DAY = date(1980, 1, 1)
ADVICE = (
    "Rates are advice from the data given. Local codes, the nutrient management plan and licensed practice come first."
)
#: a layer of 100 m: whatever asks for more is a slip, and rounding it could overflow
_ABSURD_KG_HA = 1e9
#: 1e-9 degree is about a tenth of a millimetre on the ground: coarser rounding folds the outlines of small places
DEGREE_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class ApplicationRows:
    """One application, one row a polygon.

    Attributes
    ----------
    product, on
        What, and when.
    zone
        (polygons,) zone number, 0 where nothing may be spread.
    rate, rate_unit
        (polygons,) product rate; by volume for a liquid.
    area, area_unit
        (polygons,) area inside the field.
    total, total_unit
        Sum of rate x area before any rounding.
    """

    product: str
    on: date | None
    zone: IntArray
    rate: FloatArray
    rate_unit: str
    area: FloatArray
    area_unit: str
    total: float
    total_unit: str


def area_in(units: UnitSystem, area_ha: FloatArray) -> FloatArray:
    """Areas in the reader's unit, ac or ha."""
    return np.round(exact_area_in(units, area_ha), ROW_DECIMALS)


def exact_area_in(units: UnitSystem, area_ha: FloatArray) -> FloatArray:
    """The same before rounding: what totals are made of."""
    return area_ha / HA_PER_AREA[units]


def application_rows(prescription: Prescription, application: Application, *, where: str) -> ApplicationRows:
    """Rates and areas of one application in the prescription's unit system.

    Raises
    ------
    OutputError
        When a rate is negative, no number, or beyond all sense; `where` names the file that would have held it.
    """
    units = file_units(prescription.units, application.product)
    rate_kg_ha = prescription.polygon_rates(application)
    bad = np.flatnonzero(~((rate_kg_ha >= 0) & (rate_kg_ha < _ABSURD_KG_HA)))
    if bad.size:
        what = f"{application.product.name} has the rate {rate_kg_ha[bad[0]]} kg/ha in zone {prescription.zone[bad[0]]}"
        raise OutputError(where, what, "A rate must be a number from 0 to 1e9: check prices, analysis and limits.")
    return ApplicationRows(
        plain_text(application.product.name),
        application.on,
        prescription.zone,
        np.round(rate_kg_ha / units.kg_ha_per_rate, ROW_DECIMALS) + 0.0,
        units.rate_unit,
        area_in(prescription.units, prescription.area_ha),
        units.area_unit,
        prescription.total_kg(application) / units.kg_per_amount,
        units.amount_unit,
    )


def rates_elsewhere(prescription: Prescription) -> tuple[str, str]:
    """Rate outside all polygons, and rate while the position is lost, in each unit that the applications have."""
    units_of = [file_units(prescription.units, each.product) for each in prescription.applications]

    def text(rate_kg_ha: float) -> str:
        texts = dict.fromkeys(f"{rate_kg_ha / each.kg_ha_per_rate:.4g} {each.rate_unit}" for each in units_of)
        return " or ".join(texts) or "0"

    return text(prescription.outside_rate_kg_ha), text(prescription.position_lost_rate_kg_ha)


def polygons_in_degrees(prescription: Prescription, *, clockwise: bool, where: str) -> tuple[Polygon, ...]:
    """Longitude and latitude (WGS 84) of every polygon, shared vertices still identical.

    Every vertex goes through the same projection and is rounded to `DEGREE_DECIMALS`, wherever it occurs.

    Parameters
    ----------
    clockwise
        Turn of the outer rings: shapefiles want clockwise, simple features the other way.

    Raises
    ------
    OutputError
        When a polygon is too narrow to survive the rounding, or lies outside the area of use of its CRS.
    """
    degrees, number = _in_degrees(prescription.polygon, prescription.crs, clockwise)
    if number is not None:
        what = (
            f"polygon {number + 1} (zone {prescription.zone[number]}) is narrower than 0.1 mm"
            f" or lies outside {prescription.crs}"
        )
        raise OutputError(where, what, "Raise the smallest zone area, or set another working_crs in field.toml.")
    return degrees


# every format, and the reading back of each, asks for the same outlines
@lru_cache(maxsize=4)
def _in_degrees(polygons: tuple[Polygon, ...], crs: str, clockwise: bool) -> tuple[tuple[Polygon, ...], int | None]:  # noqa: FBT001 - a key of the memory
    """Outlines, and the number of the first that does not survive."""
    degrees = shapely.transform(np.array(polygons, dtype=object), _to_degrees(crs))
    lost = np.flatnonzero(~(shapely.is_valid(degrees) & (shapely.area(degrees) > 0)))
    oriented = tuple(shapely.orient_polygons(degrees, exterior_cw=clockwise).tolist())
    return oriented, int(lost[0]) if lost.size else None


def as_multi(area: Polygon | MultiPolygon) -> MultiPolygon:
    """The same area as one multipolygon."""
    return area if isinstance(area, MultiPolygon) else MultiPolygon([area])


def wkb(geometries: Sequence[shapely.Geometry]) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Well-known binary of each geometry; an empty array for none."""
    array = np.empty(len(geometries), dtype=object)
    array[:] = geometries
    return np.asarray(shapely.to_wkb(array), dtype=object)


def _to_degrees(crs: str) -> Callable[[FloatArray], FloatArray]:
    """A function of (vertices, 2) eastings and northings."""
    from pyproj import Transformer

    transformer = Transformer.from_crs(crs, WGS84, always_xy=True)

    def degrees(vertices: FloatArray) -> FloatArray:
        longitude, latitude = transformer.transform(vertices[:, 0], vertices[:, 1])
        return np.round(np.column_stack([longitude, latitude]), DEGREE_DECIMALS)

    return degrees
