"""Shapefiles for the controller: one set an application, widths exact (ESRI Shapefile Technical Description, 1998)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import numpy as np
from shapely.geometry import mapping

from zonemap.errors import OutputError
from zonemap.io.names import cut_text, slug
from zonemap.io.prescription_rows import (
    ADVICE,
    UNSTATED_DAY,
    WGS84,
    ApplicationRows,
    application_rows,
    polygons_in_degrees,
    rates_elsewhere,
)
from zonemap.io.text_file import write_lines
from zonemap.values.arrays import FloatArray
from zonemap.values.file_units import AREA_DECIMALS, AREA_UNITS, RATE_DECIMALS, file_units
from zonemap.values.note import Note
from zonemap.values.prescription import Application, Prescription

#: attribute -> type and width in the .dbf, as (width, decimals) for numbers; for the writer and its tests alike
NUMBERS = {"ZONE": (4, 0), "RATE": (10, RATE_DECIMALS), "AREA": (14, AREA_DECIMALS)}
TEXT_OCTETS = {"UNIT": 8, "PRODUCT": 32}
COLUMNS = {
    "ZONE": "int:4",
    "RATE": "float:10.2",
    "UNIT": "str:8",
    "PRODUCT": "str:32",
    "AREA": "float:14.6",
}
EXTENSIONS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
README = "README.txt"


def write_shapefiles(
    folder: Path,
    *,
    field_name: str,
    prescription: Prescription,
    notes: Sequence[Note] = (),
    written_on: date = UNSTATED_DAY,
) -> tuple[Path, ...]:
    """Write one shapefile an application, and a README.txt that explains them, into an existing folder.

    Single polygons in WGS 84 with clockwise outer rings; attributes as in `COLUMNS`, rates and areas in the
    prescription's units. Where nothing may be spread stands an explicit rate of 0. The same values give the same bytes.

    Parameters
    ----------
    notes
        Cautions and warnings for the README.
    written_on
        Day that the .dbf states as its last change.

    Returns
    -------
    tuple of Path
        The .shp files, in the order of the applications.

    Raises
    ------
    OutputError
        When a value does not fit its column, or a file cannot be written.
    """
    products = product_texts(prescription)
    polygons = [mapping(polygon) for polygon in polygons_in_degrees(prescription, clockwise=True, where=folder.name)]
    paths = []
    for stem, application in zip(shapefile_stems(field_name, prescription), prescription.applications, strict=True):
        path = folder / f"{stem}.shp"
        rows = application_rows(prescription, application, where=path.name)
        _write_shapefile(path, polygons, rows, product=products[application.product.name], written_on=written_on)
        paths.append(path)
    _write_readme(folder / README, field_name, prescription, notes)
    return tuple(paths)


def shapefile_stems(field_name: str, prescription: Prescription) -> tuple[str, ...]:
    """File names without extension, ``<field>_<date>_<product>``, one an application.

    Raises
    ------
    OutputError
        When two applications put the same product on the same day.
    """
    field = slug(field_name)
    products: dict[str, str] = {}
    stems: list[str] = []
    for application in prescription.applications:
        name = application.product.name
        if name not in products:
            products[name] = slug(name, taken=products.values())
        stem = f"{field}_{_day(application)}_{products[name]}"
        if stem in stems:
            what = f"'{name}' is applied twice on one day ({_day(application)})"
            raise OutputError(f"{stem}.shp", what, "Join the two rates, or give one of them another day.")
        stems.append(stem)
    return tuple(stems)


def product_texts(prescription: Prescription) -> dict[str, str]:
    """Product name -> text that fits the column PRODUCT, distinct for distinct products."""
    texts: dict[str, str] = {}
    for application in prescription.applications:
        name = application.product.name
        if name not in texts:
            texts[name] = cut_text(name, octets=TEXT_OCTETS["PRODUCT"], taken=texts.values())
    return texts


def fitted(values: FloatArray, *, column: str, where: str) -> FloatArray:
    """Round values to the decimals of a column.

    Raises
    ------
    OutputError
        When one is negative, no number, or needs more digits than the column has.
    """
    width, decimals = NUMBERS[column]
    digits = width - decimals - 1 if decimals else width
    bad = np.flatnonzero(~((values >= 0) & (values < 10.0**digits - 0.5 * 10.0**-decimals)))
    if bad.size:
        what = (
            f"{column} {values[bad[0]]:g} of polygon {bad[0] + 1} does not fit {width} characters, {decimals} decimals"
        )
        mend = f"Check the unit: the column takes 0 to {10.0**digits - 10.0**-decimals:.{decimals}f}."
        raise OutputError(where, what, mend)
    return np.asarray(np.round(values, decimals) + 0.0, dtype=np.float64)  # + 0.0 makes -0 a 0


def _day(application: Application) -> str:
    return application.on.isoformat() if application.on is not None else "undated"


def _write_shapefile(
    path: Path, polygons: Sequence[Mapping[str, object]], rows: ApplicationRows, *, product: str, written_on: date
) -> None:
    import fiona
    from fiona._err import CPLE_BaseError  # flushing to a full disk raises it, and no public name leads to it
    from fiona.errors import FionaError

    zone = fitted(rows.zone.astype(np.float64), column="ZONE", where=path.name)
    rate = fitted(rows.rate, column="RATE", where=path.name)
    area = fitted(rows.area, column="AREA", where=path.name)
    records = [
        {
            "geometry": polygon,
            "properties": {
                "ZONE": int(z),
                "RATE": float(r),
                "UNIT": rows.rate_unit,
                "PRODUCT": product,
                "AREA": float(a),
            },
        }
        for polygon, z, r, a in zip(polygons, zone, rate, area, strict=True)
    ]
    try:
        with fiona.open(
            str(path.absolute()),
            "w",
            driver="ESRI Shapefile",
            crs=WGS84,
            schema={"geometry": "Polygon", "properties": COLUMNS},
            encoding="UTF-8",
            DBF_DATE_LAST_UPDATE=written_on.isoformat(),
        ) as shapefile:
            shapefile.writerecords(records)
    except (FionaError, CPLE_BaseError, OSError, RuntimeError) as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(path.name, f"the shapefile cannot be written ({error})", mend) from error


def _write_readme(path: Path, field_name: str, prescription: Prescription, notes: Sequence[Note]) -> None:
    rates = [file_units(prescription.units, each.product).rate_unit for each in prescription.applications]
    rate, area = " or ".join(dict.fromkeys(rates)), AREA_UNITS[prescription.units]
    inside = "" if prescription.inside_ha is None else " inside the field; polygons on its edge reach past it"
    lines = [
        f"Prescription for {field_name}",
        "",
        "One shapefile for each product and day: <field>_<date>_<product>.shp.",
        "Copy all files that share a name: .shp .shx .dbf .prj .cpg belong together.",
        "Coordinates are longitude and latitude (WGS 84). Text is UTF-8.",
        "",
        "ZONE     zone number; 0 where nothing may be spread",
        f"RATE     rate of product (not of nutrient){f', {rate}' if rate else ''}",
        "UNIT     unit of RATE",
        "PRODUCT  what to spread",
        f"AREA     area of the polygon{inside}, {area}",
        "",
        *_totals(field_name, prescription),
        *past_lines(prescription),
        "",
        ADVICE,
        *[f"{note.kind.capitalize()}: {note.text}" for note in notes],
    ]
    write_lines(path, lines)


def _totals(field_name: str, prescription: Prescription) -> list[str]:
    """Total of each file, from the values as they stand in it after rounding."""
    lines = []
    for stem, application in zip(shapefile_stems(field_name, prescription), prescription.applications, strict=True):
        rows = application_rows(prescription, application, where=README)
        rate = fitted(rows.rate, column="RATE", where=README)
        area = fitted(rows.area, column="AREA", where=README)
        lines.append(f"{stem}.shp: {float(rate @ area):,.1f} {rows.total_unit} in all")
    return lines


def past_lines(prescription: Prescription) -> list[str]:
    """What lies past the boundary, and what to enter in the controller for where there is no polygon or no position."""
    lines = []
    if prescription.inside_ha is not None and any(prescription.beyond_kg(a) for a in prescription.applications):
        lines += ["", "Not counted above, what the machine puts past the boundary if it goes that far:"]
        for application in prescription.applications:
            units = file_units(prescription.units, application.product)
            beyond = prescription.beyond_kg(application) / units.kg_per_amount
            lines.append(f"  {application.product.name}: {beyond:,.1f} {units.amount_unit}")
    outside, lost = rates_elsewhere(prescription)
    lines += ["", "Enter in the controller, where it asks for them:"]
    return [*lines, f"  Rate outside all polygons: {outside}", f"  Rate while the position is lost: {lost}"]
