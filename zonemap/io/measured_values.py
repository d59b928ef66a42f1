"""One measured column of a samples table: from cells to values, with what was substituted or left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from zonemap.errors import InputError
from zonemap.io.measured_units import to_inside
from zonemap.io.numbers import Cell, DecimalMark, Reading, read_cell
from zonemap.io.sources import shown
from zonemap.values.arrays import FloatArray
from zonemap.values.note import Note
from zonemap.values.samples import Column

#: largest value that a unit can state at all
_MOST = {"%": 100.0, "pH": 14.0, "g/kg": 1e3, "mg/kg": 1e6, "ppm": 1e6}


@dataclass(slots=True)
class _Tally:
    """Places of the rows where something was done to the value."""

    blank: list[str] = field(default_factory=list)
    below: list[str] = field(default_factory=list)
    above: list[str] = field(default_factory=list)
    undetected: list[str] = field(default_factory=list)


def measured_column(
    cells: Sequence[tuple[str, Cell]],
    *,
    where: str,
    quantity: str,
    unit: str,
    burial_days: FloatArray | None,
    decimal: DecimalMark,
    detection_limit: float | None,
) -> tuple[Column, tuple[Note, ...]]:
    """Values of one quantity.

    Parameters
    ----------
    cells
        (place, cell) of every row.
    where
        File.
    unit
        What the file's numbers are in; resin rates become kg/ha/day.
    burial_days
        (rows,) how long the resin of each lay in the soil; ``None`` off resin.
    detection_limit
        What "not detected" without a number stands below, in `unit`; ``None`` when unknown.

    Returns
    -------
    Column
        Half the limit stands for values below detection, which are marked; NaN for blank cells.
    notes
        Which rows were substituted or left blank.

    Raises
    ------
    InputError
        For cells that are no measured value, naming the row.
    """
    days = np.ones(len(cells)) if burial_days is None else burial_days
    inside_unit, _ = to_inside(unit, burial_days=1.0)
    values, censored, tally = np.full(len(cells), np.nan), np.zeros(len(cells), dtype=bool), _Tally()
    for index, (place, cell) in enumerate(cells):
        at = f"{where}, {place}, {quantity}"
        reading = read_cell(cell, decimal=decimal, where=at)
        value = _substitute(reading, place, tally, detection_limit, where=at, quantity=quantity, cell=cell)
        if value is None:
            continue
        _refuse_impossible(value, unit, where=at)
        _, factor = to_inside(unit, burial_days=float(days[index]))
        values[index], censored[index] = value * factor, reading.kind in ("below", "undetected")
    return Column(inside_unit, values, censored), _notes(tally, f"{where}, {quantity}", detection_limit, unit)


def _substitute(
    reading: Reading, place: str, tally: _Tally, limit: float | None, *, where: str, quantity: str, cell: Cell
) -> float | None:
    """Value to use: half the limit below detection (common practice), the limit itself above the range."""
    if reading.kind != "number":
        getattr(tally, reading.kind).append(place)
    if reading.kind == "undetected":
        if limit is None:
            mend = f"State the limit under [samples]: detection_limit = {{ {quantity} = 0.1 }}, or write <0.1."
            raise InputError(where, f"{shown(cell)} does not say below which limit", mend)
        return limit / 2
    return reading.value / 2 if reading.kind == "below" and reading.value is not None else reading.value


def _refuse_impossible(value: float, unit: str, *, where: str) -> None:
    if value < 0:
        raise InputError(where, f"{value:g} is negative", "Correct the value or drop the row.")
    most = _MOST.get(unit)
    if most is not None and value > most:
        raise InputError(
            where, f"{value:g} is above {most:g}, the most that {unit} can be", "Correct the value or the unit."
        )


def _notes(tally: _Tally, where: str, limit: float | None, unit: str) -> tuple[Note, ...]:
    below = "below detection; half the limit stands for it, marked as censored."
    above = "above the laboratory's range; the limit itself stands for it, the true value is higher."
    texts: list[Note] = []
    if tally.blank:
        texts.append(Note("warning", f"{where}: no value in {some(tally.blank)}; left out."))
    if tally.below:
        texts.append(Note("repair", f"{where}: {some(tally.below)} {below}"))
    if tally.undetected:
        texts.append(
            Note("repair", f"{where}: {some(tally.undetected)} below the stated {limit:g} {unit}; half of it is used.")
        )
    if tally.above:
        texts.append(Note("warning", f"{where}: {some(tally.above)} {above}"))
    return tuple(texts)


def some(places: Sequence[str], *, most: int = 10) -> str:
    """Places in words, not too many.

    >>> some(["line 2", "line 3", "line 4"], most=2)
    'line 2, line 3 and 1 more'
    """
    more = f" and {len(places) - most} more" if len(places) > most else ""
    return ", ".join(places[:most]) + more
