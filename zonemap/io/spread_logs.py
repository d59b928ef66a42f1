"""What machines logged while they spread: every [[spread]] table held against the names of a plan, its file read."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from zonemap.errors import InputError
from zonemap.io.boundaries import Boundary
from zonemap.io.field_file import NAME
from zonemap.io.located import layer_sheet, load_sheet
from zonemap.io.measured_units import header_unit, plainly_spelled
from zonemap.io.sources import FieldFolder, one_line, shown
from zonemap.io.spread_records import point_log, polygon_log
from zonemap.io.spread_table import SpreadTable
from zonemap.io.vectors import VECTOR_SUFFIXES, read_layer
from zonemap.units import KG_HA_PER_RATE, L_HA_PER_RATE
from zonemap.values.note import Note
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product
from zonemap.values.spread import SpreadLog, SpreadPass


def read_spread_logs(
    folder: FieldFolder,
    tables: Sequence[SpreadTable],
    prescription: Prescription,
    boundary: Boundary,
    *,
    swath_m: float | None,
) -> tuple[tuple[SpreadPass, ...], tuple[Note, ...]]:
    """Read every log, and put together those of one planned application.

    Parameters
    ----------
    swath_m
        Working width of the spreader, for logs that state none; ``None`` where nobody states it.

    Returns
    -------
    passes
        In the order of the prescription's applications.
    notes
        What was guessed and left out.

    Raises
    ------
    InputError
        Naming the table and key, or the file and row, and the mend.
    """
    logs: dict[int, list[tuple[SpreadLog, str, float]]] = {}
    notes: list[Note] = []
    for number, table in enumerate(tables, start=1):
        where = f"{NAME}, spread {number}"
        position = _planned(table, prescription, where=where)
        unit, kg_ha = _unit(table.unit, prescription.applications[position].product, where=f"{where}, unit")
        _refuse_other_unit(table.column, unit, where=f"{where}, unit")
        log, more = _log(folder, table, boundary, kg_ha=kg_ha, swath_m=swath_m, where=where)
        logs.setdefault(position, []).append((log, unit, kg_ha))
        notes += more
    passes = (
        SpreadPass(position, tuple(log for log, _, _ in read), read[0][1], read[0][2])
        for position, read in sorted(logs.items())
    )
    return tuple(passes), tuple(notes)


def _planned(table: SpreadTable, prescription: Prescription, *, where: str) -> int:
    """Position of the application that a log is of."""
    names = list(dict.fromkeys(each.product.name for each in prescription.applications))
    wanted = one_line(table.product)
    meant = [name for name in names if name.casefold() == wanted.casefold()]
    if not meant:
        near = difflib.get_close_matches(wanted.casefold(), [name.casefold() for name in names], n=1, cutoff=0.5)
        close = [name for name in names if name.casefold() in near]
        mend = f"Did you mean {shown(close[0])}?" if close else f"The plan has {', '.join(map(shown, names[:20]))}."
        raise InputError(f"{where}, product", f"{shown(wanted)} is not planned", mend)
    of_it = [(n, each) for n, each in enumerate(prescription.applications) if each.product.name == meant[0]]
    if table.on is None:
        if len(of_it) > 1:
            mend = f"Say which: on = {of_it[0][1].on}."
            days = " and ".join(str(each.on) for _, each in of_it)
            raise InputError(f"{where}, on", f"is missing; {shown(meant[0])} is planned for {days}", mend)
        return of_it[0][0]
    return _on_day(table, of_it, name=meant[0], where=f"{where}, on")


def _on_day(table: SpreadTable, of_it: Sequence[tuple[int, Application]], *, name: str, where: str) -> int:
    for position, each in of_it:
        if each.on == table.on:
            return position
    days = [each.on for _, each in of_it if each.on is not None]
    if not days or table.on is None:
        raise InputError(where, f"{shown(name)} is planned without a day", "Remove the key on.")
    on = table.on
    nearest = min(days, key=lambda day: (abs((day - on).days), day))
    mend = f"Write the planned day, on = {nearest}, even where it was spread a few days off."
    raise InputError(where, f"{shown(name)} is not planned for {on}; the nearest day is {nearest}", mend)


def _unit(text: str, product: Product, *, where: str) -> tuple[str, float]:
    """Name of a unit of rates, and what it is in kg/ha of a product."""
    name = _rate_unit(text)
    if name is None:
        mend = f"Use one of {', '.join((*KG_HA_PER_RATE, *L_HA_PER_RATE))}."
        raise InputError(where, f"{shown(text)} is no unit of a rate that this knows", mend)
    if name in KG_HA_PER_RATE:
        return name, KG_HA_PER_RATE[name]
    if product.density_kg_l is None:
        mend = (
            "Give the unit by mass, or say what the liquid weighs: density_lb_gal or density_kg_l in its [[product]]."
        )
        raise InputError(where, f"{name} is a volume, and no density of {shown(product.name)} is known", mend)
    return name, L_HA_PER_RATE[name] * product.density_kg_l


def _rate_unit(text: str) -> str | None:
    """Name of a unit of rates, however it is spelled; ``None`` for what is none."""
    return {plainly_spelled(name): name for name in (*KG_HA_PER_RATE, *L_HA_PER_RATE)}.get(plainly_spelled(text))


def _refuse_other_unit(header: str, unit: str, *, where: str) -> None:
    own = header_unit(header, name_of=_rate_unit)
    if own not in (None, unit):
        what = f"the header {shown(header)} says {own}, the key says {unit}"
        raise InputError(where, what, f'Write unit = "{own}", or name another column.')


def _log(
    folder: FieldFolder, table: SpreadTable, boundary: Boundary, *, kg_ha: float, swath_m: float | None, where: str
) -> tuple[SpreadLog, tuple[Note, ...]]:
    path = folder.find(table.file, where=f"{where}, file")
    if path.suffix.lower() in VECTOR_SUFFIXES or path.is_dir():
        layer = read_layer(folder, path, layer=table.layer)
        kinds = {f.geometry.geom_type for f in layer.features if f.geometry is not None and not f.geometry.is_empty}
        if kinds and kinds <= {"Polygon", "MultiPolygon"}:
            return polygon_log(layer, table, boundary, kg_ha=kg_ha, where=where)
        sheet = layer_sheet(layer)
    else:
        sheet = load_sheet(folder, path, layer=table.layer, sheet=table.sheet)
    return point_log(sheet, table, boundary, kg_ha=kg_ha, swath_m=swath_m, where=where)
