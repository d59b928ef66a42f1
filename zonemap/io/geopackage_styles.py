"""Tables of a GeoPackage beside its layers: how they are coloured, and what is always said (OGC 12-128, F.8)."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import date
from pathlib import Path

from zonemap.errors import OutputError
from zonemap.io.coloured import Coloured
from zonemap.io.names import cut_text
from zonemap.io.prescription_rows import ADVICE, ApplicationRows
from zonemap.io.qml import qml
from zonemap.io.sld import sld

#: a convention of map programs, not of the standard: styles by layer, the default one first; as SLD for those that read
#: the standard, and as QML for the one that made the table and reads nothing else from it
STYLES = "layer_styles"
_STYLE_NAME_OCTETS = 30
_METADATA_URI = "http://www.geopackage.org/spec130/#extension_metadata"
#: plain words under the term "description"
_DUBLIN_CORE = "http://purl.org/dc/terms/"
_TABLES = f"""
CREATE TABLE {STYLES} (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME);
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER, CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
"""


def styles_of(rows: Sequence[ApplicationRows], *, zones: Sequence[int]) -> tuple[Coloured, ...]:
    """One style for the zones, and one an application for the prescription, which draws the rows of that one only."""
    styles = [Coloured("zones", "zones", "zone", [float(zone) for zone in zones], "", "zone")]
    names: list[str] = []
    products = [each.product for each in rows]
    for each in rows:
        day = each.on.isoformat() if each.on else ""
        several = products.count(each.product) > 1
        names.append(cut_text(f"{each.product} {day}".strip(), octets=_STYLE_NAME_OCTETS, taken=names))
        only = (("product", each.product), *((("date", day),) if several else ()))
        rates = each.rate[each.zone > 0].tolist()
        styles.append(Coloured("prescription", names[-1], "rate", rates, each.rate_unit, "label", only))
    return tuple(styles)


def add_styles(path: Path, styles: Sequence[Coloured], *, geometry: str, identifier: str, written_on: date) -> None:
    """Add the styles, and the sentence of advice as metadata of the file and of its prescription.

    Raises
    ------
    OutputError
        When the file cannot be written.
    """
    moment = f"{written_on.isoformat()}T00:00:00.000Z"
    first = {style.layer: style for style in reversed(styles)}
    try:
        with closing(sqlite3.connect(path)) as database, database:
            database.execute("PRAGMA synchronous = OFF")  # publishing waits for the disk
            database.execute("BEGIN")  # one transaction: a table each would wait for the disk each
            for statement in _TABLES.split(";"):
                database.execute(statement)
            database.execute(
                "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
                "VALUES (?, 'attributes', ?, 'How the layers are coloured and labelled.', ?, 0)",
                (STYLES, STYLES, moment),
            )
            database.executemany(
                f"INSERT INTO {STYLES} (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
                "styleQML, styleSLD, useAsDefault, description, owner, ui, update_time) "
                "VALUES ('', '', ?, ?, ?, ?, ?, ?, ?, '', NULL, ?)",
                [(s.layer, geometry, s.name, qml(s), sld(s), s is first[s.layer], s.name, moment) for s in styles],
            )
            _add_metadata(database, f"{ADVICE} {identifier}".strip(), moment)
    except sqlite3.Error as error:
        what = f"the styles cannot be written ({error})"
        raise OutputError(path.name, what, "Check free space and permission of the folder, then run again.") from error


def _add_metadata(database: sqlite3.Connection, text: str, moment: str) -> None:
    database.executemany(
        "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
        "VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')",
        [(table, _METADATA_URI) for table in ("gpkg_metadata", "gpkg_metadata_reference")],
    )
    database.execute("INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/plain', ?)", (_DUBLIN_CORE, text))
    database.executemany(
        "INSERT INTO gpkg_metadata_reference VALUES (?, ?, NULL, NULL, ?, 1, NULL)",
        [("geopackage", None, moment), ("table", "prescription", moment)],
    )
