"""Columns in which a samples file says how each row was measured: rows measured differently are never pooled."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, datetime

import numpy as np

from zonemap.errors import InputError
from zonemap.io.columns import Layout
from zonemap.io.field_file import NAME
from zonemap.io.measured_values import some
from zonemap.io.numbers import Cell, DecimalMark, cell_text, parse_number, read_plain
from zonemap.io.sources import shown
from zonemap.io.tables import Table
from zonemap.values.arrays import FloatArray
from zonemap.values.basis import Basis
from zonemap.values.burial import rebased, rebasing_factor
from zonemap.values.note import Note
from zonemap.values.samples import Column

#: headers that say how rows were measured, though field.toml does not name them -> what differs
_METHOD_WORDS = {
    "burial_days": "burial times", "burial": "burial times", "burial_time": "burial times",
    "days_buried": "burial times", "depth": "depths", "depth_in": "depths", "depth_cm": "depths",
    "sample_depth": "depths", "sampling_depth": "depths", "upper_depth": "depths", "lower_depth": "depths",
    "depth_top": "depths", "depth_bottom": "depths", "method": "methods", "extractant": "methods",
    "lab_method": "methods", "basis": "methods", "laboratory": "laboratories", "lab_name": "laboratories",
    "unit": "units", "units": "units",
}  # fmt: skip
_DATE_WORDS = ("date", "collected", "sampled", "sampling_date", "date_sampled", "date_collected")
_CONDITION_WORDS = {"burial_days": "burial times", "depth": "depths", "date": "dates"}
#: rows taken within so many days are one round of sampling (our choice)
_ONE_ROUND_DAYS = 7
_SPLIT = "Split the file, give each part its own [[other_samples]] table or field folder, and compare them instead"


def check_one_method(
    table: Table, layout: Layout, basis: Basis, *, used: tuple[str, ...], rebased: bool
) -> tuple[Note, ...]:
    """Refuse a file that pools burial times, depths, dates, methods or units, or contradicts field.toml about them.

    Parameters
    ----------
    used
        Headers that hold something else by field.toml's word.
    rebased
        Whether rates are to be brought to one burial time, so that rows may differ in it.

    Returns
    -------
    notes
        A warning where a round of sampling took several days.

    Raises
    ------
    InputError
        Naming the column and two of its rows.
    """
    stated = {header: role for role, header in layout.conditions.items()}
    notes: list[Note] = []
    for header in table.headers:
        word = re.sub(r"\W+", "_", header.lower()).strip("_")
        kind = _CONDITION_WORDS.get(stated.get(header, "")) or _METHOD_WORDS.get(word)
        if kind is None and word in _DATE_WORDS:
            kind = "dates"
        if kind is None or (header in used and header not in stated):
            continue
        cells = [(place, text) for place, cell in table.column(header) if (text := cell_text(cell))]
        at = f"{table.name}, column {shown(header)}"
        if kind == "dates":
            notes += _one_round(cells, at, strict=header in stated)
        elif not (rebased and header == layout.conditions.get("burial_days")):
            _refuse_different(cells, kind, at, resin=basis.kind == "resin")
            _refuse_contradiction("burial_days" if kind == "burial times" else word, cells, basis, where=at)
    return tuple(notes)


def _refuse_different(cells: list[tuple[str, str]], kind: str, where: str, *, resin: bool) -> None:
    for place, text in cells[1:]:
        if _plain(text) != _plain(cells[0][1]):
            what = f"holds different {kind}: {shown(cells[0][1])} in {cells[0][0]} and {shown(text)} in {place}"
            known = kind == "burial times" and resin
            keys = "name the column burial_days in columns and write burial_exponent and rebase_to_days under [samples]"
            mend = f"{_SPLIT}; or {keys}" if known else _SPLIT
            raise InputError(where, what, f"{mend}.")


def _plain(text: str) -> float | str:
    """Value two cells are compared by: 4 and 4.0 are one burial time."""
    number = parse_number(text)
    return text.casefold() if number is None else number


def _refuse_contradiction(word: str, cells: list[tuple[str, str]], basis: Basis, *, where: str) -> None:
    stated = {
        "burial_days": basis.burial_days,
        "depth_cm": basis.depth_cm,
        "depth_in": basis.depth_cm / 2.54 if basis.depth_cm is not None else None,
    }.get(word)
    number = parse_number(cells[0][1]) if cells else None
    if stated is not None and number is not None and abs(number - stated) > 0.01 * stated:
        what = f"says {shown(cells[0][1])}, field.toml says {stated:g}"
        raise InputError(where, what, f"Set {word} under [samples] to what is true.")


def _one_round(cells: list[tuple[str, str]], where: str, *, strict: bool) -> list[Note]:
    """Refuse dates that are no one round of sampling; a column that field.toml does not name may hold other text."""
    if len({text for _, text in cells}) < 2:
        return []
    dates = _dates([text for _, text in cells])
    if dates is None:
        if strict:
            mend = "Write year, month, day: 2026-03-28."
            raise InputError(where, f"holds what is no date, among {shown(cells[0][1])} and others", mend)
        return [Note("warning", f"{where}: its rows differ and are used together; it holds no dates that can be read.")]
    first, last = int(np.argmin([d.toordinal() for d in dates])), int(np.argmax([d.toordinal() for d in dates]))
    days = (dates[last] - dates[first]).days
    if days > _ONE_ROUND_DAYS:
        (place, text), (other_place, other_text) = cells[first], cells[last]
        what = f"holds different dates: {shown(text)} in {place} and {shown(other_text)} in {other_place}"
        raise InputError(where, f"{what}, {days} days apart", f"{_SPLIT}.")
    text = f"{where}: samples of {len(set(dates))} dates within {days} days are used together as one round of sampling."
    return [Note("warning", text)]


def _dates(texts: Iterable[str]) -> list[date] | None:
    """Dates in the one order of day and month that puts them nearest together; ``None`` where they are no dates."""
    texts = [re.split(r"[T ]", text.strip())[0].replace("/", "-").replace(".", "-") for text in texts]
    readings = [found for order in ("%Y-%m-%d", "%m-%d-%Y", "%d-%m-%Y") if (found := _in_order(texts, order))]
    return min(readings, key=lambda dates: max(dates) - min(dates), default=None)


def _in_order(texts: Iterable[str], order: str) -> list[date] | None:
    try:
        return [datetime.strptime(text, order).date() for text in texts]  # noqa: DTZ007 - days have no time zone
    except ValueError:
        return None


def buried_days(table: Table, layout: Layout, basis: Basis, *, decimal: DecimalMark) -> FloatArray | None:
    """How long the resin of every row lay in the soil.

    Returns
    -------
    array or None
        (rows,) days, from the file where it says so and from field.toml where it does not; ``None`` off resin.

    Raises
    ------
    InputError
        For a row without a burial time, or one that cannot be.
    """
    if basis.kind != "resin":
        return None
    header = layout.conditions.get("burial_days")
    if header is None:
        return np.full(len(table.rows), basis.burial_days)
    cells = ((table.at(place, header), cell) for place, cell in table.column(header))
    return np.array([_days(cell, basis.burial_days, decimal=decimal, where=where) for where, cell in cells])


def _days(cell: Cell, otherwise: float | None, *, decimal: DecimalMark, where: str) -> float:
    read = read_plain(cell, decimal=decimal, where=where)
    days = otherwise if read is None else read
    if days is None or not 0 < days <= 400:
        what = "has no burial time" if days is None else f"{days:g} is no burial time in days"
        raise InputError(where, what, "Write how many days the resin lay in the soil, above 0 and at most 400.")
    return days


def on_one_burial(
    columns: Mapping[str, Column],
    buried: FloatArray | None,
    basis: Basis,
    *,
    to_days: float | None,
    exponents: Mapping[str, float],
    quantities: Iterable[str],
    where: str,
) -> tuple[dict[str, Column], Basis, tuple[Note, ...]]:
    """Bring resin rates to one burial time where that is asked for; the rows are of one already where it is not.

    Parameters
    ----------
    buried
        From `buried_days`.
    to_days, exponents
        As field.toml states them: the burial time, and b of each quantity (see `zonemap.values.burial`).
    quantities
        All that the file holds, with or without values.

    Returns
    -------
    columns, basis
        Of one burial time.
    notes
        Factor and exponent of everything that was changed.

    Raises
    ------
    InputError
        When b is not known for a quantity, or only one of the two keys is there.
    """
    if buried is None:
        return dict(columns), basis, ()
    if to_days is None:
        if exponents:
            at = f"{NAME}, samples, rebase_to_days"
            raise InputError(at, "is missing, so burial_exponent is of no use", "Write rebase_to_days = 7.")
        return dict(columns), replace(basis, burial_days=float(buried[0])), ()
    _refuse_unknown_exponents(columns, exponents, tuple(quantities), changes=bool(np.any(buried != to_days)))
    changed, notes = dict(columns), []
    for quantity, column in columns.items():
        exponent = exponents.get(quantity, 1.0)
        rate = rebased(column.value, from_days=buried, to_days=to_days, exponent=exponent)
        changed[quantity] = Column(column.unit, rate, column.censored)
        notes += _rebasing_notes(buried, to_days, exponent, where=f"{where}, {quantity}")
    return changed, replace(basis, burial_days=to_days), tuple(notes)


def _refuse_unknown_exponents(
    columns: Mapping[str, Column], exponents: Mapping[str, float], quantities: tuple[str, ...], *, changes: bool
) -> None:
    where = f"{NAME}, samples, burial_exponent"
    for quantity in exponents:
        if quantity not in quantities:
            what = "is no quantity of the samples file"
            raise InputError(f"{where}, {quantity}", what, f"Use one of {', '.join(quantities)}.")
    unknown = [quantity for quantity in columns if quantity not in exponents]
    if unknown and changes:
        what = f"{', '.join(unknown)} cannot be brought to another burial time without an exponent"
        mend = f"Add what two burials showed, e.g. {unknown[0]} = 0.6, or leave {unknown[0]} out of columns."
        raise InputError(where, what, mend)


def _rebasing_notes(buried: FloatArray, to_days: float, exponent: float, *, where: str) -> list[Note]:
    times = np.unique(buried[buried != to_days])
    if times.size == 0:
        return []
    factors = rebasing_factor(times, to_days=to_days, exponent=exponent)
    pairs = [f"{days:g} days times {factor:.3g}" for days, factor in zip(times, factors, strict=True)]
    text = f"brought to a burial of {to_days:g} days with b = {exponent:g}: rates over {some(pairs)}."
    return [Note("repair", f"{where}: {text}")]
