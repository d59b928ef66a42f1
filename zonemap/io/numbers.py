"""Numbers as people write them: strict, with the decimal mark decided once a file.

Python's own conversion takes ``1_0``, full-width digits, ``nan`` and ``infinity``; a laboratory's sheet must not.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from zonemap.errors import InputError
from zonemap.io.sources import shown

DecimalMark = Literal[".", ","]
ReadingKind = Literal["number", "blank", "below", "above", "undetected"]


@dataclass(frozen=True, slots=True)
class Unusable:
    """A workbook cell whose value is not known: an uncached formula, an error, a part of a merged cell."""

    reason: str


#: what a cell of any table can hold
Cell = str | int | float | date | Unusable | None

#: nothing that is measured or located is larger, and unit factors keep it finite
LARGEST = 1e12

_BLANK = {"", "na", "n/a", "#n/a", "nan", "null", "none"}
# Common practice of laboratory reports; each stands for "below the detection limit".
_UNDETECTED = {"nd", "n.d.", "n.d", "trace", "tr", "tr.", "-", "--", "–", "—", "bdl", "b.d.l.", "<lod", "<loq", "<dl"}
_LIMIT = re.compile(r"(<=|<|≤|>=|>|≥)\s*(.+)", re.DOTALL)


def _pattern(mark: str, thousands: str) -> re.Pattern[str]:
    grouped = "|".join(rf"[1-9]\d{{0,2}}(?:{t}\d{{3}})+" for t in (thousands, " ", "\u00a0", "\u202f", "['’]"))
    return re.compile(rf"[+-]?(?:(?:{grouped}|\d+)(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d{{1,2}})?", re.ASCII)


_NUMBER: dict[DecimalMark, re.Pattern[str]] = {".": _pattern(r"\.", ","), ",": _pattern(",", r"\.")}


@dataclass(frozen=True, slots=True)
class Reading:
    """What one cell says.

    Attributes
    ----------
    kind
        ``below`` and ``above`` are limits of detection (``<0.5``, ``>200``), ``undetected`` is "ND" without a limit.
    value
        The number or the limit; ``None`` for ``blank`` and ``undetected``.
    """

    kind: ReadingKind
    value: float | None = None


def parse_number(text: str, *, decimal: DecimalMark = ".") -> float | None:
    """Return the number a text writes out, or ``None`` when it is not one.

    >>> parse_number("1,234.5"), parse_number("1.234,5", decimal=","), parse_number("1_0"), parse_number("1e999")
    (1234.5, 1234.5, None, None)
    """
    if not _NUMBER[decimal].fullmatch(text):
        return None
    plain = re.sub(r"[ \u00a0\u202f'’]", "", text)
    plain = plain.replace(",", "") if decimal == "." else plain.replace(".", "").replace(",", ".")
    value = float(plain)
    return value if abs(value) <= LARGEST else None


def read_cell(cell: Cell, *, decimal: DecimalMark, where: str) -> Reading:
    """Read a measured value.

    Raises
    ------
    InputError
        When the cell is not a number, a limit such as ``<0.5``, a word for "not detected", or blank.
    """
    if cell is None:
        return Reading("blank")
    if isinstance(cell, Unusable):
        raise InputError(where, cell.reason, "Open the sheet, replace it by its plain value and save.")
    if isinstance(cell, date):
        mend = "Format the column as numbers, type the value again and save."
        raise InputError(where, f"holds the date {cell.isoformat()} instead of a number", mend)
    if isinstance(cell, int | float):
        return _stored(cell, where=where)
    return _written(cell.strip(), decimal=decimal, where=where)


def read_plain(cell: Cell, *, decimal: DecimalMark, where: str) -> float | None:
    """Read a number that cannot be a detection limit, such as a coordinate; ``None`` where the cell is blank."""
    reading = read_cell(cell, decimal=decimal, where=where)
    if reading.kind in ("number", "blank"):
        return reading.value
    raise InputError(where, f"{shown(cell)} is not a number", "Write a plain number, or drop the row.")


def _stored(value: float, *, where: str) -> Reading:
    """A number that a binary file held: there NaN and infinity mean "no value"."""
    if value != value or abs(value) == float("inf"):
        return Reading("blank")
    if abs(value) > LARGEST:
        raise InputError(where, "holds a number larger than anything measured", "Correct the value or drop the row.")
    return Reading("number", float(value))


def _written(text: str, *, decimal: DecimalMark, where: str) -> Reading:
    lowered = text.lower()
    if lowered in _BLANK:
        return Reading("blank")
    if lowered.replace(" ", "") in _UNDETECTED:
        return Reading("undetected")
    number = parse_number(text, decimal=decimal)
    if number is not None:
        return Reading("number", number)
    limit = _LIMIT.fullmatch(text)
    value = parse_number(limit.group(2), decimal=decimal) if limit else None
    if limit is None or value is None or value <= 0:
        mark = "point" if decimal == "." else "comma"
        mend = f"Write a plain number with a decimal {mark}, <0.5 for a value below detection, or drop the row."
        raise InputError(where, f"{shown(text)} is not a number", mend)
    return Reading("below" if limit.group(1) in ("<", "<=", "≤") else "above", value)


def decimal_mark(cells: Iterable[tuple[str, Cell]], *, where: str, table: str, suspect_point: bool) -> DecimalMark:
    """Decide the decimal mark of a file from all its numbers.

    Parameters
    ----------
    cells
        (place, cell) of every cell that should be a number.
    where, table
        File, and the table of field.toml that holds the key ``decimal``.
    suspect_point
        Whether ``1.234`` alone could be a thousand too: true in a file whose fields are parted by semicolons.

    Raises
    ------
    InputError
        When the cells contradict one another, or could be read both ways.
    """
    found: dict[str, str] = {}
    for place, cell in cells:
        mark = _evidence(cell.strip()) if isinstance(cell, str) else None
        if mark:
            found.setdefault(mark, f"{shown(cell)} in {place}")
    if "." in found and "," in found:
        what = f"{found['.']} is written with a decimal point and {found[',']} with a decimal comma"
        raise InputError(where, what, "Write all numbers one way.")
    if "." in found or "," in found:
        return "." if "." in found else ","
    doubt = found.get("?,") or (found.get("?.") if suspect_point else None)
    if doubt:
        mend = f'Say which under [{table}]: decimal = "." or decimal = ",".'
        raise InputError(where, f"{doubt} may be a thousand or a decimal fraction", mend)
    return "."


def _evidence(text: str) -> str | None:
    """Decimal mark under which alone a text is a number; with a ``?`` its mark when both would do; else ``None``."""
    number = _LIMIT.sub(r"\2", text) if _LIMIT.fullmatch(text) else text
    readings = [mark for mark, pattern in _NUMBER.items() if pattern.fullmatch(number)]
    if not readings or not {".", ","} & set(number):
        return None
    return readings[0] if len(readings) == 1 else f"?{',' if ',' in number else '.'}"


def cell_text(cell: Cell) -> str:
    """Text of a cell that names something: 1.0 is ``1``, ``007`` stays as it is.

    >>> cell_text(1.0), cell_text("007"), cell_text("1e5"), cell_text(None)
    ('1', '007', '1e5', '')
    """
    if cell is None:
        return ""
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 2**53 else repr(cell)
    if isinstance(cell, date):
        return cell.isoformat()
    return cell.reason if isinstance(cell, Unusable) else str(cell).strip()
