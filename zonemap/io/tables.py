"""Tables from CSV and workbooks: rows of cells with the line or row number the user sees."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from zonemap.errors import InputError
from zonemap.io.archives import open_archive
from zonemap.io.numbers import Cell, Unusable, cell_text
from zonemap.io.sources import FieldFolder, one_line, shown
from zonemap.values.note import Note

TEXT_SUFFIXES = (".csv", ".txt", ".tsv")
WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")
TABLE_SUFFIXES = TEXT_SUFFIXES + WORKBOOK_SUFFIXES
MOST_ROWS = 200_000
MOST_COLUMNS = 1_000
MOST_HEADER = 300
_DELIMITERS = ("\t", ";", "|", ",")
_ENCODINGS = (
    # Longest mark first: UTF-32's begins with UTF-16's (Unicode 15, section 23.8).
    (b"\xff\xfe\x00\x00", "utf-32"), (b"\x00\x00\xfe\xff", "utf-32"), (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"),
)  # fmt: skip
_MEND_ENCODING = "Save the file again as CSV UTF-8."


@dataclass(frozen=True, slots=True)
class Row:
    """One row: where the user finds it (``line 14``) and its cells, as many as there are headers."""

    place: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table as handed in.

    Attributes
    ----------
    name
        File name.
    headers
        Unique, stripped.
    delimiter
        What parts the fields of a text file; empty for other files.
    """

    name: str
    headers: tuple[str, ...]
    rows: tuple[Row, ...]
    delimiter: str = ""
    notes: tuple[Note, ...] = ()

    def column(self, header: str) -> Iterator[tuple[str, Cell]]:
        """(place, cell) of every row in one column."""
        index = self.headers.index(header)
        return ((row.place, row.cells[index]) for row in self.rows)

    def at(self, place: str, header: str) -> str:
        """Where a cell is, for a message."""
        return f"{self.name}, {place}, column {shown(header)}"


def read_table(folder: FieldFolder, path: Path, *, sheet: str | None = None) -> Table:
    """Read a CSV file or a workbook.

    Raises
    ------
    InputError
        When the file is not such a table, is ragged, empty, damaged or too large.
    """
    where, suffix = folder.label(path), path.suffix.lower()
    if suffix not in TABLE_SUFFIXES:
        what = f"{suffix or 'a file without a suffix'} is not a table this reads"
        raise InputError(where, what, "Save it as .csv or .xlsx.")
    content = folder.read(path)
    if suffix in WORKBOOK_SUFFIXES:
        return workbook_table(content, where=where, sheet=sheet)
    return text_table(content, where=where)


def text_table(content: bytes, *, where: str) -> Table:
    """Table from the bytes of a text file whose fields are parted by comma, semicolon, tab or bar."""
    text, notes = _decode(content, where=where)
    first_line = 1
    stated = re.match(r'"?sep=(.)"?\r?\n', text, re.IGNORECASE)  # some spreadsheets name the delimiter in line 1
    if stated:
        text, first_line = text[stated.end() :], 2
    delimiter = stated.group(1) if stated else _sniff(text)
    lines = [(f"line {number + first_line - 1}", row) for number, row in _fields(text, delimiter, where=where)]
    return _table(lines, where=where, delimiter=delimiter, notes=notes)


def workbook_table(content: bytes, *, where: str, sheet: str | None = None) -> Table:
    """Table from the bytes of a workbook: values only, of the one sheet that holds any or the one named."""
    from zonemap.io.apart import private_copy, read_apart

    if not content.startswith(b"PK\x03\x04"):
        raise InputError(where, "is not a workbook, whatever its name says", "Save it as .xlsx, or rename it to .csv.")
    open_archive(content, where=where, mend="Open it in the spreadsheet and save it again as .xlsx.").close()
    with private_copy({"book.xlsx": content}) as private:
        read = read_apart("workbook", where=where, path=str(private / "book.xlsx"), sheet=sheet)
    rows = [(f"row {number}", [json_cell(cell) for cell in row]) for number, row in enumerate(read["rows"], start=1)]
    return _table(rows, where=where, delimiter="", notes=())


def json_cell(cell: Any) -> Cell:
    """Cell as the reader in the child process wrote it."""
    if isinstance(cell, dict):
        return date.fromisoformat(cell["date"]) if "date" in cell else Unusable(str(cell["unusable"]))
    return cell if isinstance(cell, str | int | float) or cell is None else str(cell)


