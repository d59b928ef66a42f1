"""Rows with a place, from a table or from the points of a vector file, and the CRS their coordinates are in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import Point

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary, source_crs
from zonemap.io.sources import FieldFolder, one_line
from zonemap.io.tables import MOST_COLUMNS, MOST_HEADER, TABLE_SUFFIXES, Row, Table, read_table
from zonemap.io.vectors import VECTOR_SUFFIXES, Feature, Layer, read_layer
from zonemap.values.arrays import FloatArray

if TYPE_CHECKING:
    from pyproj import CRS

PLACED_SUFFIXES = TABLE_SUFFIXES + VECTOR_SUFFIXES
#: what lies further out than this share of the field's diagonal, or this many metres, is not of the field
_FAR_SHARE, _FAR_M = 0.1, 20.0


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows with their positions as read; `position` is (rows, 2) with NaN where a row has none, or ``None``."""

    table: Table
    position: FloatArray | None
    layer: Layer | None = None


def load_sheet(folder: FieldFolder, path: Path, *, layer: str | None, sheet: str | None) -> Sheet:
    """Rows of a table, or of a vector file with the positions it holds.

    Raises
    ------
    InputError
        When the file cannot be read, or a feature is not one point.
    """
    if path.suffix.lower() in TABLE_SUFFIXES:
        return Sheet(read_table(folder, path, sheet=sheet), None)
    return layer_sheet(read_layer(folder, path, layer=layer))


def layer_sheet(read: Layer) -> Sheet:
    """Rows of a vector file with the positions it holds.

    Raises
    ------
    InputError
        When a feature is not one point.
    """
    keys, rows = layer_rows(read)
    position = np.array([_position(feature, where=read.name) for feature in read.features]).reshape(-1, 2)
    return Sheet(Table(read.name, keys, rows, notes=read.notes), position, read)


def layer_rows(read: Layer) -> tuple[tuple[str, ...], tuple[Row, ...]]:
    """Headers and rows of what a vector file says of its features.

    Raises
    ------
    InputError
        When it says too much.
    """
    keys = tuple(dict.fromkeys(key for feature in read.features for key in feature.properties))
    if len(keys) > MOST_COLUMNS:
        raise InputError(read.name, f"holds {len(keys):,} properties", "Keep only what was measured.")
    headers = tuple(one_line(key)[:MOST_HEADER] for key in keys)
    rows = tuple(Row(f.place, tuple(f.properties.get(key) for key in keys)) for f in read.features)
    return headers, rows


def _position(feature: Feature, *, where: str) -> tuple[float, float]:
    """Coordinates of a point, NaN where there is none."""
    geometry = feature.geometry
    if geometry is None or geometry.is_empty:
        return float("nan"), float("nan")
    parts = shapely.get_parts(geometry)
    if len(parts) != 1 or not isinstance(parts[0], Point):
        mend = "Give every sample one point."
        raise InputError(f"{where}, {feature.place}", f"is a {geometry.geom_type}, not a point", mend)
    return parts[0].x, parts[0].y


def places_crs(sheet: Sheet, stated: str | None, *, geographic: bool, where: str, key: str) -> CRS:
    """CRS of the positions as read.

    Parameters
    ----------
    stated
        What field.toml says of it.
    geographic
        Whether the columns give longitude and latitude.
    where, key
        The table of field.toml that names the file, and how to state the CRS there.

    Raises
    ------
    InputError
        When it is not known, or contradicts the columns.
    """
    if sheet.layer is not None:
        return source_crs(sheet.layer, stated, where=sheet.table.name, key=key)
    where = f"{where}, crs"
    if stated is None and not geographic:
        mend = 'Say which: crs = "EPSG:32614", or give longitude and latitude columns.'
        raise InputError(where, "is missing; eastings and northings mean nothing without it", mend)
    source = coordinates.stated_crs(stated or coordinates.WGS84, where=where)
    if source.is_geographic != geographic:
        kind, pair = ("projected", "longitude and latitude") if geographic else ("geographic", "easting and northing")
        mend = "Name the columns easting and northing, or longitude and latitude, as the CRS asks."
        raise InputError(where, f"{coordinates.code_of(source)} is {kind}, but columns give {pair}", mend)
    return source


def far_from_field_m(boundary: Boundary) -> float:
    """Distance from the field beyond which nothing is of it, m."""
    west, south, east, north = boundary.area.bounds
    return max(_FAR_M, _FAR_SHARE * float(np.hypot(east - west, north - south)))
