"""One row a zone: area, and rate and total of each product and day, as CSV for people and spreadsheets."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.csv_rows import safe_cell, write_csv
from zonemap.io.names import plain_text
from zonemap.io.prescription_rows import application_rows, exact_area_in
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.file_units import AREA_UNITS, file_units
from zonemap.values.prescription import Application, Prescription

ZONE_TABLE = "zones.csv"
#: numbers are written with ten significant digits
_DIGITS = 1e-9


def write_zone_table(path: Path, prescription: Prescription) -> None:
    """Write zones in order of their number; zone 0 is where nothing may be spread.

    Rates are of product, in the prescription's units. Text that a spreadsheet would run as a formula is made text.

    Raises
    ------
    OutputError
        When a rate is no rate, two applications put one product on one day, or the file cannot be written.
    """
    columns = {heading: values.tolist() for heading, values in _columns(prescription, where=path.name).items()}
    try:
        write_csv(path, columns)
    except OSError as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(path.name, f"the file cannot be written ({error.strerror})", mend) from error


def verify_zone_table(path: Path, prescription: Prescription) -> None:
    """Read the table back by another reader than wrote it; add the totals of the zones up to those of the plan.

    Raises
    ------
    OutputError
        When the file does not hold what it should.
    """
    import pandas as pd

    try:
        table = pd.read_csv(path)
    except (OSError, ValueError) as error:  # pandas' errors of parsing are ValueErrors
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    expected = _columns(prescription, where=path.name)
    _require(path, list(table.columns) == [safe_cell(heading) for heading in expected], "its columns")
    _require(path, len(table) == np.unique(prescription.zone).size, "a row for each zone")
    for number, values in enumerate(expected.values()):
        found = table.iloc[:, number].to_numpy()
        _require(path, np.issubdtype(found.dtype, np.number), "numbers")
        _require(path, bool(np.allclose(found, values, rtol=_DIGITS, atol=0)), f"column {number + 1}")
    for number, application in enumerate(prescription.applications):
        rows = application_rows(prescription, application, where=path.name)
        total = float(table.iloc[:, 3 + 2 * number].sum())
        what = f"the total of {rows.product}, {rows.total:.3f} (the zones add up to {total:.3f})"
        _require(path, bool(np.isclose(total, rows.total, rtol=1e-8, atol=1e-9)), what)


def _columns(prescription: Prescription, *, where: str) -> dict[str, FloatArray | IntArray]:
    """Heading -> (zones,) numbers."""
    units = prescription.units
    numbers = np.unique(prescription.zone)
    area_ha = np.array([prescription.area_ha[prescription.zone == number].sum() for number in numbers])
    area = exact_area_in(units, area_ha)
    columns: dict[str, FloatArray | IntArray] = {
        "zone": numbers,
        f"area [{AREA_UNITS[units]}]": area,
    }
    for application in prescription.applications:
        name = _name(application)
        amount = file_units(units, application.product).amount_unit
        rows = application_rows(prescription, application, where=where)
        rate = np.array([rows.rate[rows.zone == number][0] for number in numbers])
        rate_heading, total_heading = f"{name} [{rows.rate_unit}]", f"{name}, total [{amount}]"
        if rate_heading in columns:
            what = f"'{application.product.name}' is applied twice on one day"
            raise OutputError(where, what, "Join the two rates, or give one of them another day.")
        columns |= {rate_heading: rate, total_heading: rate * area}
    return columns


def _name(application: Application) -> str:
    day = "" if application.on is None else f" {application.on.isoformat()}"
    return f"{plain_text(application.product.name)}{day}"


def _require(path: Path, holds: bool, what: str) -> None:  # noqa: FBT001 - reads as a sentence at every call
    if not holds:
        raise OutputError(path.name, f"read back, the file does not hold {what}", NOT_PUBLISHED)
