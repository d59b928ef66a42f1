"""The GeoPackage: prescription, zones, samples, boundary and no-spread areas in one file (OGC 12-128)."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Point

from zonemap.errors import OutputError
from zonemap.io.geopackage_styles import add_styles, styles_of
from zonemap.io.names import slug
from zonemap.io.prescription_rows import (
    ADVICE,
    UNSTATED_DAY,
    WGS84,
    ApplicationRows,
    application_rows,
    area_in,
    as_multi,
    polygons_in_degrees,
    wkb,
)
from zonemap.units import KG_HA_PER_LB_AC, UnitSystem
from zonemap.values.arrays import FloatArray
from zonemap.values.field import Field
from zonemap.values.file_units import AREA_UNITS
from zonemap.values.prescription import Prescription
from zonemap.values.samples import Column, Samples
from zonemap.values.zones import Outlines

#: GeoPackage 1.3 (user_version 10300): 1.4 renames the triggers of the spatial index, which older readers do not know
VERSION = "1.3"
_RESERVED = ("fid", "geom")
_GEOMETRY = "geom"


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer: its name, what it says of itself, its CRS and kind of geometry, shapes, and columns by name."""

    name: str
    description: str
    crs: str
    geometry_type: str
    geometries: Sequence[shapely.Geometry]
    columns: Mapping[str, npt.NDArray[np.generic]]


def write_geopackage(
    path: Path,
    *,
    field: Field,
    samples: Samples,
    outlines: Outlines,
    prescription: Prescription,
    zone_attributes: Mapping[str, npt.ArrayLike] | None = None,
    identifier: str = "",
    written_on: date = UNSTATED_DAY,
) -> None:
    """Write all layers of a plan into a new GeoPackage.

    ``prescription`` has one row a polygon and application (zone, rate, unit, product, date, area, label) in WGS 84,
    rates and areas in the prescription's units; ``zones``, ``samples``, ``boundary`` and ``no_spread`` are in the
    working CRS. Zones and prescription carry styles. The same values give the same bytes.

    Parameters
    ----------
    zone_attributes
        Column name, its unit at the end, -> (zones,) numbers for the layer ``zones``.
    identifier
        Names the run, e.g. the hash of its pipeline; stands in the description of every layer.
    written_on
        Day that the file states as its last change.

    Raises
    ------
    OutputError
        When a rate is negative or no number, the file exists already, or it cannot be written.
    """
    if path.exists():
        raise OutputError(path.name, "the file exists already", "Write into an empty folder.")
    rows = [application_rows(prescription, each, where=path.name) for each in prescription.applications]
    layers = (
        _prescription_layer(prescription, rows, where=path.name),
        _zones_layer(field, outlines, prescription.units, zone_attributes or {}),
        _samples_layer(field, samples, prescription.units),
        boundary_layer(field, prescription.units),
        no_spread_layer(field),
    )
    with writer_told(written_on):
        for layer in layers:
            write_layer(path, layer, identifier)
    styles = styles_of(rows, zones=outlines.zone)
    add_styles(path, styles, geometry=_GEOMETRY, identifier=identifier, written_on=written_on)


def sample_columns(samples: Samples, units: UnitSystem) -> dict[str, FloatArray]:
    """Column name (quantity and unit) -> (n,) values as people of that unit system read them."""
    columns: dict[str, FloatArray] = {}
    for quantity, column in samples.columns.items():
        unit, value = _as_read(column, units)
        columns[_column_name(f"{quantity}_{unit}", taken=columns)] = value
    return columns


def _column_name(text: str, *, taken: Collection[str]) -> str:
    """Name a database column: ``K`` in ``kg/ha/day`` is ``K_kg_ha_day``."""
    words = text.replace("%", "percent").replace("/", "_").replace(" ", "_")
    return slug(words, taken=(*_RESERVED, *taken))


def _as_read(column: Column, units: UnitSystem) -> tuple[str, FloatArray]:
    if units == "us" and column.unit == "kg/ha/day":
        return "lb/ac/day", np.round(column.value / KG_HA_PER_LB_AC, 9)
    return column.unit, np.array(column.value)


def _prescription_layer(prescription: Prescription, rows: Sequence[ApplicationRows], *, where: str) -> Layer:
    days = np.array([each.on for each in rows], dtype="datetime64[D]")  # None becomes NaT, NULL in the file
    columns = {
        "zone": np.tile(prescription.zone, len(rows)).astype(np.int32),
        "rate": np.concatenate([each.rate for each in rows]) if rows else np.zeros(0),
        "unit": text_column([each.rate_unit for each in rows for _ in each.zone]),
        "product": text_column([each.product for each in rows for _ in each.zone]),
        "date": np.repeat(days, len(prescription.polygon)),
        "area": np.concatenate([each.area for each in rows]) if rows else np.zeros(0),
        "label": text_column([text for each in rows for text in _labels(each)]),
    }
    units = ", ".join(dict.fromkeys(each.rate_unit for each in rows))
    inside = "" if prescription.inside_ha is None else " inside the field (polygons on its edge reach past it)"
    area = f"area in {AREA_UNITS[prescription.units]}{inside}"
    description = f"Product rate{f' in {units}' if units else ''}, {area}. {ADVICE}"
    polygons = polygons_in_degrees(prescription, clockwise=False, where=where) * len(rows)
    return Layer("prescription", description, WGS84, "Polygon", polygons, columns)


