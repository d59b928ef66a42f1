"""Daily series: temperatures of a season, and a user's own crop demand."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from zonemap.errors import InputError
from zonemap.io.measured_units import header_unit, same_unit
from zonemap.io.numbers import Cell, DecimalMark, cell_text, decimal_mark, read_plain
from zonemap.io.sources import FieldFolder, shown
from zonemap.io.tables import Table, read_table
from zonemap.units import ELEMENTS, KG_HA_PER_LB_AC, UnitSystem, fahrenheit_to_celsius
from zonemap.values.arrays import FloatArray
from zonemap.values.note import Note
from zonemap.values.season import Temperatures

_MOST_DAYS = 3_660
# Beyond the records kept by the World Meteorological Organization (-89.2 and 56.7 C, from memory) the unit is wrong.
_COLDEST_C, _WARMEST_C = -90.0, 60.0


def read_weather(folder: FieldFolder, path: Path) -> tuple[Temperatures, tuple[Note, ...]]:
    """Daily minimum and maximum temperatures, degrees Celsius.

    Raises
    ------
    InputError
        Naming the row, or the first day that is missing.
    """
    table = read_table(folder, path)
    _require_columns(table, "date", ("date", "tmin_c", "tmax_c", "tmin_f", "tmax_f"))
    letters = [letter for letter in ("f", "c") if {f"tmin_{letter}", f"tmax_{letter}"} & set(table.headers)]
    if len(letters) != 1 or not {f"tmin_{letters[0]}", f"tmax_{letters[0]}"} <= set(table.headers):
        mend = "Head the columns date, tmin_f, tmax_f (Fahrenheit), or date, tmin_c, tmax_c (Celsius)."
        raise InputError(table.name, f"has the columns {', '.join(table.headers[:12])}", mend)
    days = [_day(cell, where=table.at(place, "date")) for place, cell in table.column("date")]
    _refuse_gaps(days, table)
    headers = (f"tmin_{letters[0]}", f"tmax_{letters[0]}")
    decimal = _decimal(table, headers, key_table="season")
    minimum, maximum = (_temperatures(table, header, decimal) for header in headers)
    for row, low, high in zip(table.rows, minimum, maximum, strict=True):
        if low > high:
            mend = "Exchange or correct them."
            raise InputError(f"{table.name}, {row.place}", f"tmin {low:.1f} C is above tmax {high:.1f} C", mend)
    return Temperatures(days[0], minimum, maximum), table.notes


def read_demand(
    folder: FieldFolder, path: Path, *, planted: date, units: UnitSystem
) -> tuple[dict[str, FloatArray], tuple[Note, ...]]:
    """Element -> daily demand from the day of planting on, kg/ha/day; (days,) each.

    Raises
    ------
    InputError
        Naming the row, the column or the first day that is missing.
    """
    table = read_table(folder, path)
    day_header = next((header for header in ("day", "date") if header in table.headers), "")
    if not day_header:
        mend = "Head the first column day (0 at planting) or date, and the others by element: N, P, K ..."
        raise InputError(table.name, f"has the columns {', '.join(table.headers[:12])}", mend)
    unit = "lb/ac/day" if units == "us" else "kg/ha/day"
    elements = _elements(table, day_header, unit)
    decimal = _decimal(table, tuple(elements.values()), key_table="crop")
    days = [_days_after(cell, planted, where=table.at(place, day_header)) for place, cell in table.column(day_header)]
    _refuse_gaps([planted + timedelta(days=day) for day in days], table)
    factor = KG_HA_PER_LB_AC if units == "us" else 1.0
    before = np.zeros(days[0])
    demand = {
        element: np.concatenate([before, _demand(table, header, decimal) * factor])
        for element, header in elements.items()
    }
    text = f"{table.name}: begins {days[0]} days after planting; no demand was assumed before."
    return demand, (*table.notes, *((Note("repair", text),) if days[0] else ()))


def _require_columns(table: Table, needed: str, known: Sequence[str]) -> None:
    if needed not in table.headers:
        near = difflib.get_close_matches(needed, table.headers, n=1)
        what = f"has no column {shown(needed)}" + (f" (is it {shown(near[0])}?)" if near else "")
        raise InputError(table.name, what, f"Head the columns {', '.join(known[:3])}.")


def _decimal(table: Table, headers: Sequence[str], *, key_table: str) -> DecimalMark:
    """Decimal mark of a series; its file has no key of its own, so doubt is to be written away."""
    cells = [(f"{place}, column {shown(header)}", cell) for header in headers for place, cell in table.column(header)]
    try:
        return decimal_mark(cells, where=table.name, table=key_table, suspect_point=table.delimiter == ";")
    except InputError as error:
        raise InputError(error.where, error.what, "Write the numbers with a decimal point and nothing else.") from error


def _day(cell: Cell, *, where: str) -> date:
    text = cell_text(cell)
    if re.fullmatch(r"(19|20|21)\d\d-\d\d-\d\d", text, re.ASCII):
        try:
            return date.fromisoformat(text)
        except ValueError:
            pass
    raise InputError(where, f"{shown(text)} is not a date", "Write year, month, day: 2026-04-25.")


def _days_after(cell: Cell, planted: date, *, where: str) -> int:
    """Whole days after planting, from a number of days or a date."""
    text = cell_text(cell)
    if re.fullmatch(r"\d{1,4}", text, re.ASCII):
        return int(text)
    days = (_day(cell, where=where) - planted).days
    if days < 0:
        what = f"{text} is before planting on {planted.isoformat()}"
        raise InputError(where, what, "Begin with the day of planting, or correct planted under [crop].")
    return days


def _refuse_gaps(days: Sequence[date], table: Table) -> None:
    if not days:
        raise InputError(table.name, "holds no day", "Put one row a day below the headers.")
    if days[-1] - days[0] > timedelta(days=_MOST_DAYS) or len(days) > _MOST_DAYS:
        raise InputError(table.name, "spans more than ten years", "Cut the file down to the season.")
    for row, day, following in zip(table.rows[1:], days, days[1:], strict=False):
        if following <= day:
            mend = "Put the days in order, each once."
            raise InputError(f"{table.name}, {row.place}", f"{following} does not follow {day}", mend)
        if following != day + timedelta(days=1):
            missing = day + timedelta(days=1)
            raise InputError(f"{table.name}, {row.place}", f"{missing} is missing", "Add a row for every day.")


def _temperatures(table: Table, header: str, decimal: DecimalMark) -> FloatArray:
    celsius = []
    for place, cell in table.column(header):
        at = table.at(place, header)
        value = read_plain(cell, decimal=decimal, where=at)
        if value is None:
            raise InputError(at, "has no temperature", "Fill it in, e.g. from the nearest station.")
        degrees = fahrenheit_to_celsius(value) if header.endswith("_f") else value
        if not _COLDEST_C <= degrees <= _WARMEST_C:
            mend = "Correct the value, or the unit in the header (_f Fahrenheit, _c Celsius)."
            raise InputError(at, f"{value:g} is not an air temperature", mend)
        celsius.append(degrees)
    return np.array(celsius)


def _elements(table: Table, day_header: str, unit: str) -> dict[str, str]:
    """Element -> header, the header being the element with or without its unit."""
    found: dict[str, str] = {}
    for header in table.headers:
        if header == day_header:
            continue
        element = re.split(r"[^A-Za-z0-9]", header)[0]
        at = f"{table.name}, column {shown(header)}"
        if element not in ELEMENTS:
            near = next((name for name in ELEMENTS if name.lower() == element.lower()), None)
            raise InputError(at, "is not an element", f"Write {near}." if near else f"Use {', '.join(ELEMENTS)}.")
        carried = header_unit(header)
        if carried is not None and not same_unit(carried, unit):
            mend = f"Give the demand in {unit}, or change units under [field]."
            raise InputError(at, f"is in {carried}, where {unit} is expected", mend)
        if element in found:
            raise InputError(at, f"{element} is there twice", "Keep one column an element.")
        found[element] = header
    if not found:
        raise InputError(table.name, "holds no element", "Head the columns by element: N, P, K ...")
    return found


def _demand(table: Table, header: str, decimal: DecimalMark) -> FloatArray:
    values = []
    for place, cell in table.column(header):
        at = table.at(place, header)
        value = read_plain(cell, decimal=decimal, where=at)
        if value is None or value < 0:
            what = "has no value" if value is None else f"{value:g} is negative"
            raise InputError(at, what, "Write the day's demand, 0 or more.")
        values.append(value)
    return np.array(values)
