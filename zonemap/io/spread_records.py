"""The records of a log of what was spread: points with what each stands for, or polygons, in the working CRS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary, source_crs
from zonemap.io.columns import GEOGRAPHIC, PROJECTED, coordinate_headers, guess_role, require_column
from zonemap.io.decisions import one_of
from zonemap.io.located import Sheet, far_from_field_m, layer_rows, places_crs
from zonemap.io.logged import (
    Places,
    left_out_note,
    logged_decimal,
    logged_numbers,
    logged_places,
    near_field,
    placed_anyhow,
)
from zonemap.io.numbers import DecimalMark
from zonemap.io.sources import one_line, shown
from zonemap.io.spread_table import SpreadTable
from zonemap.io.tables import Table
from zonemap.io.vectors import Layer
from zonemap.units import HA_PER_AC, M_PER_FT
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.note import Note
from zonemap.values.spread import PointLog, PolygonLog

if TYPE_CHECKING:
    from pyproj import CRS

_METRES = {"ft": M_PER_FT, "m": 1.0}
_SQUARE_METRES = {"ac": HA_PER_AC * 10_000, "ha": 10_000.0, "ft2": M_PER_FT**2, "m2": 1.0}
#: nothing is spread at more (a layer of 100 m): whatever asks for more is a slip
_ABSURD_KG_HA = 1e9
#: no machine is wider, and no record stands for more ground
_WIDEST_M, _LARGEST_M2 = 150.0, 1e7
_MEASURES = ("area", "distance", "swath")
_SWAP = "Set swap = true under [[spread]]"


def point_log(
    sheet: Sheet, table: SpreadTable, boundary: Boundary, *, kg_ha: float, swath_m: float | None, where: str
) -> tuple[PointLog, tuple[Note, ...]]:
    """Points with a rate, in the field or near it, in the order of the file.

    Parameters
    ----------
    kg_ha
        What the unit of the rates is.
    swath_m
        Working width where the table states none; ``None`` where nobody does.
    where
        The table in field.toml, for messages about its keys.

    Raises
    ------
    InputError
        Naming the key, or the row, and the mend.
    """
    rows, label = sheet.table, sheet.table.name
    _refuse_empty(rows)
    stated: dict[str, str] = {role: one_line(header) for role, header in (table.columns or {}).items()}
    place, geographic, guessed = _place_headers(sheet, stated, where=f"{where}, columns")
    value = _rate_header(rows, table, taken=place or (), where=where)
    measures = {role: stated[role] for role in _MEASURES if role in stated}
    headers = (*(place or ()), value, *measures.values())
    decimal = table.decimal or logged_decimal(rows, headers, kind="[spread]")
    rate = _rates(rows, value, logged_numbers(rows, value, decimal), kg_ha=kg_ha)
    position = sheet.position
    if place is not None:
        position = np.column_stack([logged_numbers(rows, header, decimal) for header in place])
    if position is None:
        mend = 'Say where they are: columns = { longitude = "...", latitude = "..." }.'
        raise InputError(f"{where}, columns", f"{label} has no columns known to hold the positions", mend)
    key = f'crs = "EPSG:..." under [[spread]] {table.file}'
    source = places_crs(sheet, table.crs, geographic=geographic, where=where, key=key)
    first, second = position.T[::-1] if table.swap else position.T
    places = logged_places((first, second), sheet, source, boundary, key=key, swap=_SWAP)
    numbered = np.isfinite(rate)
    kept = numbered & places.near
    _refuse_elsewhere(label, places, kept, (first, second), source, boundary, swap=table.swap)
    swath = _swath(table, rows, measures, decimal, usual_m=swath_m, where=where)
    area = _area(table, rows, measures, swath, decimal, where=where)
    log = PointLog(
        label,
        places.easting[kept],
        places.northing[kept],
        rate[kept],
        None if swath is None else _filled(swath)[kept],
        None if area is None else _filled(area)[kept],
    )
    unsaid = _unsaid_note(label, swath, area, kept)
    left_out = left_out_note(label, len(rate), places, numbered, far_m=far_from_field_m(boundary))
    return log, (*rows.notes, *guessed, *left_out, *unsaid)


def _unsaid_note(label: str, swath: FloatArray | None, area: FloatArray | None, kept: BoolArray) -> tuple[Note, ...]:
    """Say where the usual swath or area stands for one that a record does not state."""
    return tuple(
        Note(
            "warning", f"{label}: {count:,} of {np.count_nonzero(kept):,} records state no {name}; the usual was taken."
        )
        for name, stated in (("swath", swath), ("area", area))
        if stated is not None and (count := np.count_nonzero(np.isnan(stated[kept])))
    )


def _refuse_empty(rows: Table) -> None:
    if not rows.rows:
        raise InputError(rows.name, "holds no records", "Put one row a record below the headers.")


def _place_headers(
    sheet: Sheet, stated: Mapping[str, str], *, where: str
) -> tuple[tuple[str, str] | None, bool, tuple[Note, ...]]:
    """Headers of the coordinates, as stated or guessed from the headers and said so."""
    rows, located = sheet.table, sheet.layer is not None
    roles = (*GEOGRAPHIC, *PROJECTED)
    if located and set(stated) & set(roles):
        raise InputError(where, f"{rows.name} holds the positions itself", "Remove the coordinates from columns.")
    for role, header in stated.items():
        require_column(rows, header, where=f"{where}, {role}")
    found = {role: header for role, header in stated.items() if role in roles}
    guessed = {} if located or found else {role: guess_role(rows, role) for role in roles}
    known = found | {role: header for role, header in guessed.items() if header is not None}
    place, geographic = coordinate_headers(known, found, where=where)
    if place is None or found:
        return place, geographic, ()
    text = f"{rows.name}: places were guessed to be in {' and '.join(map(shown, place))}."
    return place, geographic, (Note("repair", text),)


def _rate_header(rows: Table, table: SpreadTable, *, taken: Sequence[str], where: str) -> str:
    value = one_line(table.column)
    require_column(rows, value, where=f"{where}, column")
    if value in (*taken, *(table.columns or {}).values()):
        raise InputError(f"{where}, column", f"{shown(value)} holds something else", "Name the column of the rate.")
    return value


def _rates(rows: Table, header: str, read: FloatArray, *, kg_ha: float) -> FloatArray:
    """Rates in kg/ha; NaN where there is none."""
    bad = np.flatnonzero((read < 0) | (read * kg_ha > _ABSURD_KG_HA))
    if bad.size:
        at = rows.at(rows.rows[bad[0]].place, header)
        what = "is negative" if read[bad[0]] < 0 else "is more than can be spread"
        mend = "Correct the rate, or empty the cell where nothing was logged; 0 is where nothing was put on."
        raise InputError(at, f"{read[bad[0]]:g} {what}", mend)
    if not np.isfinite(read).any():
        raise InputError(f"{rows.name}, column {shown(header)}", "holds no number", "Name the column of the rate.")
    return read * kg_ha


def _refuse_elsewhere(
    label: str,
    places: Places,
    kept: BoolArray,
    read: tuple[FloatArray, FloatArray],
    source: CRS,
    boundary: Boundary,
    *,
    swap: bool,
) -> None:
    """Refuse a log of another field: most of it away, or nothing in the field itself."""
    away = int(np.count_nonzero(places.placed & ~places.near))
    shapely.prepare(boundary.area)
    inside = kept.copy()
    inside[kept] = shapely.intersects_xy(boundary.area, places.easting[kept], places.northing[kept])
    if inside.any() and 2 * away <= np.count_nonzero(places.placed):
        return
    exchanged = placed_anyhow(read[1], read[0], source, boundary)
    if 2 * np.count_nonzero(near_field(*exchanged, boundary)) > np.count_nonzero(places.placed) > 0:
        what = "only with first and second coordinate exchanged do the records reach the field"
        raise InputError(label, what, "Remove swap = true." if swap else f"{_SWAP}.")
    mend = "Is it the log of another field? Check the file and its CRS, and cut it down to this field."
    if away:
        raise InputError(label, f"{away:,} of {len(kept):,} records lie away from the field", mend)
    what = f"none of {len(kept):,} records has a place in the field and a number in the column of the rate"
    raise InputError(label, what, mend)


def _swath(
    table: SpreadTable,
    rows: Table,
    measures: Mapping[str, str],
    decimal: DecimalMark,
    *,
    usual_m: float | None,
    where: str,
) -> FloatArray | None:
    """(rows,) working width, m, NaN where a row does not say; ``None`` where the log does not."""
    stated = one_of(table.swath_ft, table.swath_m, factor=M_PER_FT, keys=("swath_ft", "swath_m"), where=where)
    if "swath" not in measures:
        width = usual_m if stated is None else stated
        return None if width is None else np.full(len(rows.rows), width)
    if stated is not None:
        what = "the width is stated, and named as a column too"
        raise InputError(f"{where}, columns, swath", what, "Keep one of them.")
    read = _measure(rows, measures["swath"], table.length_unit, _METRES, decimal, most=_WIDEST_M, where=where)
    return np.where(read > 0, read, np.nan)


def _area(
    table: SpreadTable,
    rows: Table,
    measures: Mapping[str, str],
    swath: FloatArray | None,
    decimal: DecimalMark,
    *,
    where: str,
) -> FloatArray | None:
    """(rows,) ground of each record, m2: as stated, or distance times swath; ``None`` where neither is known."""
    if "area" in measures:
        if "distance" in measures:
            raise InputError(f"{where}, columns", "names both area and distance", "Keep one of them.")
        return _measure(rows, measures["area"], table.area_unit, _SQUARE_METRES, decimal, most=_LARGEST_M2, where=where)
    if "distance" not in measures:
        return None
    if swath is None:
        mend = "Write the working width: swath_ft = 80 or swath_m = 24."
        raise InputError(f"{where}, columns, distance", "says no area without the swath", mend)
    read = _measure(rows, measures["distance"], table.length_unit, _METRES, decimal, most=_LARGEST_M2, where=where)
    return read * _filled(swath)


def _measure(
    rows: Table,
    header: str,
    unit: str | None,
    units: Mapping[str, float],
    decimal: DecimalMark,
    *,
    most: float,
    where: str,
) -> FloatArray:
    """(rows,) lengths or areas, metric; NaN where there is none."""
    if unit is None:
        key = "area_unit" if units is _SQUARE_METRES else "length_unit"
        mend = f'Write {key} = "{next(iter(units))}" or another of {", ".join(units)}.'
        raise InputError(f"{where}, {key}", f"is missing; {shown(header)} says no unit", mend)
    read = logged_numbers(rows, header, decimal) * units[unit]
    bad = np.flatnonzero((read < 0) | (read > most))
    if bad.size:
        at = rows.at(rows.rows[bad[0]].place, header)
        what = f"{read[bad[0]] / units[unit]:g} {unit} cannot be"
        raise InputError(at, what, "Correct the value or the unit, or empty the cell.")
    if not np.any(read > 0):
        what = "holds no number above 0"
        raise InputError(f"{rows.name}, column {shown(header)}", what, f"Name another column under {where}, or none.")
    return read


def _filled(stated: FloatArray) -> FloatArray:
    """Widths or areas, with the usual one where a row does not say; one at least does."""
    known = stated[np.isfinite(stated)]
    return np.where(np.isfinite(stated), stated, np.median(known))


def polygon_log(
    layer: Layer, table: SpreadTable, boundary: Boundary, *, kg_ha: float, where: str
) -> tuple[PolygonLog, tuple[Note, ...]]:
    """Polygons with a rate that reach the field; parameters as of `point_log`.

    Raises
    ------
    InputError
        Naming the key, or the feature, and the mend.
    """
    odd = [
        key for key in ("columns", "area_unit", "length_unit", "swath_ft", "swath_m", "decimal") if getattr(table, key)
    ]
    if odd:
        what = f"{layer.name} holds polygons, which have their own place and area"
        raise InputError(f"{where}, {odd[0]}", what, "Remove the key.")
    headers, cells = layer_rows(layer)
    rows = Table(layer.name, headers, cells, notes=layer.notes)
    value = _rate_header(rows, table, taken=(), where=where)
    rate = _rates(
        rows, value, logged_numbers(rows, value, logged_decimal(rows, (value,), kind="[spread]")), kg_ha=kg_ha
    )
    key = f'crs = "EPSG:..." under [[spread]] {table.file}'
    source = source_crs(layer, table.crs, where=layer.name, key=key)
    drawn = np.array([f.geometry is not None and not f.geometry.is_empty for f in layer.features])
    shapes = [feature.geometry for feature in layer.features if feature.geometry is not None]
    shapes = [coordinates.swapped(each) if table.swap else each for each in shapes if not each.is_empty]
    at = shapely.get_coordinates(shapes)
    coordinates.refuse_wrong_scale(at[:, 0], at[:, 1], source, where=layer.name, key=key, swap=_SWAP)
    moved = [coordinates.transform_shape(s, source=source, target=boundary.crs, where=layer.name) for s in shapes]
    broken = sum(not each.is_valid for each in moved)
    areas = [_areas(each) for each in moved]
    reach = shapely.intersects(boundary.area, np.array(areas, dtype=object))
    if 2 * np.count_nonzero(reach) < reach.size:
        what = f"{np.count_nonzero(~reach):,} of {reach.size:,} polygons lie outside the field"
        raise InputError(layer.name, what, "Is it the log of another field? Check the file and its CRS.")
    kept = reach & np.isfinite(rate[drawn])
    if not kept.any():
        what = f"none of {reach.size:,} polygons lies in the field and has a number in the column of the rate"
        raise InputError(layer.name, what, "Check the file, and name the column of the rate.")
    chosen = tuple(area for area, use in zip(areas, kept, strict=True) if use)
    log = PolygonLog(layer.name, chosen, rate[drawn][kept])
    return log, (*layer.notes, *_polygon_notes(layer, kept, reach, broken))


def _areas(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    """Valid polygons of a shape."""
    valid = geometry if geometry.is_valid else shapely.make_valid(geometry, method="structure", keep_collapsed=False)
    parts = [part for part in shapely.get_parts(valid) if isinstance(part, Polygon)]
    return MultiPolygon(parts)


def _polygon_notes(layer: Layer, kept: BoolArray, reach: BoolArray, broken: int) -> tuple[Note, ...]:
    notes = []
    if broken:
        text = f"{layer.name}: {broken:,} outlines cross themselves; all that they enclose counts."
        notes.append(Note("repair", text))
    lost = len(layer.features) - int(np.count_nonzero(kept))
    if lost:
        outside = int(np.count_nonzero(~reach))
        text = f"{layer.name}: {lost:,} of {len(layer.features):,} polygons left out: "
        parts = [f"{outside:,} outside the field"] if outside else []
        parts += [f"{lost - outside:,} without a shape or a number to use"] if lost > outside else []
        notes.append(Note("warning", f"{text}{', '.join(parts)}."))
    return tuple(notes)