def _decode(content: bytes, *, where: str) -> tuple[str, tuple[Note, ...]]:
    """Text by its byte order mark, else UTF-8, else Windows-1252 with a warning."""
    if content.startswith(b"PK\x03\x04"):
        raise InputError(where, "is a workbook or an archive, not text", "Rename it to .xlsx if it is a workbook.")
    encoding = next((name for mark, name in _ENCODINGS if content.startswith(mark)), "utf-8")
    notes: tuple[Note, ...] = ()
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        if encoding != "utf-8":
            raise InputError(where, f"is not the {encoding.upper()} it claims to be", _MEND_ENCODING) from error
        text = _western(content, where=where)
        notes = (Note("warning", f"{where}: is not UTF-8; read as Windows-1252. {_MEND_ENCODING}"),)
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise InputError(f"{where}, line {line}", "holds NUL bytes, so it is damaged or not text", _MEND_ENCODING)
    return text, notes


def _western(content: bytes, *, where: str) -> str:
    try:
        return content.decode("cp1252")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(f"{where}, line {line}", "is neither UTF-8 nor Windows-1252 text", _MEND_ENCODING) from error


def _sniff(text: str) -> str:
    """Delimiter that parts the header and then most rows into the same number of fields."""
    head = text[:65_536].splitlines(keepends=True)[:60]
    scores = []
    for delimiter in _DELIMITERS:
        try:
            counts = [len(row) for row in csv.reader(head, delimiter=delimiter) if any(field.strip() for field in row)]
        except csv.Error:
            continue
        if counts and counts[0] > 1:
            alike = sum(count == counts[0] for count in counts) / len(counts)
            scores.append((alike, counts[0], delimiter))
    return max(scores, key=lambda score: score[:2])[2] if scores else ","


def _fields(text: str, delimiter: str, *, where: str) -> Iterator[tuple[int, list[str]]]:
    """(line number, fields) of every row that holds anything; a row may span lines and counts from its first."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    first_line, rows = 1, 0
    try:
        for row in reader:
            if any(field.strip() for field in row):
                rows += 1
                if rows > MOST_ROWS + 1:
                    raise InputError(where, f"holds more than {MOST_ROWS:,} rows", "Cut the file down to one field.")
                yield first_line, row
            first_line = reader.line_num + 1
    except csv.Error as error:
        mend = "Close every quotation mark, double the ones inside a field, and put one row on a line."
        raise InputError(f"{where}, line {first_line}", f"cannot be split into fields ({error})", mend) from error


def _table(lines: list[tuple[str, Any]], *, where: str, delimiter: str, notes: tuple[Note, ...]) -> Table:
    """Table from raw rows: the first that holds anything is the header."""
    filled = [(place, cells) for place, cells in lines if any(cell not in ("", None) for cell in cells)]
    if not filled:
        raise InputError(where, "is empty", "Put a header row and one row a sample into it.")
    (header_place, raw_headers), body = filled[0], filled[1:]
    headers = _headers(raw_headers, where=f"{where}, {header_place}")
    rows = tuple(Row(place, _fit(cells, len(headers), where=f"{where}, {place}")) for place, cells in body)
    return Table(where, headers, rows, delimiter, notes)


def _headers(raw: list[Cell], *, where: str) -> tuple[str, ...]:
    """Headers as text, unique; empty ones at the end are dropped."""
    headers = [one_line(cell_text(cell).lstrip("\ufeff")) for cell in raw]
    while headers and not headers[-1]:
        headers.pop()
    if len(headers) > MOST_COLUMNS:
        raise InputError(where, f"holds {len(headers):,} columns", "Cut the file down to what was measured.")
    if not headers:
        raise InputError(where, "has no headers", "Put a header row above the samples.")
    if "" in headers:
        raise InputError(where, f"column {headers.index('') + 1} has no header", "Name the column or delete it.")
    if max(map(len, headers)) > MOST_HEADER:
        what = f"a header is longer than {MOST_HEADER} letters: {shown(max(headers, key=len))}"
        raise InputError(where, what, "Put short headers into the first row.")
    twice = next((header for header in headers if headers.count(header) > 1), None)
    if twice is not None:
        raise InputError(where, f"the header {shown(twice)} is there twice", "Give every column its own name.")
    return tuple(headers)


def _fit(cells: list[Cell], width: int, *, where: str) -> tuple[Cell, ...]:
    """Exactly `width` cells; only empty ones at the end may be missing in a workbook or left over."""
    if len(cells) < width or any(cell not in ("", None) for cell in cells[width:]):
        mend = "Quote fields that hold the delimiter, and fill up short rows with empty fields."
        raise InputError(where, f"has {len(cells)} fields where the header has {width}", mend)
    return tuple(cell.strip() if isinstance(cell, str) else cell for cell in cells[:width])