def _labels(rows: ApplicationRows) -> list[str]:
    """What stands on each polygon of a map."""
    named = zip(rows.zone.tolist(), rows.rate.tolist(), strict=True)
    return [f"{zone}: {rate:.4g} {rows.rate_unit}" if zone else "no spread" for zone, rate in named]


def _zones_layer(field: Field, outlines: Outlines, units: UnitSystem, attributes: Mapping[str, npt.ArrayLike]) -> Layer:
    columns: dict[str, npt.NDArray[np.generic]] = {
        "zone": np.array(outlines.zone, dtype=np.int32),
        f"area_{AREA_UNITS[units]}": area_in(units, outlines.area_ha),
    }
    for name, values in attributes.items():
        column = np.array(values, dtype=np.float64)
        if column.shape != (len(outlines.zone),):
            msg = f"zone attribute {name!r}: expected {len(outlines.zone)} values, got shape {column.shape}"
            raise ValueError(msg)
        columns[_column_name(name, taken=columns)] = column
    areas = [as_multi(area) for area in outlines.area]
    return Layer("zones", "Management zones.", field.crs, "MultiPolygon", areas, columns)


def _samples_layer(field: Field, samples: Samples, units: UnitSystem) -> Layer:
    columns: dict[str, npt.NDArray[np.generic]] = {"sample": text_column(samples.sample)}
    censored = {f"{quantity}_below_detection": column.censored for quantity, column in samples.columns.items()}
    for name, values in {**sample_columns(samples, units), **censored}.items():
        columns[_column_name(name, taken=columns)] = values
    points = [Point(easting, northing) for easting, northing in zip(samples.easting_m, samples.northing_m, strict=True)]
    return Layer("samples", f"Measured: {samples.basis}.", field.crs, "Point", points, columns)


def boundary_layer(field: Field, units: UnitSystem) -> Layer:
    """Return the outline of a field, in its working CRS."""
    columns = {
        "name": text_column([field.name]),
        f"area_{AREA_UNITS[units]}": area_in(units, np.array([field.area_ha])),
    }
    return Layer("boundary", "The field.", field.crs, "MultiPolygon", [as_multi(field.boundary)], columns)


def no_spread_layer(field: Field) -> Layer:
    """Return the no-spread areas of a field, in its working CRS."""
    columns = {"reason": text_column([each.reason for each in field.no_spread])}
    areas = [as_multi(each.area) for each in field.no_spread]
    return Layer("no_spread", "Nothing may be spread here.", field.crs, "MultiPolygon", areas, columns)


def text_column(texts: Sequence[str]) -> npt.NDArray[np.object_]:
    """(n,) texts as the writer takes them."""
    array = np.empty(len(texts), dtype=object)
    array[:] = texts
    return array


def write_layer(path: Path, layer: Layer, identifier: str) -> None:
    """Write a layer into a new GeoPackage, or add it to one.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    import pyogrio.errors
    import pyogrio.raw

    try:
        pyogrio.raw.write(
            path.absolute(),
            wkb(layer.geometries),
            list(layer.columns.values()),
            list(layer.columns),
            layer=layer.name,
            driver="GPKG",
            geometry_type=layer.geometry_type,
            crs=layer.crs,
            dataset_options={"VERSION": VERSION} if not path.exists() else None,
            layer_options={
                "DESCRIPTION": f"{layer.description} {identifier}".strip(),
                "GEOMETRY_NAME": _GEOMETRY,
                "SPATIAL_INDEX": "YES",
            },
        )
    except (RuntimeError, OSError) as error:  # pyogrio's errors are RuntimeErrors
        what = f"layer '{layer.name}' cannot be written ({error})"
        raise OutputError(path.name, what, "Check free space and permission of the folder, then run again.") from error


@contextmanager
def writer_told(day: date) -> Iterator[None]:
    """Make the writer state this day instead of the clock's, and not wait for the disk after every table.

    The folder is private until it is published, and publishing waits for the disk once.
    """
    import pyogrio

    told = {"OGR_CURRENT_DATE": f"{day.isoformat()}T00:00:00.000Z", "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    pyogrio.set_gdal_config_options(told)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(dict.fromkeys(told))
