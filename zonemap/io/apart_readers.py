"""What runs in the child process of `apart`: vector formats through fiona, workbooks through calamine.

Rasters have a module of their own, `apart_rasters`.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import date, datetime
from pathlib import Path
from typing import Any

#: a field has a few dozen samples; above these a file is something else
MOST_ROWS = 200_000
_MOST_MEMORY = 3 * 2**30
_MOST_CPU_SECONDS = 55
# Virtual tables of the GeoPackage standard (OGC 12-128) and its text search; others can reach other files.
_PLAIN_MODULES = {"rtree", "fts3", "fts4", "fts5"}


class Refusal(Exception):  # noqa: N818 -- it is an answer, handed over as JSON
    """What is wrong with the file, and the mend (empty for the general one)."""

    def __init__(self, what: str, mend: str = "") -> None:
        super().__init__(what)
        self.what, self.mend = what, mend


def answer(request: dict[str, Any]) -> None:
    """Run the reader that is asked for and write its result, or what is wrong, to standard output as JSON."""
    reply_to = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints must not mix with the reply
    _limit()
    reply: dict[str, Any]
    try:
        reply = {"result": READERS[request["reader"]](**request["arguments"])}
    except Refusal as refusal:
        reply = {"what": refusal.what, "mend": refusal.mend}
    except MemoryError:
        reply = {"what": "needs more memory than a file of this kind should", "mend": ""}
    except Exception as error:  # noqa: BLE001 -- any failure of a foreign library is one answer: the file is damaged
        unopened = "Failed to open dataset" in str(error)  # says nothing but the name of the private copy
        reply = {"what": "is damaged or incomplete" if unopened else f"cannot be read ({_one_line(error)})", "mend": ""}
    with reply_to:
        json.dump(reply, reply_to)


def _limit() -> None:
    """Limits on memory and time, where the system has them."""
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (_MOST_CPU_SECONDS, _MOST_CPU_SECONDS))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _one_line(error: Exception) -> str:
    text = re.sub(r"[^\s']*/([^\s'/]+)", r"\1", " ".join(str(error).split()))
    return (text or type(error).__name__)[:120]


def read_layer(*, path: str, driver: str, layer: str | None) -> dict[str, Any]:
    """Features of one layer as GeoJSON-like dicts, with the CRS as WKT (empty when the file has none)."""
    if driver == "KML":
        return _read_kml(path)
    if driver == "GPKG":
        layer = _geopackage_layer(path, layer)
    return _read_one(path, driver=driver, layer=layer)


def _read_one(path: str, *, driver: str, layer: str | int | None) -> dict[str, Any]:
    import fiona

    options = {"allow_unsupported_drivers": True} if driver == "KML" else {}
    with fiona.Env(SHAPE_RESTORE_SHX="YES"), fiona.open(path, driver=driver, layer=layer, **options) as source:
        # GeoPackage's codes -1 and 0, "undefined", are no CRS at all (OGC 12-128, requirement 11).
        crs = source.crs_wkt or ""
        crs = "" if '"undefined' in crs.lower() else crs
        return {"crs": crs, "features": [_plain(feature) for feature in _capped(source)]}


def _read_kml(path: str) -> dict[str, Any]:
    """Every folder of a KML file is a layer; one field may lie in several."""
    features: list[dict[str, Any]] = []
    for layer in range(50):
        try:
            read = _read_one(path, driver="KML", layer=layer or None)
        except ValueError as error:
            if "Null layer" not in str(error):
                raise
            break  # no such layer: the last one is behind us
        features += read["features"]
    return {"crs": "EPSG:4326", "features": features}  # OGC 12-007r2, KML 2.3: WGS 84 longitude, latitude


def _geopackage_layer(path: str, layer: str | None) -> str:
    with closing(sqlite3.connect(f"{Path(path).as_uri()}?mode=ro", uri=True)) as database:
        schema = {n: (k, sql or "") for k, n, sql in database.execute("SELECT type, name, sql FROM sqlite_master")}
        contents = "SELECT table_name FROM gpkg_contents WHERE data_type = 'features' ORDER BY table_name"
        listed = [str(name) for (name,) in database.execute(contents)]
    statements = " ".join(sql for _, sql in schema.values())
    modules = re.findall(r"CREATE\s+VIRTUAL\s+TABLE.*?USING\s+\W?(\w+)", statements, re.IGNORECASE | re.DOTALL)
    if odd := sorted({module.lower() for module in modules} - _PLAIN_MODULES):
        raise Refusal(f"holds a virtual table of the kind {odd[0]}", "Export the layer into a new, plain GeoPackage.")
    tables = [name for name in listed if schema.get(name, ("", ""))[0] == "table"]
    return _choose(tables, layer)


def _choose(layers: list[str], layer: str | None) -> str:
    names = ", ".join(layers[:20])
    if not layers:
        raise Refusal("holds no layer of features", "Export the layer into a new, plain GeoPackage.")
    if layer is not None and layer not in layers:
        raise Refusal(f"has no layer {layer!r}", f"Set layer to one of: {names}.")
    if layer is None and len(layers) > 1:
        raise Refusal(f"holds {len(layers)} layers: {names}", f'Name one: layer = "{layers[0]}".')
    return layer or layers[0]


def _capped(features: Any) -> Iterator[Any]:
    for number, feature in enumerate(features):
        if number >= MOST_ROWS:
            raise Refusal(f"holds more than {MOST_ROWS:,} features", "Cut the file down to one field.")
        yield feature


def _plain(feature: Any) -> dict[str, Any]:
    plain = feature.__geo_interface__
    properties = {
        str(key): value.isoformat()[:10] if isinstance(value, datetime | date) else _plain_cell(value)
        for key, value in dict(plain["properties"]).items()
    }
    return {"id": str(feature.id), "geometry": plain["geometry"], "properties": properties}


def _plain_cell(value: Any) -> Any:
    if isinstance(value, bool):
        return str(value).upper()
    return value if isinstance(value, int | float) or value is None else str(value)


def _sheet_cell(value: Any) -> Any:
    return {"date": value.isoformat()[:10]} if isinstance(value, datetime | date) else _plain_cell(value)


def read_workbook(*, path: str, sheet: str | None) -> dict[str, Any]:
    """Rows of one sheet; a cell is text, a number, nothing, ``{"date": ...}`` or ``{"unusable": ...}``."""
    from python_calamine import CalamineWorkbook, PasswordError

    try:
        book = CalamineWorkbook.from_path(path)
    except PasswordError as error:
        raise Refusal("is locked with a password", "Save it without a password.") from error
    filled = [name for name in book.sheet_names if book.get_sheet_by_name(name).height > 0]
    if sheet is None and not filled:
        raise Refusal("is empty", "Put a header row and one row a sample into it.")
    chosen = sheet if sheet is not None else filled[0]
    if chosen not in book.sheet_names:
        raise Refusal(f"has no sheet {chosen!r}", f"Set sheet to one of: {', '.join(filled)}.")
    if sheet is None and len(filled) > 1:
        raise Refusal(f"holds {len(filled)} sheets: {', '.join(filled)}", f'Name one: sheet = "{filled[0]}".')
    opened = book.get_sheet_by_name(chosen)
    if opened.height > MOST_ROWS:
        raise Refusal(f"holds more than {MOST_ROWS:,} rows", "Cut the file down to one field.")
    rows = [[_sheet_cell(cell) for cell in row] for row in opened.to_python(skip_empty_area=False)]
    covered = _covered(opened.merged_cell_ranges or [], height=len(rows), width=max(map(len, rows), default=0))
    for (row, column), reason in (*covered, *_without_value(path, book.sheet_names.index(chosen))):
        if row < len(rows) and column < len(rows[row]):
            rows[row][column] = {"unusable": reason}
    return {"rows": rows}


def _covered(merged: Any, *, height: int, width: int) -> Iterator[tuple[tuple[int, int], str]]:
    """Cells hidden under a merged one, by (row, column) from 0."""
    for (top, left), (bottom, right) in merged:
        for row in range(top, min(bottom + 1, height)):
            for column in range(left, min(right + 1, width)):
                if (row, column) != (top, left):
                    yield (row, column), "is part of a merged cell"


def _without_value(path: str, index: int) -> Iterator[tuple[tuple[int, int], str]]:
    """Cells that hold an error or a formula nobody has computed yet, by (row, column) from 0."""
    for attributes, body in _cells(path, index):
        place = re.search(rb'\br="([A-Z]{1,3})(\d{1,7})"', attributes)
        value = re.search(rb"<(?:\w+:)?v>([^<]*)</", body)
        if place is None or (re.search(rb"<(?:\w+:)?f\b", body) is None and b't="e"' not in attributes):
            continue
        at = int(place[2]) - 1, _column_number(place[1]) - 1
        if b't="e"' in attributes:
            yield at, f"holds the error {value[1].decode(errors='replace') if value else ''}"
        elif (value is None or not value[1].strip()) and b't="str"' not in attributes:
            yield at, "holds a formula without a stored value"


def _cells(path: str, index: int) -> Iterator[tuple[bytes, bytes]]:
    """Raw (attributes, content) of the sheet's cells, found by pattern: no XML parser meets a stranger's XML."""
    with zipfile.ZipFile(path) as archive:
        sheets = re.findall(rb'<(?:\w+:)?sheet\s[^>]*?\b\w+:id="([^"]+)"', archive.read("xl/workbook.xml"))
        links = archive.read("xl/_rels/workbook.xml.rels")
        target = _target(links, sheets[index]) if index < len(sheets) else None
        if target is None or target not in archive.namelist():
            return
        for cell in re.finditer(rb"<(?:\w+:)?c\s([^>]*[^>/])>(.*?)</(?:\w+:)?c>", archive.read(target), re.DOTALL):
            yield cell[1], cell[2]


def _target(links: bytes, identifier: bytes) -> str | None:
    for link in re.findall(rb"<(?:\w+:)?Relationship\s[^>]*>", links):
        target = re.search(rb'\bTarget="([^"]+)"', link)
        if target and b'Id="' + identifier + b'"' in link:
            name = target[1].decode()
            return name.lstrip("/") if name.startswith("/") else f"xl/{name}"
    return None


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def read_raster_header(**arguments: Any) -> dict[str, Any]:
    """See `apart_rasters.read_header`."""
    from zonemap.io.apart_rasters import read_header

    return read_header(**arguments)


def read_raster_window(**arguments: Any) -> dict[str, Any]:
    """See `apart_rasters.read_window`."""
    from zonemap.io.apart_rasters import read_window

    return read_window(**arguments)


READERS: dict[str, Callable[..., dict[str, Any]]] = {
    "layer": read_layer,
    "workbook": read_workbook,
    "raster_header": read_raster_header,
    "raster_window": read_raster_window,
}
