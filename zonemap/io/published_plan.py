"""A published plan, read again: what was planned, from what, and the cells it was planned on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary
from zonemap.io.field_file import NAME
from zonemap.io.field_parts import settings_of
from zonemap.io.manifest import MANIFEST, OUR_KEY
from zonemap.io.names import plain_text
from zonemap.io.sources import FieldFolder, one_line, shown
from zonemap.io.vectors import Feature, read_layer
from zonemap.units import UnitSystem
from zonemap.values.field import NoSpread
from zonemap.values.file_units import HA_PER_AREA, file_units
from zonemap.values.note import Note
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product

_PRESCRIPTION, _SUMMARY = "prescription.gpkg", "summary.json"
#: as long as a summary of a thousand zones can get
_MOST_JSON_BYTES = 32 * 2**20
#: rates of one zone that differ by less, relative, are one rate
_SAME_RATE = 1e-6


@dataclass(frozen=True, slots=True)
class PublishedPlan:
    """What a plan's folder says.

    Attributes
    ----------
    prescription
        In the working CRS of the boundary it was read with.
    no_spread
        Where the plan lets nothing be spread.
    cell_m
        Side of its cells.
    notes
        What has changed since it was published.
    """

    prescription: Prescription
    no_spread: tuple[NoSpread, ...]
    cell_m: float
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]


def read_published_plan(
    folder: Path, *, inbox: FieldFolder, boundary: Boundary, products: Sequence[Product]
) -> PublishedPlan:
    """Read the plan that was published in a folder.

    Parameters
    ----------
    inbox
        The field folder as it is now.
    products
        As field.toml names them now: composition and density are theirs.

    Raises
    ------
    InputError
        When there is no plan, or it cannot be read.
    """
    mend = f"Make one first: zonemap plan {inbox.root}."
    if not (folder / MANIFEST).is_file():
        raise InputError(one_line(str(folder)), "there is no published plan to hold it against", mend)
    inner = FieldFolder(folder)
    manifest = _json(inner, MANIFEST, mend=mend)
    if OUR_KEY not in manifest or "pipeline" not in manifest:
        raise InputError(one_line(str(folder)), "is no published plan", mend)
    if _PRESCRIPTION not in inner.names:
        mend = f"Publish it as a GeoPackage too: zonemap plan {inbox.root} --formats geopackage,shapefile."
        raise InputError(one_line(str(folder)), f"holds no {_PRESCRIPTION}", mend)
    summary = _json(inner, _SUMMARY, mend=mend)
    field = _table(summary, "field")
    units: UnitSystem = "us" if field.get("units_of_files") == "us" else "metric"
    cell_m = field.get("cell_m")
    if not isinstance(cell_m, int | float) or not 0 < cell_m <= 1000:
        raise InputError(f"{_SUMMARY}, field, cell_m", "says no size of cells", mend)
    prescription = _prescription(inner, boundary, _products(products, summary), units=units, mend=mend)
    notes = (*_changed_since(manifest, inbox), *_edited(manifest, inner))
    hashes = tuple((f"plan/{name}", value) for name, value in inner.sha256())
    return PublishedPlan(prescription, _no_spread(inner, boundary), float(cell_m), notes, hashes)


def _json(inner: FieldFolder, name: str, *, mend: str) -> Mapping[str, Any]:
    try:
        content = json.loads(inner.read(inner.find(name, where=name), most=_MOST_JSON_BYTES))
    except (ValueError, RecursionError) as error:
        raise InputError(f"the plan's {name}", "cannot be read", mend) from error
    if not isinstance(content, dict):
        raise InputError(f"the plan's {name}", "is not what a plan writes", mend)
    return content


def _table(content: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = content.get(key)
    return value if isinstance(value, dict) else {}


def _products(stated: Sequence[Product], summary: Mapping[str, Any]) -> dict[str, Product]:
    """Name in the files -> the product; a blend's composition is that of what it is made of."""
    known = {plain_text(product.name): product for product in stated}
    found = dict(known)
    listed = summary.get("products")
    for each in listed if isinstance(listed, list) else []:
        parts = _table(each, "parts") if isinstance(each, dict) else {}
        made_of = {plain_text(str(name)): share for name, share in parts.items() if isinstance(share, int | float)}
        if made_of and set(made_of) <= set(known):
            analysis: dict[str, float] = {}
            for name, share in made_of.items():
                for element, content in known[name].analysis.items():
                    analysis[element] = analysis.get(element, 0.0) + share * content
            name = plain_text(str(each.get("product")))
            found[name] = Product(name, analysis)
    return found


