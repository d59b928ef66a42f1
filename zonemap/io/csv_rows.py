"""Rows of a result as CSV (RFC 4180), safe to open in a spreadsheet, and read back after writing."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from zonemap.errors import NOT_PUBLISHED, OutputError

#: a spreadsheet takes text that begins so for a formula
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def write_csv(path: Path, columns: Mapping[str, Sequence[str | float]]) -> None:
    """Write columns of equal length, numbers to six significant decimals or all that a coordinate needs.

    Text that a spreadsheet would run as a formula gets an apostrophe in front; numbers are left alone.

    Raises
    ------
    OutputError
        When what is read back is not what was written.
    """
    rows = [
        [safe_cell(name) for name in columns],
        *([_cell(cell) for cell in row] for row in zip(*columns.values(), strict=True)),
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)
    with path.open(encoding="utf-8", newline="") as file:
        if list(csv.reader(file)) != rows:
            raise OutputError(path.name, "does not hold what was written", NOT_PUBLISHED)


def safe_cell(text: str) -> str:
    """The text, with an apostrophe in front where a spreadsheet would take it for a formula."""
    # per line, after blanks: each line of a cell may be taken for a formula
    risky = any(line.lstrip(" \u00a0").startswith(_FORMULA) for line in text.split("\n"))
    return f"'{text}" if risky else text


def _cell(cell: str | float) -> str:
    return safe_cell(cell) if isinstance(cell, str) else f"{cell:.10g}"
