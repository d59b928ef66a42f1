"""Samples from a table or a vector file, brought to the field's working CRS and held against its boundary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary, edge_lines
from zonemap.io.columns import Layout, check_names, check_units, lay_out
from zonemap.io.conditions import buried_days, check_one_method, on_one_burial
from zonemap.io.field_file import NAME, SamplesTable
from zonemap.io.located import PLACED_SUFFIXES, Sheet, far_from_field_m, load_sheet, places_crs
from zonemap.io.measured_units import stated_unit
from zonemap.io.measured_values import measured_column, some
from zonemap.io.numbers import Cell, DecimalMark, cell_text, decimal_mark, read_plain
from zonemap.io.sources import FieldFolder, shown
from zonemap.io.tables import Table
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.basis import Basis
from zonemap.values.note import Note
from zonemap.values.samples import Column, Samples

SAMPLES_SUFFIXES = PLACED_SUFFIXES
_KEY = 'crs = "EPSG:..." under [samples]'
_SWAP = "Set swap = true under [samples]"
#: rounding of coordinates, below which a sample on the edge is inside
_ON_EDGE_M = 0.01
#: Two fixes of one place by a phone seldom lie farther apart (common practice).
_ONE_PLACE_M = 20.0


def read_samples(
    folder: FieldFolder, path: Path, stated: SamplesTable, *, basis: Basis, boundary: Boundary, repeatability_cv: float
) -> tuple[Samples, tuple[Note, ...]]:
    """Read the samples of one field.

    Parameters
    ----------
    stated
        What field.toml says of them.

    Returns
    -------
    Samples
        Those in the field or near it; resin rates in kg/ha/day, everything else as measured.
    notes
        What was guessed, substituted and left out.

    Raises
    ------
    InputError
        Naming file and row, or key.
    """
    resin = basis.kind == "resin"
    check_names(stated.columns or {}, resin=resin, where=f"{NAME}, samples, columns")
    sheet = load_sheet(folder, path, layer=stated.layer, sheet=stated.sheet)
    if not sheet.table.rows:
        raise InputError(sheet.table.name, "holds no samples", "Put one row a sample below the headers.")
    layout = lay_out(sheet.table, stated.columns, located=sheet.layer is not None, resin=resin)
    units = _units(stated, basis, tuple(layout.quantities))
    check_units(sheet.table, layout.quantities, units)
    used = (*layout.quantities.values(), *(layout.place or ()), *((layout.id,) if layout.id else ()))
    rebased = stated.rebase_to_days is not None
    notes = [
        *sheet.table.notes,
        *layout.notes,
        *check_one_method(sheet.table, layout, basis, used=used, rebased=rebased),
    ]
    decimal = stated.decimal or _decimal(sheet.table, layout)
    sheet, more = _positioned(sheet, layout, decimal)
    notes += more
    easting, northing, kept, more = _placed(sheet, layout, stated, boundary)
    notes += more
    table = replace(sheet.table, rows=tuple(row for row, keep in zip(sheet.table.rows, kept, strict=True) if keep))
    if layout.id is not None:
        notes += _two_places(_ids(table, layout), easting[kept], northing[kept], table)
    buried = buried_days(table, layout, basis, decimal=decimal)
    columns, more = _columns(table, layout, units, buried, decimal, stated.detection_limit)
    notes += more
    columns, basis, said = on_one_burial(
        columns,
        buried,
        basis,
        to_days=stated.rebase_to_days,
        exponents=stated.burial_exponent,
        quantities=layout.quantities,
        where=table.name,
    )
    measured = np.any([np.isfinite(column.value) for column in columns.values()], axis=0)
    samples = Samples(_ids(table, layout), easting[kept], northing[kept], basis, columns, repeatability_cv)
    return _rows(samples, measured), (*notes, *said)


def _is_ph(quantity: str) -> bool:
    """Whether a quantity is a pH: ``pH`` itself, or a buffer pH by names such as ``BpH`` and ``buffer_pH``."""
    return quantity.lower().endswith("ph")


def _units(stated: SamplesTable, basis: Basis, quantities: Sequence[str]) -> dict[str, str]:
    """Quantity -> unit of the file; pH has its own scale whatever the rest is in."""
    where = f"{NAME}, samples, unit"
    if isinstance(stated.unit, dict):
        for quantity in stated.unit:
            if quantity not in quantities:
                mend = f"Use one of {', '.join(quantities)}."
                raise InputError(f"{where}, {quantity}", "is no quantity of the samples file", mend)
    units = {}
    for quantity in quantities:
        if isinstance(stated.unit, dict) and quantity not in stated.unit and not _is_ph(quantity):
            raise InputError(f"{where}, {quantity}", "is missing", f'Write unit = {{ {quantity} = "..." }}.')
        text = stated.unit.get(quantity, "pH") if isinstance(stated.unit, dict) else stated.unit
        text = "pH" if _is_ph(quantity) and not isinstance(stated.unit, dict) else text
        at = where if isinstance(stated.unit, str) else f"{where}, {quantity}"
        units[quantity] = stated_unit(text, basis=basis.kind, where=at)
        if (units[quantity] == "pH") != _is_ph(quantity):
            mend = f'State each unit: unit = {{ {quantity} = "..." }}.'
            raise InputError(at, f"{quantity} cannot be in {units[quantity]}", mend)
    for quantity in stated.detection_limit:
        if quantity not in quantities:
            mend = f"Use one of {', '.join(quantities)}."
            raise InputError(
                f"{NAME}, samples, detection_limit, {quantity}", "is no quantity of the samples file", mend
            )
    return units


def _decimal(table: Table, layout: Layout) -> DecimalMark:
    headers = (*(layout.place or ()), *layout.quantities.values())
    cells = ((f"{place}, column {shown(header)}", cell) for header in headers for place, cell in table.column(header))
    return decimal_mark(cells, where=table.name, table="samples", suspect_point=table.delimiter == ";")


def _positioned(sheet: Sheet, layout: Layout, decimal: DecimalMark) -> tuple[Sheet, list[Note]]:
    """Sheet with its positions, less the rows that have none."""
    position = sheet.position
    if layout.place is not None:
        read = [
            [_coordinate(place, cell, sheet.table, header, decimal) for place, cell in sheet.table.column(header)]
            for header in layout.place
        ]
        position = np.array(read, dtype=np.float64).T
    if position is None:
        return sheet, []
    known: BoolArray = np.all(np.isfinite(position), axis=1)
    if not known.any():
        raise InputError(sheet.table.name, "no sample has a position", "Write the coordinates of every sample.")
    lost = [row.place for row, here in zip(sheet.table.rows, known, strict=True) if not here]
    rows = tuple(row for row, here in zip(sheet.table.rows, known, strict=True) if here)
    notes = [Note("warning", f"{sheet.table.name}: no position in {some(lost)}; left out.")] if lost else []
    return replace(sheet, table=replace(sheet.table, rows=rows), position=position[known]), notes


def _coordinate(place: str, cell: Cell, table: Table, header: str, decimal: DecimalMark) -> float:
    value = read_plain(cell, decimal=decimal, where=table.at(place, header))
    return float("nan") if value is None else value


def _placed(
    sheet: Sheet, layout: Layout, stated: SamplesTable, boundary: Boundary
) -> tuple[FloatArray, FloatArray, BoolArray, list[Note]]:
    """Positions in the working CRS, which of them are of the field, and what there is to say about the others."""
    if sheet.position is None:
        if len(sheet.table.rows) > 1:
            mend = 'Say where they are: columns = { longitude = "...", latitude = "..." } under [samples].'
            raise InputError(sheet.table.name, "no columns are known to hold the positions", mend)
        middle = boundary.area.representative_point()
        text = f"{sheet.table.name}: the one sample has no position and stands for the whole field."
        return np.array([middle.x]), np.array([middle.y]), np.ones(1, dtype=bool), [Note("warning", text)]
    source = places_crs(sheet, stated.crs, geographic=layout.geographic, where=f"{NAME}, samples", key=_KEY)
    first, second = sheet.position.T[::-1] if stated.swap else sheet.position.T
    places = tuple(row.place for row in sheet.table.rows)
    coordinates.refuse_wrong_scale(first, second, source, where=sheet.table.name, key=_KEY, swap=_SWAP, places=places)
    notes = []
    if coordinates.code_of(source) != boundary.source_crs:
        text = f"samples ({coordinates.code_of(source)}) and boundary ({boundary.source_crs})"
        notes.append(Note("repair", f"{sheet.table.name}: {text} were both brought to {boundary.crs}."))
    easting, northing = coordinates.transform_points(first, second, source=source, target=boundary.crs)
    away = _distance(boundary, easting, northing)
    own = ~_of_others(boundary, easting, northing, away)
    if not own.any():
        what = "every sample lies in another outline of the boundary's file"
        raise InputError(sheet.table.name, what, "Check feature under [field].")
    if np.mean(away[own] > _ON_EDGE_M) > 0.5:
        exchanged = coordinates.transform_points(second, first, source=source, target=boundary.crs)
        mirrored = coordinates.transform_points(-first, second, source=source, target=boundary.crs)
        others = (_distance(boundary, *exchanged), _distance(boundary, *mirrored))
        _refuse_elsewhere(away[own], others[0][own], others[1][own], stated, where=sheet.table.name)
    far = far_from_field_m(boundary)
    names = [f"{shown(name)} ({place})" for name, place in zip(_ids(sheet.table, layout), places, strict=True)]
    if not own.all():
        text = f"{(~own).sum()} samples lie in other outlines of the boundary's file; left out."
        notes.append(Note("repair", f"{sheet.table.name}: {text}"))
    notes += _outside_notes(
        away[own], far, [name for name, keep in zip(names, own, strict=True) if keep], sheet.table.name
    )
    return easting, northing, own & (away <= far), notes


def _of_others(boundary: Boundary, easting: FloatArray, northing: FloatArray, away: FloatArray) -> BoolArray:
    """Whether samples outside the field lie in outlines of other fields."""
    outside = np.flatnonzero((away > _ON_EDGE_M) & np.isfinite(away))
    found: BoolArray = np.zeros(away.shape, dtype=bool)
    if outside.size and not boundary.others.is_empty:
        shapely.prepare(boundary.others)
        found[outside] = shapely.intersects_xy(boundary.others, easting[outside], northing[outside])
    return found


def _distance(boundary: Boundary, easting: FloatArray, northing: FloatArray) -> FloatArray:
    """Metres from the field, 0 inside, infinite where the CRS does not reach."""
    reached = np.isfinite(easting) & np.isfinite(northing)
    away = np.full(easting.shape, np.inf)
    away[reached] = 0.0
    shapely.prepare(boundary.area)
    outside = reached.copy()
    outside[reached] = ~shapely.intersects_xy(boundary.area, easting[reached], northing[reached])
    # A tree of edges: the distance to a whole outline would look at every vertex for every sample.
    tree = shapely.STRtree(edge_lines(boundary.area))
    points = shapely.points(easting[outside], northing[outside])
    away[outside] = tree.query_nearest(points, return_distance=True, all_matches=False)[1]
    return away


def _refuse_elsewhere(
    away: FloatArray, away_exchanged: FloatArray, away_mirrored: FloatArray, stated: SamplesTable, *, where: str
) -> None:
    """Refuse samples most of which lie outside, saying so when exchanged or mirrored coordinates would fit."""
    if np.mean(away_exchanged > _ON_EDGE_M) <= 0.5:
        what = "only with first and second coordinate exchanged do the samples fall in the boundary"
        mend = f"{_SWAP} if the samples are wrong, or swap = true under [field] if the boundary is."
        if stated.swap:
            mend = "Remove swap = true under [samples]."
        raise InputError(where, what, mend)
    if np.mean(away_mirrored > _ON_EDGE_M) <= 0.5:
        what = "only with the other sign of the longitude do the samples fall in the boundary"
        raise InputError(where, what, "Write longitudes west of Greenwich as negative numbers: -96.52, not 96.52.")
    count, nearest = int(np.sum(away > _ON_EDGE_M)), float(np.min(away[away > _ON_EDGE_M]))
    what = f"{count} of {away.size} samples lie outside the boundary, the nearest {nearest:,.0f} m away"
    raise InputError(where, what, "Is it the wrong field? Check the boundary, the samples and the CRS of both.")


def _outside_notes(away: FloatArray, far_m: float, names: Sequence[str], where: str) -> list[Note]:
    far = [name for name, m in zip(names, away, strict=True) if m > far_m]
    near = [name for name, m in zip(names, away, strict=True) if _ON_EDGE_M < m <= far_m]
    notes = []
    if far:
        text = f"{where}: {some(far)} lie more than {far_m:.0f} m outside the boundary; left out."
        notes.append(Note("warning", text))
    if near:
        notes.append(Note("warning", f"{where}: {some(near)} lie up to {far_m:.0f} m outside the boundary; kept."))
    return notes


def _columns(
    table: Table,
    layout: Layout,
    units: dict[str, str],
    buried: FloatArray | None,
    decimal: DecimalMark,
    limits: dict[str, float],
) -> tuple[dict[str, Column], list[Note]]:
    """Quantities that have at least one value, and what was done to them."""
    columns: dict[str, Column] = {}
    notes: list[Note] = []
    for quantity, header in layout.quantities.items():
        column, more = measured_column(
            list(table.column(header)),
            where=table.name,
            quantity=quantity,
            unit=units[quantity],
            burial_days=buried,
            decimal=decimal,
            detection_limit=limits.get(quantity),
        )
        if np.isfinite(column.value).any():
            columns[quantity] = column
            notes += more
        else:
            notes.append(
                Note("warning", f"{table.name}, column {shown(header)}: holds no value; {quantity} is left out.")
            )
    if not columns:
        raise InputError(table.name, "holds no measured value", "Fill in the measured columns.")
    return columns, notes


def _ids(table: Table, layout: Layout) -> tuple[str, ...]:
    if layout.id is None:
        return tuple(str(number) for number in range(1, len(table.rows) + 1))
    return tuple(cell_text(cell) or place for place, cell in table.column(layout.id))


def _two_places(names: Sequence[str], easting: FloatArray, northing: FloatArray, table: Table) -> list[Note]:
    """What to say where one name stands at places too far apart to be one; names that tell nothing apart are let be."""
    first: dict[str, int] = {}
    said: list[str] = []
    for row, name in enumerate(names):
        begun = first.setdefault(name, row)
        apart_m = math.hypot(easting[row] - easting[begun], northing[row] - northing[begun])
        if apart_m > _ONE_PLACE_M:
            said.append(
                f"{shown(name)} ({table.rows[begun].place} and {table.rows[row].place}, {apart_m:,.0f} m apart)"
            )
    if not said or len(first) <= len(names) / 2:
        return []
    text = f"{table.name}: the same sample stands at two places: {some(said)}. Both were kept; is one a slip?"
    return [Note("warning", text)]


def _rows(samples: Samples, wanted: BoolArray) -> Samples:
    """Samples less the rows without any value."""
    return Samples(
        tuple(name for name, keep in zip(samples.sample, wanted, strict=True) if keep),
        samples.easting_m[wanted],
        samples.northing_m[wanted],
        samples.basis,
        {name: Column(c.unit, c.value[wanted], c.censored[wanted]) for name, c in samples.columns.items()},
        samples.repeatability_cv,
    )