def _prescription(
    inner: FieldFolder,
    boundary: Boundary,
    products: Mapping[str, Product],
    *,
    units: UnitSystem,
    mend: str,
) -> Prescription:
    layer = read_layer(inner, inner.find(_PRESCRIPTION, where=_PRESCRIPTION), layer="prescription")
    groups: dict[tuple[str, str], list[Feature]] = {}
    for feature in layer.features:
        key = (str(feature.properties.get("product")), str(feature.properties.get("date") or "")[:10])
        groups.setdefault(key, []).append(feature)
    if not groups:
        raise InputError(_PRESCRIPTION, "plans nothing to spread", "Remove the [[spread]] tables.")
    zones = [[_whole(feature, mend=mend) for feature in group] for group in groups.values()]
    if any(each != zones[0] for each in zones):
        raise InputError(_PRESCRIPTION, "has other polygons for one product than for another", mend)
    first = next(iter(groups.values()))
    polygons = tuple(_polygon(feature, boundary, layer.crs, mend=mend) for feature in first)
    area = np.array([_number(feature, "area", mend=mend) for feature in first]) * HA_PER_AREA[units]
    applications = tuple(
        _application(name, day, group, products.get(name, Product(name, {})), units=units, mend=mend)
        for (name, day), group in groups.items()
    )
    return Prescription(units, boundary.crs, polygons, np.array(zones[0]), applications, inside_ha=area)


def _application(
    name: str, day: str, group: Sequence[Feature], product: Product, *, units: UnitSystem, mend: str
) -> Application:
    """One product on one day, its rate by zone."""
    stated, unit = file_units(units, product), str(group[0].properties.get("unit"))
    if unit != stated.rate_unit:
        what = f"{shown(name)} is planned in {unit}, and by its density in {NAME} it is now in {stated.rate_unit}"
        raise InputError(_PRESCRIPTION, what, mend)
    zone = np.array([_whole(feature, mend=mend) for feature in group])
    rate = np.array([_number(feature, "rate", mend=mend) for feature in group]) * stated.kg_ha_per_rate
    by_zone = np.zeros(int(zone.max()))
    by_zone[zone[zone > 0] - 1] = rate[zone > 0]
    if not np.allclose(np.concatenate([[0.0], by_zone])[zone], rate, rtol=_SAME_RATE, atol=1e-9):
        raise InputError(_PRESCRIPTION, f"polygons of one zone have several rates of {shown(name)}", mend)
    try:
        on = date.fromisoformat(day) if day else None
    except ValueError as error:
        raise InputError(_PRESCRIPTION, f"{shown(day)} is no day", mend) from error
    return Application(product, on, by_zone, by_zone)


def _polygon(feature: Feature, boundary: Boundary, crs: str, *, mend: str) -> Polygon:
    if not isinstance(feature.geometry, Polygon) or feature.geometry.is_empty:
        raise InputError(f"{_PRESCRIPTION}, {feature.place}", "is no polygon", mend)
    return coordinates.transform_shape(feature.geometry, source=crs, target=boundary.crs, where=_PRESCRIPTION)


def _number(feature: Feature, key: str, *, mend: str) -> float:
    value = feature.properties.get(key)
    if not isinstance(value, int | float) or not 0 <= value <= 1e12:
        raise InputError(f"{_PRESCRIPTION}, {feature.place}", f"{shown(value)} is no {key}", mend)
    return float(value)


def _whole(feature: Feature, *, mend: str) -> int:
    zone = _number(feature, "zone", mend=mend)
    if zone != int(zone) or zone > 1_000_000:
        raise InputError(f"{_PRESCRIPTION}, {feature.place}", f"{zone:g} is no zone", mend)
    return int(zone)


def _no_spread(inner: FieldFolder, boundary: Boundary) -> tuple[NoSpread, ...]:
    layer = read_layer(inner, inner.find(_PRESCRIPTION, where=_PRESCRIPTION), layer="no_spread")
    areas = []
    for feature in layer.features:
        if isinstance(feature.geometry, Polygon | MultiPolygon) and not feature.geometry.is_empty:
            moved = coordinates.transform_shape(
                feature.geometry, source=layer.crs, target=boundary.crs, where=_PRESCRIPTION
            )
            parts = [part for part in shapely.get_parts(moved) if isinstance(part, Polygon)]
            areas.append(NoSpread(one_line(str(feature.properties.get("reason") or "no reason")), MultiPolygon(parts)))
    return tuple(areas)


def _changed_since(manifest: Mapping[str, Any], inbox: FieldFolder) -> tuple[Note, ...]:
    """Name the inputs that are not what they were when the plan was made."""
    changed = [name for name, was in _table(manifest, "inputs").items() if not _as_it_was(name, was, manifest, inbox)]
    if not changed:
        return ()
    names = ", ".join(one_line(str(name)) for name in changed)
    text = (
        f"The plan was made from other inputs than there are now ({names}): what was spread is held against the plan "
        "as published."
    )
    return (Note("warning", text),)


def _as_it_was(name: object, was: object, manifest: Mapping[str, Any], inbox: FieldFolder) -> bool:
    try:
        content = inbox.read(inbox.find(str(name), where=str(name)))
    except InputError:
        return False
    if hashlib.sha256(content).hexdigest() == was:
        return True
    return name == NAME and settings_of(inbox) == manifest.get("settings_sha256")


def _edited(manifest: Mapping[str, Any], inner: FieldFolder) -> tuple[Note, ...]:
    """Say when what is read of the plan is not what was published."""
    stated, read = _table(manifest, "files"), dict(inner.sha256())
    edited = [name for name in (_PRESCRIPTION, _SUMMARY) if _table(stated, name).get("sha256") != read.get(name)]
    if not edited:
        return ()
    text = f"{' and '.join(edited)}: differs from what was published; it was taken as it is now."
    return (Note("warning", text),)
