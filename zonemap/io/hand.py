"""Zones drawn elsewhere and changes by hand, read from field.toml and the files it names."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary, source_crs
from zonemap.io.field_file import NAME, ZoneEditTable, ZonesTable
from zonemap.io.numbers import cell_text
from zonemap.io.sources import FieldFolder, shown
from zonemap.io.vectors import Layer, read_layer
from zonemap.values.hand import DrawnZones, Hand, MergeZones, MoveCells, SplitZone, ZoneEdit


def read_hand(
    folder: FieldFolder, zones: ZonesTable | None, edits: Sequence[ZoneEditTable], boundary: Boundary
) -> Hand:
    """Read drawn zones and edits, placed in the working CRS.

    Raises
    ------
    InputError
        Naming the table and key.
    """
    drawn = None if zones is None else _drawn(folder, zones, boundary)
    each = (
        _edit(folder, table, boundary, where=f"{NAME}, zone_edit {number}")
        for number, table in enumerate(edits, start=1)
    )
    return Hand(drawn, tuple(each))


def _drawn(folder: FieldFolder, table: ZonesTable, boundary: Boundary) -> DrawnZones:
    where = f"{NAME}, zones"
    layer = read_layer(folder, folder.find(table.file, where=f"{where}, file"), layer=table.layer)
    labels, shapes = [], _placed(layer, table.crs, boundary, key='crs = "EPSG:..." under [zones]')
    for feature in layer.features:
        if table.column is not None and table.column not in feature.properties:
            there = ", ".join(feature.properties) or "none"
            what = f"{feature.place} has no {shown(table.column)}"
            raise InputError(f"{layer.name}, {feature.place}", what, f"Name one of its columns: {there}.")
        labels.append(cell_text(feature.properties[table.column]) if table.column else feature.title)
    grouped: dict[str, list[BaseGeometry]] = {}
    for label, shape in zip(labels, shapes, strict=True):
        grouped.setdefault(label, []).append(shape)
    ordered = sorted(grouped, key=_in_order)
    return DrawnZones(tuple(ordered), tuple(shapely.union_all(grouped[label]) for label in ordered))


def _in_order(label: str) -> tuple[bool, float, str]:
    """Numbers by size, then words by letters."""
    return (False, float(label), "") if label.isdigit() else (True, 0.0, label)


def _placed(layer: Layer, stated_crs: str | None, boundary: Boundary, *, key: str) -> list[BaseGeometry]:
    """Polygons of a layer in the working CRS."""
    if not layer.features:
        raise InputError(layer.name, "holds no shape", "Draw the zones as polygons.")
    source = source_crs(layer, stated_crs, where=layer.name, key=key)
    placed = []
    for feature in layer.features:
        where = f"{layer.name}, {feature.place}"
        if not isinstance(feature.geometry, Polygon | MultiPolygon) or feature.geometry.is_empty:
            raise InputError(where, "is no polygon", "Draw every zone as a polygon.")
        at = shapely.get_coordinates(feature.geometry)
        coordinates.refuse_wrong_scale(
            at[:, 0], at[:, 1], source, where=where, key=key, swap="Export it with longitude first"
        )
        moved = coordinates.transform_shape(feature.geometry, source=source, target=boundary.crs, where=where)
        placed.append(shapely.make_valid(moved, method="structure", keep_collapsed=False))
    return placed


def _edit(folder: FieldFolder, table: ZoneEditTable, boundary: Boundary, *, where: str) -> ZoneEdit:
    kinds = [key for key in ("merge", "split", "move_to") if getattr(table, key) is not None]
    if len(kinds) != 1:
        what = "says nothing to do" if not kinds else f"has {' and '.join(kinds)} in one table"
        raise InputError(where, what, "Give it one of merge, split and move_to.")
    reason = table.reason or ""
    if table.merge is not None:
        return MergeZones(tuple(table.merge), reason)
    if table.split is not None:
        if table.line is None:
            raise InputError(f"{where}, line", "is missing", "Write line = [[-97.5, 41.0], [-97.4, 41.1]].")
        return SplitZone(table.split, LineString(_points(table.line, boundary, where=f"{where}, line")), reason)
    return MoveCells(_area(folder, table, boundary, where=where), table.move_to or 0, reason)


def _area(folder: FieldFolder, table: ZoneEditTable, boundary: Boundary, *, where: str) -> MultiPolygon:
    if (table.file is None) == (table.polygon is None):
        raise InputError(where, "needs an area", "Give it a file, or polygon = [[-97.5, 41.0], ...] of three or more.")
    if table.polygon is not None:
        ring = Polygon(_points(table.polygon, boundary, where=f"{where}, polygon"))
        shapes: list[BaseGeometry] = [shapely.make_valid(ring, method="structure", keep_collapsed=False)]
    else:
        layer = read_layer(folder, folder.find(table.file or "", where=f"{where}, file"), layer=table.layer)
        shapes = _placed(layer, table.crs, boundary, key='crs = "EPSG:..." under [[zone_edit]]')
    parts = shapely.get_parts(shapely.union_all(shapes))
    return MultiPolygon([part for part in parts if isinstance(part, Polygon)])


def _points(pairs: Sequence[Sequence[float]], boundary: Boundary, *, where: str) -> list[tuple[float, float]]:
    """Longitude and latitude pairs in the working CRS."""
    for longitude, latitude in pairs:
        if abs(latitude) > 90 or abs(longitude) > 360:
            what = f"[{longitude:g}, {latitude:g}] is not longitude, latitude in degrees"
            raise InputError(where, what, "Write longitude first: [-97.5, 41.0].")
    eastings, northings = coordinates.transform_points(
        [pair[0] for pair in pairs],
        [pair[1] for pair in pairs],
        source=coordinates.WGS84,
        target=boundary.crs,
    )
    return list(zip(eastings.tolist(), northings.tolist(), strict=True))
