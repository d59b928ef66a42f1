"""Vector files: GeoJSON, GeoPackage, shapefile (parts, folder or zip) and KML, by an allow-list and the first bytes.

GeoJSON is parsed here; the other formats go through fiona in a child process, from a private copy of their bytes, one
driver each, so that nothing in a file can name another file or an address.
"""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any, NoReturn

import numpy as np
import shapely
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.io.archives import open_archive, read_member
from zonemap.io.numbers import Cell, cell_text
from zonemap.io.sources import MOST_BYTES, FieldFolder, one_line, shown
from zonemap.io.tables import MOST_ROWS
from zonemap.values.note import Note

VECTOR_SUFFIXES = (".geojson", ".json", ".gpkg", ".shp", ".zip", ".kml")
MOST_VERTICES = 500_000
#: a vertex takes about 40 letters; parsed, text takes many times its size
_MOST_TEXT = 32 * 2**20
_MEND_SUFFIX = "Save it as GeoJSON, GeoPackage, shapefile or KML."
_MEND_JSON = "Export it again as GeoJSON."
#: RFC 7946, section 4: coordinates are WGS 84 longitude and latitude
_GEOJSON_CRS = "EPSG:4326"
_APPLICATION_IDS = {b"GPKG", b"GP10", b"GP11"}  # OGC 12-128, requirement 2, and its versions 1.0, 1.1
_GEOMETRY_TYPES = {
    "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection",
}  # fmt: skip
_NO_GEOMETRY = (
    ValueError, TypeError, LookupError, AttributeError, RecursionError, OverflowError, shapely.errors.ShapelyError,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature: its place in the file (``feature 3``), its own id, a 2-D geometry and what is said of it."""

    place: str
    id: str
    geometry: BaseGeometry | None
    properties: Mapping[str, Cell]

    @property
    def title(self) -> str:
        """Id and the first telling property, for lists."""
        return one_line(f"{self.id} ({self.name})" if self.name else self.id)[:80]

    @property
    def name(self) -> str:
        """The first telling property; empty where none tells more than the id."""
        telling = (cell_text(self.properties[key]) for key in self.properties if key.lower() in ("name", "field", "id"))
        return next((text for text in telling if text and text != self.id), "")


@dataclass(frozen=True, slots=True)
class Layer:
    """Features of one file.

    Attributes
    ----------
    name
        File name.
    crs
        What the file says: WKT or ``AUTHORITY:CODE``; empty when it says nothing.
    assumed
        Whether `crs` is only the format's default.
    """

    name: str
    crs: str
    assumed: bool
    features: tuple[Feature, ...]
    notes: tuple[Note, ...] = ()


def read_layer(folder: FieldFolder, path: Path, *, layer: str | None = None) -> Layer:
    """Read the features of a file, or of a folder that holds one shapefile.

    Raises
    ------
    InputError
        When it is not one of the formats by name and content, or is damaged.
    """
    where, suffix = folder.label(path), path.suffix.lower()
    if path.is_dir():
        return _folder_layer(folder, path)
    if suffix == ".kmz":
        raise InputError(where, "is packed KML", "Unpack it and name the .kml inside.")
    if suffix in (".shx", ".dbf", ".prj", ".cpg"):
        raise InputError(where, "is only a part of a shapefile", "Name its .shp and put the other parts beside it.")
    if suffix not in VECTOR_SUFFIXES:
        raise InputError(where, f"{suffix or 'no suffix'} is not a vector format this reads", _MEND_SUFFIX)
    if suffix == ".shp":
        return _shapefile_layer(folder, path)
    content = folder.read(path, most=MOST_BYTES if suffix in (".gpkg", ".zip") else _MOST_TEXT)
    if suffix == ".gpkg":
        _refuse_unsaved(path, where=where)
        return _geopackage_layer(content, where=where, layer=layer)
    if suffix == ".zip":
        return _zip_layer(content, where=where, layer=layer)
    return _kml_layer(content, where=where) if suffix == ".kml" else geojson_layer(content, where=where)


def geojson_layer(content: bytes, *, where: str) -> Layer:
    """Return the layer in the bytes of a GeoJSON file; an old ``crs`` member is honoured."""
    try:
        root = json.loads(content.decode("utf-8-sig"), parse_constant=_refuse_constant)
    except RecursionError as error:
        raise InputError(where, "is nested too deeply", _MEND_JSON) from error
    except ValueError as error:
        what = f"is not GeoJSON ({str(error)[:80]})" if content.lstrip()[:1] != b"<" else "is XML, not GeoJSON"
        raise InputError(where, what, _MEND_JSON) from error
    kind = str(root.get("type")) if isinstance(root, dict) else "list"
    if kind == "FeatureCollection" and isinstance(root.get("features"), list):
        raw = root["features"]
    elif kind == "Feature" or kind in _GEOMETRY_TYPES:
        raw = [root if kind == "Feature" else {"geometry": root}]
    else:
        raise InputError(where, f"is JSON of the type {shown(kind)}, not GeoJSON", _MEND_JSON)
    crs = _geojson_crs(root, where=where)
    return _layer(raw, where=where, crs=crs or _GEOJSON_CRS, assumed=not crs)


def _refuse_constant(name: str) -> NoReturn:
    msg = f"{name} is not a number"
    raise ValueError(msg)


def _geojson_crs(root: dict[str, Any], *, where: str) -> str:
    """CRS an old GeoJSON names, empty when it names none."""
    member = root.get("crs")
    if member is None:
        return ""
    properties = member.get("properties") if isinstance(member, dict) else None
    name = str(properties.get("name")) if isinstance(properties, dict) else ""
    if "CRS84" in name:
        return _GEOJSON_CRS
    code = re.fullmatch(r"(?:urn:ogc:def:crs:)?EPSG:(?:[\d.]*:)?(\d{4,6})", name)
    if code is None:
        raise InputError(where, f"names a CRS this cannot read: {shown(name or member)}", "Export it in WGS 84.")
    return f"EPSG:{code[1]}"


def _kml_layer(content: bytes, *, where: str) -> Layer:
    """Layer from KML; declarations that could define entities are refused before any parser sees them."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(where, "is not UTF-8 text", "Export it again as KML or GeoJSON.") from error
    if re.search(r"<!\s*(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise InputError(where, "declares a document type or entities", "Export it again as KML or GeoJSON.")
    if "<kml" not in text[:4096] or "\0" in text:
        raise InputError(where, "is not KML, whatever its name says", _MEND_SUFFIX)
    return _read_parts({"boundary.kml": content}, "boundary.kml", where=where, driver="KML", layer=None)


def _geopackage_layer(content: bytes, *, where: str, layer: str | None) -> Layer:
    if not content.startswith(b"SQLite format 3\0") or content[68:72] not in _APPLICATION_IDS:
        raise InputError(where, "is not a GeoPackage, whatever its name says", _MEND_SUFFIX)
    # A database in write-ahead mode wants a companion file; the private copy is complete and needs none.
    content = content[:18] + b"\x01\x01" + content[20:] if content[18:20] == b"\x02\x02" else content
    return _read_parts({"layer.gpkg": content}, "layer.gpkg", where=where, driver="GPKG", layer=layer)


def _refuse_unsaved(path: Path, *, where: str) -> None:
    journal = path.with_name(f"{path.name}-wal")
    if journal.is_file() and journal.stat().st_size:
        raise InputError(where, "holds changes that are not written into it yet", "Close it in the other program.")


def _folder_layer(folder: FieldFolder, path: Path) -> Layer:
    shapes = [entry for entry in _entries(path, where=folder.label(path)) if entry.suffix.lower() == ".shp"]
    if len(shapes) != 1:
        names = ", ".join(entry.name for entry in shapes) or "none"
        what = f"is a folder with {len(shapes)} shapefiles ({names})"
        raise InputError(folder.label(path), what, "Name one .shp file.")
    return _shapefile_layer(folder, shapes[0])


def _entries(path: Path, *, where: str) -> list[Path]:
    try:
        return sorted(path.iterdir())
    except OSError as error:
        what = f"its folder cannot be listed ({(error.strerror or str(error)).lower()})"
        raise InputError(where, what, "Give yourself the right to read it.") from error


def _shapefile_layer(folder: FieldFolder, path: Path) -> Layer:
    """Layer from a .shp and the parts beside it, whatever the case of their suffixes."""
    beside = {
        entry.suffix.lower(): entry
        for entry in _entries(path.parent, where=folder.label(path))
        if entry.stem == path.stem and entry.suffix.lower() in (".shx", ".dbf", ".prj", ".cpg")
    }
    parts = {suffix: folder.read(entry) for suffix, entry in ({".shp": path} | beside).items()}
    return _shapefile_parts(parts, where=folder.label(path))


def _zip_layer(content: bytes, *, where: str, layer: str | None) -> Layer:
    """Layer from the one shapefile in an archive, or the one whose name is `layer`."""
    with open_archive(content, where=where) as archive:
        names_in = {PurePosixPath(n): n for n in archive.namelist() if not n.startswith("__MACOSX/")}
        members = list(names_in)
        shapes = [m for m in members if m.suffix.lower() == ".shp" and layer in (None, m.stem)]
        if len(shapes) != 1:
            names = one_line(", ".join(m.stem for m in members if m.suffix.lower() == ".shp")) or "none"
            mend = f'Name one: layer = "{shapes[0].stem}".' if shapes else "Pack one shapefile, or unpack the file."
            raise InputError(where, f"does not hold one shapefile to read (it holds {names})", mend)
        chosen = shapes[0].parent, shapes[0].stem
        mine = [m for m in members if (m.parent, m.stem) == chosen]
        suffixes = (".shp", ".shx", ".dbf", ".prj", ".cpg")
        parts = {
            m.suffix.lower(): read_member(archive, names_in[m], where=where)
            for m in mine
            if m.suffix.lower() in suffixes
        }
    return _shapefile_parts(parts, where=where)


def _shapefile_parts(parts: dict[str, bytes], *, where: str) -> Layer:
    """Layer from a shapefile's parts by suffix; what is missing is named."""
    if not parts[".shp"].startswith(b"\x00\x00\x27\x0a"):  # ESRI Shapefile Technical Description, 1998: file code 9994
        raise InputError(where, "is not a shapefile, whatever its name says", _MEND_SUFFIX)
    notes = []
    if ".shx" not in parts:
        notes.append(Note("repair", f"{where}: the .shx part is missing; the index was rebuilt for reading."))
    if ".dbf" not in parts:
        notes.append(Note("warning", f"{where}: the .dbf part is missing, so nothing but the shapes was read."))
    if ".cpg" in parts and not _known_encoding(parts[".cpg"]):
        notes.append(Note("repair", f"{where}: the .cpg part names no known encoding and was left out."))
        parts = {suffix: part for suffix, part in parts.items() if suffix != ".cpg"}
    files = {f"layer{suffix}": part for suffix, part in parts.items()}
    read = _read_parts(files, "layer.shp", where=where, driver="ESRI Shapefile", layer=None)
    return replace(read, notes=(*notes, *read.notes))


def _known_encoding(content: bytes) -> bool:
    try:
        name = content.decode("ascii").strip()
        codecs.lookup(f"cp{name}" if name.isdigit() else name)
    except (UnicodeDecodeError, LookupError, ValueError):
        return False
    return True


def _read_parts(files: Mapping[str, bytes], main: str, *, where: str, driver: str, layer: str | None) -> Layer:
    """Read private copies of the files in a child process."""
    from zonemap.io.apart import private_copy, read_apart

    with private_copy(files) as private:
        read = read_apart("layer", where=where, path=str(private / main), driver=driver, layer=layer)
    return _layer(read["features"], where=where, crs=str(read["crs"]), assumed=False)


def _layer(raw: list[Any], *, where: str, crs: str, assumed: bool) -> Layer:
    """Layer from GeoJSON-like features."""
    if len(raw) > MOST_ROWS:
        raise InputError(where, f"holds more than {MOST_ROWS:,} features", "Cut the file down to one field.")
    features = tuple(_feature(item, number, where=where) for number, item in enumerate(raw, start=1))
    vertices = sum(shapely.get_num_coordinates(f.geometry) for f in features if f.geometry is not None)
    if vertices > MOST_VERTICES:
        what = f"holds {vertices:,} vertices, more than {MOST_VERTICES:,}"
        raise InputError(where, what, "Simplify the shapes or cut the file down to one field.")
    return Layer(where, crs, assumed, features)


def _feature(item: Any, number: int, *, where: str) -> Feature:
    place = f"feature {number}"
    if not isinstance(item, dict):
        raise InputError(f"{where}, {place}", "is not a feature", _MEND_JSON)
    properties = item.get("properties") or {}
    if not isinstance(properties, dict):
        raise InputError(f"{where}, {place}", "has properties that are no table", _MEND_JSON)
    cells = {str(key): _property(value) for key, value in properties.items()}
    geometry = item.get("geometry")
    built = None if geometry is None else _geometry(geometry, where=f"{where}, {place}")
    identity = item.get("id")
    return Feature(place, str(number if identity is None else identity), built, MappingProxyType(cells))


def _property(value: Any) -> Cell:
    if isinstance(value, bool):
        return str(value).upper()
    return value if isinstance(value, str | int | float) or value is None else "(nested)"


def _geometry(raw: Any, *, where: str) -> BaseGeometry:
    """Geometry in two dimensions with finite coordinates."""
    mend = "Draw the shape again, or export the file again."
    kind = raw.get("type") if isinstance(raw, dict) else "something else"
    if not isinstance(kind, str) or kind not in _GEOMETRY_TYPES:
        raise InputError(where, f"has {shown(kind)} where a geometry should be", mend)
    try:
        geometry = shapely.force_2d(shape(raw))
    except _NO_GEOMETRY as error:
        raise InputError(where, f"has a broken geometry ({str(error)[:80]})", mend) from error
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        raise InputError(where, "has a coordinate that is not a finite number", mend)
    return geometry
