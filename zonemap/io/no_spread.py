"""Areas where nothing may be spread: polygons, points with a radius, lines and polygons with a distance around them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary, source_crs
from zonemap.io.decisions import one_of
from zonemap.io.field_file import NAME, NoSpreadTable
from zonemap.io.sources import FieldFolder
from zonemap.io.vectors import read_layer
from zonemap.units import M_PER_FT
from zonemap.values.field import NoSpread
from zonemap.values.note import Note

if TYPE_CHECKING:
    from pyproj import CRS

#: farthest that zones can be asked to reach past the boundary
MOST_EXTENSION_M = 310.0
_QUARTER_SEGMENTS = 32
#: a buffer's polygon lies inside its circle; widened so that it lies outside: no spot within the distance is missed
_WIDEN = 1 / math.cos(math.pi / (4 * _QUARTER_SEGMENTS))


def read_no_spread(
    folder: FieldFolder, tables: Sequence[NoSpreadTable], boundary: Boundary
) -> tuple[tuple[NoSpread, ...], MultiPolygon, tuple[Note, ...]]:
    """Read the no-spread areas; one that misses the field is left out of the first with a warning.

    Returns
    -------
    tuple of NoSpread
        Clipped to the boundary.
    MultiPolygon
        All of them together as far as zones may reach past the boundary.
    tuple of Note
        What was mended or left out.

    Raises
    ------
    InputError
        Naming the table's number and key.
    """
    areas, notes, everything = [], [], []
    for number, table in enumerate(tables, start=1):
        where = f"{NAME}, no_spread {number}"
        shapes, more = _shapes(folder, table, where, boundary)
        notes += more
        whole = shapely.union_all(shapes)
        everything.append(whole)
        clipped = _polygonal(shapely.intersection(whole, boundary.area))
        if clipped.is_empty:
            text = f"{where} ('{table.reason}'): lies outside the field, so nothing is left out for it."
            notes.append(Note("warning", text))
        else:
            areas.append(NoSpread(table.reason, clipped))
    return tuple(areas), _near(everything, boundary), tuple(notes)


def _near(shapes: list[BaseGeometry], boundary: Boundary) -> MultiPolygon:
    """Union of the shapes within the farthest that zones may reach."""
    if not shapes:
        return MultiPolygon()
    reach = shapely.box(*boundary.area.bounds).buffer(MOST_EXTENSION_M, join_style="mitre")
    return _polygonal(shapely.intersection(shapely.union_all(shapes), reach))


def _shapes(
    folder: FieldFolder, table: NoSpreadTable, where: str, boundary: Boundary
) -> tuple[list[BaseGeometry], list[Note]]:
    """Shapes of one table, widened, in the working CRS."""
    stated = [key for key in ("file", "point", "line", "polygon") if getattr(table, key) is not None]
    if len(stated) > 1:
        what = f"has both {stated[0]} and {stated[1]}"
        raise InputError(where, what, "Make two [[no_spread]] tables of it.")
    if table.point is None and (table.radius_ft is not None or table.radius_m is not None):
        mend = "Write distance_ft or distance_m beside a file, a line or a polygon."
        raise InputError(where, "has a radius without a point", mend)
    if table.file is not None:
        return _file(folder, table, where, boundary)
    if table.line is not None or table.polygon is not None:
        return _drawn(table, where, boundary)
    return _point(table, where, boundary)


def _distance(table: NoSpreadTable, where: str) -> float | None:
    keys = ("distance_ft", "distance_m")
    return one_of(table.distance_ft, table.distance_m, factor=M_PER_FT, keys=keys, where=where)


def _drawn(table: NoSpreadTable, where: str, boundary: Boundary) -> tuple[list[BaseGeometry], list[Note]]:
    """Line or polygon of longitudes and latitudes in the table itself."""
    key, places = ("line", table.line) if table.line is not None else ("polygon", table.polygon or [])
    distance = _distance(table, where)
    if key == "line" and distance is None:
        mend = "Say how far to stay away: distance_ft or distance_m."
        raise InputError(f"{where}, distance_m", "is missing beside a line", mend)
    wrong = next(((x, y) for x, y in places if abs(y) > 90 or abs(x) > 360), None)
    if wrong is not None:
        what = f"[{wrong[0]:g}, {wrong[1]:g}] is not longitude, latitude in degrees"
        raise InputError(f"{where}, {key}", what, f"Write longitude first: {key} = [[-97.5, 41.0], ...].")
    drawn = LineString(places) if key == "line" else Polygon(places)
    if drawn.length == 0:
        raise InputError(f"{where}, {key}", "all its places are the same", f"Write the {key}'s own places.")
    notes = []
    if not drawn.is_valid:
        notes.append(Note("repair", f"{where}: the outline crosses itself; all that it encloses is left out."))
    return _around([drawn], distance or 0.0, coordinates.WGS84, boundary, where=where), notes


def _point(table: NoSpreadTable, where: str, boundary: Boundary) -> tuple[list[BaseGeometry], list[Note]]:
    """Disc around a longitude and latitude."""
    if table.point is None:
        mend = "Give it a file, or a point and radius_ft or radius_m, or a line or a polygon."
        raise InputError(where, "has no place", mend)
    keys = ("radius_ft", "radius_m")
    radius = one_of(table.radius_ft, table.radius_m, factor=M_PER_FT, keys=keys, where=where)
    if radius is None:
        raise InputError(f"{where}, radius_m", "is missing", "Give the point radius_ft or radius_m.")
    if table.distance_ft is not None or table.distance_m is not None:
        raise InputError(where, "has a point and a distance", "Write radius_ft or radius_m beside a point.")
    longitude, latitude = table.point
    if abs(latitude) > 90 or abs(longitude) > 360:
        what = f"[{longitude:g}, {latitude:g}] is not longitude, latitude in degrees"
        raise InputError(f"{where}, point", what, "Write longitude first: point = [-97.5, 41.0].")
    disc = _around([Point(longitude, latitude)], radius, coordinates.WGS84, boundary, where=where)
    if not disc[0].intersects(boundary.area) and abs(longitude) <= 90:
        at = coordinates.transform_points([latitude], [longitude], source=coordinates.WGS84, target=boundary.crs)
        if np.isfinite(at).all() and boundary.area.distance(Point(at[0][0], at[1][0])) <= radius:
            what = f"[{longitude:g}, {latitude:g}] meets the field only when exchanged"
            raise InputError(f"{where}, point", what, "Write longitude first: point = [-97.5, 41.0].")
    return disc, []


def _file(
    folder: FieldFolder, table: NoSpreadTable, where: str, boundary: Boundary
) -> tuple[list[BaseGeometry], list[Note]]:
    """Shapes of a file, widened by the distance where one is given."""
    layer = read_layer(folder, folder.find(table.file or "", where=f"{where}, file"), layer=table.layer)
    shapes = [f.geometry for f in layer.features if f.geometry is not None and not f.geometry.is_empty]
    if not shapes:
        raise InputError(layer.name, "holds no shape", "Draw the area, or remove the [[no_spread]] table.")
    distance = _distance(table, where)
    lines = next((s for s in shapes if not isinstance(s, Polygon | MultiPolygon)), None)
    if lines is not None and distance is None:
        mend = "Say how far to stay away: distance_ft or distance_m."
        raise InputError(f"{where}, distance_m", f"is missing; {layer.name} holds a {lines.geom_type}", mend)
    key = f'crs = "EPSG:..." under [[no_spread]] {table.file}'
    source = source_crs(layer, table.crs, where=layer.name, key=key)
    for at in (shapely.get_coordinates(each) for each in shapes):
        swap = "Export it with longitude first"
        coordinates.refuse_wrong_scale(at[:, 0], at[:, 1], source, where=layer.name, key=key, swap=swap)
    placed = _around(shapes, distance or 0.0, source, boundary, where=layer.name)
    notes = list(layer.notes)
    if not all(shapely.is_valid(each) for each in shapes):
        notes.append(Note("repair", f"{layer.name}: an outline crosses itself; all that it encloses is left out."))
    return placed, notes


def _around(
    shapes: Sequence[BaseGeometry], distance_m: float, source: CRS | str, boundary: Boundary, *, where: str
) -> list[BaseGeometry]:
    """Valid shapes in the working CRS, widened by a distance."""
    moved = [coordinates.transform_shape(s, source=source, target=boundary.crs, where=where) for s in shapes]
    valid = [shapely.make_valid(shape, method="structure", keep_collapsed=False) for shape in moved]
    if not distance_m:
        return valid
    return [shapely.buffer(shape, distance_m * _WIDEN, quad_segs=_QUARTER_SEGMENTS) for shape in valid]


def _polygonal(geometry: BaseGeometry) -> MultiPolygon:
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return MultiPolygon([part for part in parts if isinstance(part, Polygon) and part.area > 0])
