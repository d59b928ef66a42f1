"""README.txt beside the shapefiles, held against what stands in their .dbf, byte by byte (dBASE III)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.prescription_rows import ADVICE
from zonemap.io.shapefile import README, past_lines
from zonemap.values.prescription import Prescription

_ATTRIBUTE = re.compile(r"([A-Z]+) {2,}\S")
_RATE_UNITS = re.compile(r"RATE +rate of product \(not of nutrient\), (.+)")
_TOTAL = re.compile(r"(.+)\.shp: ([\d,]+\.\d) (\S+) in all")
#: totals are told to a tenth
_HALF_A_TENTH = 0.05
_HEAD, _DESCRIPTOR, _END_OF_FIELDS, _DELETED = 32, 32, 0x0D, b"*"


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    start: int
    width: int


def verify_readme(folder: Path, *, prescription: Prescription) -> None:
    """Check that README.txt tells the columns, units and totals that the .dbf files beside it hold.

    Raises
    ------
    OutputError
        When it does not, or a file cannot be read.
    """
    try:
        lines = (folder / README).read_text(encoding="utf-8").split("\n")
        tables = {path.stem: read_dbf(path) for path in sorted(folder.glob("*.dbf"))}
    except (OSError, ValueError, IndexError) as error:
        raise OutputError(README, f"it cannot be held against its shapefiles ({error})", NOT_PUBLISHED) from error
    for rows in tables.values():
        _require(not rows or _told(_ATTRIBUTE, lines) == list(rows[0]), "the columns of the .dbf in their order")
    units = list(dict.fromkeys(row["UNIT"] for rows in tables.values() for row in rows))
    told_units = [unit for words in _told(_RATE_UNITS, lines) for unit in words.split(" or ")]
    _require(sorted(told_units) == sorted(units), f"the unit of RATE, {' or '.join(units)}")
    totals = {found[1]: found for line in lines if (found := _TOTAL.fullmatch(line))}
    _require(totals.keys() == tables.keys(), "a total for each shapefile")
    for stem, rows in tables.items():
        _require(_same_total(totals[stem], rows), f"the total of {stem}.shp")
    stated = {*past_lines(prescription), ADVICE}
    _require(stated <= set(lines), "the rates outside and while the position is lost")


def read_dbf(path: Path) -> list[dict[str, str]]:
    """Rows of a .dbf as text, column by column.

    Raises
    ------
    ValueError
        When the file is shorter or longer than its head says, or a row is marked as deleted.
    """
    content = path.read_bytes()
    count, head, width = (int.from_bytes(content[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    columns: list[_Column] = []
    at, start = _HEAD, 1
    while content[at] != _END_OF_FIELDS:
        name = content[at : at + 11].split(b"\0")[0].decode("ascii")
        columns.append(_Column(name, start, content[at + 16]))
        start, at = start + content[at + 16], at + _DESCRIPTOR
    if start != width or len(content) - head not in (count * width, count * width + 1):
        msg = f"{path.name} is not as long as its head says"
        raise ValueError(msg)
    records = [content[head + number * width : head + (number + 1) * width] for number in range(count)]
    if any(record[:1] == _DELETED for record in records):
        msg = f"{path.name} has a row that is marked as deleted"
        raise ValueError(msg)
    return [
        {each.name: record[each.start : each.start + each.width].decode("utf-8").strip() for each in columns}
        for record in records
    ]


def _told(pattern: re.Pattern[str], lines: list[str]) -> list[str]:
    return [found[1] for line in lines if (found := pattern.match(line))]


def _same_total(told: re.Match[str], rows: list[dict[str, str]]) -> bool:
    """Number and unit of a line against rate times area."""
    total = sum(float(row["RATE"]) * float(row["AREA"]) for row in rows)
    near = abs(float(told[2].replace(",", "")) - total) <= _HALF_A_TENTH + 1e-9 * total
    return near and {row["UNIT"].split("/")[0] for row in rows} == {told[3]}


def _require(holds: bool, what: str) -> None:  # noqa: FBT001 - reads as a sentence at every call
    if not holds:
        raise OutputError(README, f"read back, the text does not state {what}", NOT_PUBLISHED)
