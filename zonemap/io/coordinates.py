"""Coordinate reference systems: what a file says, what its numbers look like, and the working CRS in metres."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.io.sources import shown
from zonemap.values.arrays import FloatArray

if TYPE_CHECKING:
    from pyproj import CRS

Shape = TypeVar("Shape", bound=BaseGeometry)

WGS84 = "EPSG:4326"
#: transverse Mercator zones end here (NGA.SIG.0012, The Universal Grids, 2014; from memory)
_MOST_UTM_LATITUDE = 84.0
#: largest disagreement of an area in the working CRS with the ellipsoid, as a share
MOST_AREA_DISTORTION = 0.005


def stated_crs(text: str, *, where: str) -> CRS:
    """CRS that a key of field.toml names as ``EPSG:...``.

    Raises
    ------
    InputError
        When it is not such a code, or a code nobody knows.
    """
    mend = 'Write an EPSG code, e.g. "EPSG:32614" or "EPSG:4326".'
    if not re.fullmatch(r"EPSG:\d{4,6}", text.strip(), re.IGNORECASE | re.ASCII):
        raise InputError(where, f"{shown(text)} is not an EPSG code", mend)
    return _checked(_parsed(text.strip().upper(), where=where, mend=mend), where=where)


def file_crs(text: str, *, where: str) -> CRS:
    """CRS that a file carries, as WKT or authority and code."""
    mend = "Export the file again in WGS 84 longitude and latitude."
    return _checked(_parsed(text, where=where, mend=mend), where=where)


def _parsed(text: str, *, where: str, mend: str) -> CRS:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(text).to_2d()
    except CRSError as error:
        raise InputError(where, f"{shown(text)} is not a CRS anybody knows", mend) from error


def _checked(crs: CRS, *, where: str) -> CRS:
    if not (crs.is_geographic or crs.is_projected):
        mend = "Export the file again in WGS 84 longitude and latitude."
        raise InputError(where, f"{shown(crs.name)} is neither geographic nor projected", mend)
    return crs


def code_of(crs: CRS) -> str:
    """``AUTHORITY:CODE`` where there is one, else the name."""
    authority = crs.to_authority()
    return ":".join(authority) if authority else crs.name


def refuse_wrong_scale(
    first: FloatArray, second: FloatArray, crs: CRS, *, where: str, key: str, swap: str, places: Sequence[str] = ()
) -> None:
    """Refuse degrees in a projected CRS and metres in a geographic one.

    Parameters
    ----------
    first, second
        (n,) easting or longitude, northing or latitude, as read.
    key, swap
        How to state the right CRS, and how to exchange the coordinates, for the mend.
    places
        (n) where each is found; empty when `where` says it all.
    """
    if crs.is_projected and first.size and np.all(np.abs(first) <= 360) and np.all(np.abs(second) <= 360):
        what = f"values look like degrees ({first[0]:.5g}, {second[0]:.5g}) but the CRS is {code_of(crs)}"
        raise InputError(where, what, f"Give the CRS the numbers are in: {key}, or export them again.")
    beyond = (np.abs(first) > 360) | (np.abs(second) > 90)
    if not crs.is_geographic or not beyond.any():
        return
    bad = int(np.argmax(beyond))
    place = f"{where}, {places[bad]}" if places else where
    if abs(second[bad]) <= 360 and abs(first[bad]) <= 90:
        what = f"latitude {second[bad]:.6g} is beyond 90, so longitude and latitude look swapped"
        raise InputError(place, what, f"{swap}, or correct the file.")
    what = f"values look like metres ({first[bad]:.7g}, {second[bad]:.7g}) but the CRS is {code_of(crs)}, in degrees"
    raise InputError(place, what, f"Give the projected CRS the numbers are in: {key}, or correct them.")


def transform_points(
    first: npt.ArrayLike, second: npt.ArrayLike, *, source: CRS | str, target: CRS | str
) -> tuple[FloatArray, FloatArray]:
    """Coordinates (easting or longitude first) in another CRS; not finite where the CRS does not reach."""
    from pyproj import Transformer

    transformer = Transformer.from_crs(source, target, always_xy=True)
    easting, northing = transformer.transform(np.asarray(first, dtype=float), np.asarray(second, dtype=float))
    return np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)


def transform_shape(geometry: Shape, *, source: CRS | str, target: CRS | str, where: str) -> Shape:
    """Geometry in another CRS.

    Raises
    ------
    InputError
        Where the target does not reach.
    """

    def to_target(coordinates: FloatArray) -> FloatArray:
        return np.column_stack(transform_points(coordinates[:, 0], coordinates[:, 1], source=source, target=target))

    moved = shapely.transform(geometry, to_target)
    if not np.isfinite(shapely.get_coordinates(moved)).all():
        what = f"coordinates lie where {target if isinstance(target, str) else code_of(target)} does not reach"
        raise InputError(where, what, "Check the CRS of the file and working_crs under [field].")
    return moved


def utm_zone(longitude: float, latitude: float, *, where: str) -> str:
    """EPSG code of the WGS 84 UTM zone; zones of 6 degrees from 180 W, their Nordic exceptions left aside.

    >>> utm_zone(-97.5, 41.0, where=""), utm_zone(179.9, -17.0, where="")
    ('EPSG:32614', 'EPSG:32760')
    """
    if abs(latitude) > _MOST_UTM_LATITUDE:
        mend = 'Set working_crs = "EPSG:..." under [field] to a polar CRS in metres.'
        raise InputError(where, f"latitude {latitude:.2f} is beyond the UTM zones", mend)
    zone = int(((longitude + 180) % 360) // 6) + 1
    return f"EPSG:{326 if latitude >= 0 else 327}{zone:02d}"


def working_crs(text: str, *, where: str) -> CRS:
    """Projected CRS in metres that the user names for the computation."""
    mend = 'Set working_crs = "auto", or to a projected CRS in metres.'
    crs = stated_crs(text, where=where)
    if not crs.is_projected:
        raise InputError(where, f"{code_of(crs)} is in degrees", mend)
    unit = crs.axis_info[0]
    if not math.isclose(unit.unit_conversion_factor, 1.0):
        raise InputError(where, f"{code_of(crs)} is in {unit.unit_name}", mend)
    return crs


def geodesic_area_m2(geometry: shapely.MultiPolygon) -> float:
    """Area on the WGS 84 ellipsoid of polygons in longitude and latitude (Karney 2013, J. Geodesy 87:43-55)."""
    from pyproj import Geod

    geod = Geod(ellps="WGS84")

    def ring(line: shapely.LinearRing) -> float:
        return float(abs(geod.polygon_area_perimeter(*shapely.get_coordinates(line).T)[0]))

    return sum(ring(part.exterior) - sum(ring(hole) for hole in part.interiors) for part in geometry.geoms)


def refuse_distorted(area_m2: float, true_area_m2: float, *, crs: str, where: str) -> None:
    """Refuse a working CRS in which the field's area is off by more than 0.5 %."""
    off = area_m2 / max(true_area_m2, 1e-9) - 1
    if abs(off) > MOST_AREA_DISTORTION:
        what = f"{crs} makes the field's area {off:+.1%} wrong"
        raise InputError(where, what, 'Set working_crs = "auto", or to a CRS made for this place.')


def unwrapped(geometry: Shape) -> Shape:
    """Longitudes east of 180 instead of jumping to -180, where a shape spans more than half the globe."""
    west, _, east, _ = geometry.bounds
    if east - west <= 180:
        return geometry
    return shapely.transform(geometry, lambda at: np.column_stack([at[:, 0] % 360, at[:, 1]]))


def swapped(geometry: Shape) -> Shape:
    """First and second coordinate exchanged."""
    return shapely.transform(geometry, lambda at: at[:, ::-1])
