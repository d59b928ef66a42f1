"""Rows that a sensor or a terminal logged: very many, with holes in them, and where each of them lies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary
from zonemap.io.located import Sheet, far_from_field_m
from zonemap.io.numbers import Cell, DecimalMark, decimal_mark, read_plain
from zonemap.io.sources import shown
from zonemap.io.tables import Table
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.note import Note

if TYPE_CHECKING:
    from pyproj import CRS


@dataclass(frozen=True, slots=True)
class Places:
    """Where rows lie in the working CRS (infinite where there is no place), whether they have a place, and are near."""

    easting: FloatArray
    northing: FloatArray
    placed: BoolArray
    near: BoolArray


def logged_number(cell: Cell, decimal: DecimalMark) -> float | None:
    """The number in a cell; ``None`` where it is blank or no number: a log of a hundred thousand rows has such."""
    try:
        return read_plain(cell, decimal=decimal, where="")
    except InputError:
        return None


def logged_numbers(table: Table, header: str, decimal: DecimalMark) -> FloatArray:
    """(rows,) numbers of a column, NaN where there is none."""
    index = table.headers.index(header)
    read = (logged_number(row.cells[index], decimal) for row in table.rows)
    return np.array([np.nan if number is None else number for number in read], dtype=np.float64)


def logged_decimal(table: Table, headers: Iterable[str], *, kind: str) -> DecimalMark:
    """Decimal mark of some columns; `kind` is the table of field.toml that may state it.

    Raises
    ------
    InputError
        When the cells contradict one another, or could be read both ways.
    """
    cells = ((f"{place}, column {shown(header)}", cell) for header in headers for place, cell in table.column(header))
    return decimal_mark(cells, where=table.name, table=kind, suspect_point=table.delimiter == ";")


def logged_places(
    read: tuple[FloatArray, FloatArray], sheet: Sheet, source: CRS, boundary: Boundary, *, key: str, swap: str
) -> Places:
    """Rows in the working CRS; degrees for metres and the like are refused when it is not just some rows.

    Parameters
    ----------
    read
        First and second coordinate, NaN where there is none.
    key, swap
        How to state the right CRS, and how to exchange the coordinates, for the mend.

    Raises
    ------
    InputError
        When the numbers are not in the CRS.
    """
    first, second = read
    placed: BoolArray = np.isfinite(first) & np.isfinite(second)
    # A receiver that loses its fix writes nonsense now and then; when most of it is, it is the CRS.
    nonsense = placed & source.is_geographic & ((np.abs(first) > 360) | (np.abs(second) > 90))
    checked = placed if 2 * np.count_nonzero(nonsense) > np.count_nonzero(placed) else placed & ~nonsense
    places = [row.place for row, here in zip(sheet.table.rows, checked, strict=True) if here]
    coordinates.refuse_wrong_scale(
        first[checked], second[checked], source, where=sheet.table.name, key=key, swap=swap, places=places
    )
    easting, northing = placed_anyhow(first, second, source, boundary)
    return Places(easting, northing, placed, near_field(easting, northing, boundary))


def placed_anyhow(
    first: FloatArray, second: FloatArray, source: CRS, boundary: Boundary
) -> tuple[FloatArray, FloatArray]:
    """Eastings and northings in the working CRS, infinite where there are none."""
    return coordinates.transform_points(
        np.nan_to_num(first, nan=np.inf), np.nan_to_num(second, nan=np.inf), source=source, target=boundary.crs
    )


def near_field(easting: FloatArray, northing: FloatArray, boundary: Boundary) -> BoolArray:
    """Whether places lie in the box about the field and its margin."""
    west, south, east, north = boundary.area.bounds
    far = far_from_field_m(boundary)
    across = (easting >= west - far) & (easting <= east + far)
    return np.asarray(across & (northing >= south - far) & (northing <= north + far))


def left_out_note(label: str, rows: int, places: Places, numbered: BoolArray, *, far_m: float) -> tuple[Note, ...]:
    """One note of how many rows of a log were left out, and why; `numbered` are those with a number to use."""
    counts = {
        "without a place": np.count_nonzero(~places.placed),
        f"more than {far_m:.0f} m outside the field": np.count_nonzero(places.placed & ~places.near),
        "without a number to use": np.count_nonzero(places.near & ~numbered),
    }
    reasons = ", ".join(f"{count:,} {reason}" for reason, count in counts.items() if count)
    if not reasons:
        return ()
    text = f"{label}: {sum(counts.values()):,} of {rows:,} rows left out: {reasons}."
    return (Note("warning", text),)
