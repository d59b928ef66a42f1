"""Covariates from points that a sensor logged: a table or a vector file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from zonemap.errors import InputError
from zonemap.io.boundaries import Boundary
from zonemap.io.columns import GEOGRAPHIC, PROJECTED, ROLES, coordinate_headers, guess_role, require_column
from zonemap.io.covariate_checks import constant_note, field_lattice, is_constant, outlier_notes
from zonemap.io.field_file import CovariateTable
from zonemap.io.located import Sheet, far_from_field_m, load_sheet, places_crs
from zonemap.io.logged import (
    Places,
    left_out_note,
    logged_decimal,
    logged_number,
    logged_numbers,
    logged_places,
    near_field,
    placed_anyhow,
)
from zonemap.io.numbers import DecimalMark
from zonemap.io.sources import FieldFolder, one_line, shown
from zonemap.io.tables import Table
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.covariate import PointCovariate
from zonemap.values.note import Note

#: fewer points say nothing of a field (as for samples, where under eight no spatial model is fitted)
LEAST_POINTS = 8
#: rows that show whether a column holds numbers
_LOOKED_AT = 200
#: the field counts as reached within so many median spacings of a point, or this share of its diagonal
_SPACINGS, _REACH_SHARE = 5.0, 0.05
#: share of the field that may be out of reach without a word
_MOST_UNREACHED = 0.2
#: points of a log nearer than this are one for its spacing, m
_SAME_SPOT_M = 0.1


@dataclass(frozen=True, slots=True)
class _Log:
    """Rows of a log: value (NaN where there is none), and where they lie."""

    value: FloatArray
    places: Places

    @property
    def usable(self) -> BoolArray:
        """Rows with a value, in the field or near it."""
        return np.asarray(np.isfinite(self.value) & self.places.near)


@dataclass(frozen=True, slots=True)
class _Layout:
    """Headers of the value and of the two coordinates (``None`` in a vector file)."""

    value: str
    place: tuple[str, str] | None
    geographic: bool
    notes: tuple[Note, ...]


def point_covariate(
    folder: FieldFolder, path: Path, table: CovariateTable, *, where: str, boundary: Boundary
) -> tuple[PointCovariate | None, tuple[Note, ...]]:
    """Read a covariate from logged points.

    Parameters
    ----------
    where
        The table in field.toml, for messages about its keys.

    Returns
    -------
    PointCovariate or None
        Points in the field or a margin about it, in the order of the file; ``None`` where it is constant.
    notes
        What was guessed and left out, and what looks wrong.

    Raises
    ------
    InputError
        When the file cannot be used or holds under eight usable points; names it, or the key.
    """
    sheet = load_sheet(folder, path, layer=table.layer, sheet=table.sheet)
    label = sheet.table.name
    if not sheet.table.rows:
        raise InputError(label, "holds no points", "Put one row a point below the headers.")
    layout = _lay_out(sheet, table, where=where)
    headers = (*(layout.place or ()), layout.value)
    decimal = table.decimal or logged_decimal(sheet.table, headers, kind="[covariate]")
    value = logged_numbers(sheet.table, layout.value, decimal)
    position = sheet.position
    if layout.place is not None:
        position = np.column_stack([logged_numbers(sheet.table, header, decimal) for header in layout.place])
    if position is None:
        mend = 'Say where they are: columns = { longitude = "...", latitude = "..." }.'
        raise InputError(f"{where}, columns", f"{label} has no columns known to hold the positions", mend)
    key = f'crs = "EPSG:..." under [[covariate]] {table.name}'
    source = places_crs(sheet, table.crs, geographic=layout.geographic, where=where, key=key)
    first, second = position.T[::-1] if table.swap else position.T
    swap = "Set swap = true under [[covariate]]"
    log = _Log(value, logged_places((first, second), sheet, source, boundary, key=key, swap=swap))
    kept = log.usable
    if np.count_nonzero(kept) < LEAST_POINTS:
        exchanged = placed_anyhow(second, first, source, boundary)
        raise _too_few(label, log, exchanged=int(np.count_nonzero(near_field(*exchanged, boundary))), swap=table.swap)
    left_out = left_out_note(label, len(value), log.places, np.isfinite(value), far_m=far_from_field_m(boundary))
    notes = [*sheet.table.notes, *layout.notes, *left_out]
    covariate = PointCovariate(table.name, log.places.easting[kept], log.places.northing[kept], value[kept])
    if is_constant(covariate.value):
        return None, (*notes, constant_note(label, table.name, covariate.value))
    notes += outlier_notes(covariate.value, where=label, name=table.name)
    return covariate, (*notes, *_reach_note(covariate, boundary, where=label))


def _lay_out(sheet: Sheet, table: CovariateTable, *, where: str) -> _Layout:
    """Find the columns: as stated, or guessed from headers (coordinates) and content (the value)."""
    rows, located = sheet.table, sheet.layer is not None
    stated: dict[str, str] = {role: one_line(header) for role, header in (table.columns or {}).items()}
    if located and stated:
        raise InputError(f"{where}, columns", f"{rows.name} holds the positions itself", "Remove the key.")
    for role, header in stated.items():
        require_column(rows, header, where=f"{where}, columns, {role}")
    guessed = {role: guess_role(rows, role) for role in (*GEOGRAPHIC, *PROJECTED) if not located and not stated}
    found: dict[str, str] = stated | {role: header for role, header in guessed.items() if header is not None}
    place, geographic = coordinate_headers(found, stated, where=f"{where}, columns")
    if table.column is None:
        value = _only_numbers(rows, taken=set(place or ()), where=where)
        text = f"{rows.name}: values are from column {shown(value)}, the only one that holds numbers."
        return _Layout(value, place, geographic, (Note("repair", text),))
    value = one_line(table.column)
    require_column(rows, value, where=f"{where}, column")
    if value in (place or ()):
        raise InputError(f"{where}, column", f"{shown(value)} holds a coordinate", "Name the column of the values.")
    return _Layout(value, place, geographic, ())


def _only_numbers(table: Table, *, taken: set[str], where: str) -> str:
    """Header of the one column that holds numbers, besides coordinates and identifiers."""
    taken = taken | {header for role in ROLES if (header := guess_role(table, role)) is not None}
    found = [header for header in table.headers if header not in taken and _holds_numbers(table, header)]
    if len(found) == 1:
        return found[0]
    if not found:
        what = f"no column holds numbers besides the coordinates ({', '.join(table.headers[:20])})"
        raise InputError(table.name, what, f'Name the one that is meant: column = "..." under {where}.')
    what = f"several columns hold numbers: {', '.join(found[:20])}"
    raise InputError(table.name, what, f'Say which under {where}: column = "{found[0]}".')


def _holds_numbers(table: Table, header: str) -> bool:
    """Whether most cells of the first rows that are not blank are numbers, by either decimal mark."""
    index = table.headers.index(header)
    cells = [row.cells[index] for row in table.rows[:_LOOKED_AT] if row.cells[index] not in ("", None)]
    marks: tuple[DecimalMark, ...] = (".", ",")
    return any(2 * sum(logged_number(cell, mark) is not None for cell in cells) > len(cells) for mark in marks)


def _too_few(label: str, log: _Log, *, exchanged: int, swap: bool) -> InputError:
    """What to say of a log without enough usable points; `exchanged` of them are near with coordinates exchanged."""
    rows, away = len(log.value), int(np.count_nonzero(log.places.placed & ~log.places.near))
    if away >= LEAST_POINTS and exchanged >= LEAST_POINTS:
        what = "only with first and second coordinate exchanged do the points reach the field"
        return InputError(label, what, "Remove swap = true." if swap else "Set swap = true under [[covariate]].")
    if 2 * away > rows:
        mend = "Is it the wrong field? Check the file and its CRS."
        return InputError(label, f"{away:,} of {rows:,} points lie away from the field", mend)
    what = f"{np.count_nonzero(log.usable)} of {rows:,} rows have a number and a place in the field"
    return InputError(label, what, f"Give {LEAST_POINTS} points or more, or leave the covariate out.")


def _reach_note(covariate: PointCovariate, boundary: Boundary, *, where: str) -> Sequence[Note]:
    """Warn when much of the field is far from any point."""
    from scipy.spatial import cKDTree

    at = np.column_stack([covariate.easting_m, covariate.northing_m])
    spots = np.unique(np.round(at / _SAME_SPOT_M) * _SAME_SPOT_M, axis=0)
    tree = cKDTree(spots)
    spacing = float(np.median(tree.query(spots, k=[2])[0])) if len(spots) > 1 else 0.0
    west, south, east, north = boundary.area.bounds
    reach = max(_SPACINGS * spacing, _REACH_SHARE * float(np.hypot(east - west, north - south)))
    unreached = float(np.mean(tree.query(field_lattice(boundary))[0] > reach))
    if unreached <= _MOST_UNREACHED:
        return ()
    text = f"{where}: {unreached:.0%} of the field is more than {reach:.0f} m from any point of {covariate.name}."
    return (Note("warning", f"{text} Log the rest of the field, or leave the covariate out."),)
