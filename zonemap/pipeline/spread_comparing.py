"""Logs of what was spread, laid on the cells of a field and held against its published plan."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import shapely

from zonemap.amounts import in_both, small
from zonemap.errors import InputError
from zonemap.machine.ground import Ground, ground_of
from zonemap.machine.logged import footprints_of, joined, laid_on, length_driven_m
from zonemap.units import KG_HA_PER_RATE, L_HA_PER_RATE, M_PER_FT
from zonemap.values.arrays import FloatArray
from zonemap.values.note import Note
from zonemap.values.season import Product
from zonemap.values.spread import Footprints, PointLog, SpreadPass, SpreadSets
from zonemap.values.spread_comparison import PassComparison, SpreadComparison
from zonemap.zoning.cells import square_cells

Progress = Callable[[str], None]

#: mean spread over mean planned from which it looks like a slip of the unit, and how near another unit must come
_SLIP, _FITS = 5.0, 1.25
#: areas that a log states for its records, and the ground that they cover, may differ by this factor unsaid
_AREAS_FIT = 1.5
#: nothing is spread so often in one application
_MOST_TIMES = 20.0
_WIDEST_M, _NARROWEST_M = 150.0, 0.5
#: mass that is told of, as a share of all
_TOLD = 5e-4


def compare_spread(sets: SpreadSets, progress: Progress) -> SpreadComparison:
    """Hold every log against the application it is of.

    Raises
    ------
    InputError
        When the field cannot be cut into the plan's cells, or a log covers it many times over.
    """
    grid = square_cells(sets.field, cell_m=sets.cell_m)
    ground = ground_of(sets.prescription, grid, sets.field)
    passes, notes = [], list(sets.notes)
    for each in sets.passes:
        progress(f"comparing {sets.prescription.applications[each.application].product.name}")
        compared, said = _compared(each, sets, ground)
        passes.append(compared)
        notes += [*said, *_slip(compared, each), *_on_closed_ground(compared, sets)]
    return SpreadComparison(
        sets.field,
        sets.units,
        sets.prescription,
        grid,
        tuple(passes),
        tuple(dict.fromkeys(notes)),
        sets.input_sha256,
    )


def _compared(each: SpreadPass, sets: SpreadSets, ground: Ground) -> tuple[PassComparison, list[Note]]:
    application, grid = sets.prescription.applications[each.application], ground.grid
    swath_m, notes = _swath_m(each, sets)
    parts = []
    for log in each.logs:
        own = footprints_of(log, swath_m=swath_m, cell_m=grid.cell_m)
        parts.append(own)
        if isinstance(log, PointLog) and log.area_m2 is not None:
            ratio = float(log.area_m2.sum() / max(shapely.area(own.polygon).sum(), 1e-9))
            notes += _area_note(log.name, ratio)
    ground_covered = joined(parts)
    _refuse_many_times(each, ground_covered, sets)
    laid = laid_on(ground_covered, grid, sets.field)
    if not laid.total_kg > 0:
        names = " and ".join(log.name for log in each.logs)
        notes.append(Note("warning", f"{names}: all rates are 0, so nothing of {application.product.name} was put on."))
    compared = PassComparison(
        application=application,
        log_names=tuple(log.name for log in each.logs),
        records=sum(log.records for log in each.logs),
        unit=each.unit,
        swath_m=_usual_swath(each, swath_m),
        zone=ground.zone,
        area_ha=grid.cell_area_ha,
        zone_area_ha=sets.prescription.zone_area_ha(application.rate_kg_ha.size),
        laid=laid,
        closed_kg=_closed_kg(sets, ground, laid.rate_kg_ha),
    )
    return compared, notes


def _refuse_many_times(each: SpreadPass, covered: Footprints, sets: SpreadSets) -> None:
    times = float(shapely.area(covered.polygon).sum()) / sets.field.boundary.area
    if times > _MOST_TIMES:
        names = " and ".join(log.name for log in each.logs)
        mend = "Cut it down to this application, and check swath and places."
        raise InputError(names, f"covers the field {times:,.0f} times over", mend)


def _swath_m(each: SpreadPass, sets: SpreadSets) -> tuple[float, list[Note]]:
    """Working width for logs that do not state it: the one with which what was driven covers the field once."""
    unsaid = [log for log in each.logs if isinstance(log, PointLog) and log.swath_m is None]
    if not unsaid:
        return 1.0, []
    area_m2, driven = sets.field.boundary.area, sum(length_driven_m(log) for log in unsaid)
    records = sum(log.records for log in unsaid)
    width = area_m2 / driven if driven > 0 else math.sqrt(area_m2 / records)
    width = min(max(width, _NARROWEST_M), _WIDEST_M)
    said = f"{width / M_PER_FT:.3g} ft" if sets.units == "us" else f"{width:.3g} m"
    text = (
        f"{unsaid[0].name}: nobody states the swath; {said} was taken, so that the way driven covers the field once. "
        "State swath_ft or swath_m under [[spread]] or [spreader]."
    )
    return width, [Note("warning", text)]


def _usual_swath(each: SpreadPass, swath_m: float) -> float:
    widths = [
        np.full(log.records, swath_m) if log.swath_m is None else log.swath_m
        for log in each.logs
        if isinstance(log, PointLog)
    ]
    return float(np.median(np.concatenate(widths))) if widths else math.nan


def _area_note(name: str, ratio: float) -> list[Note]:
    if 1 / _AREAS_FIT <= ratio <= _AREAS_FIT:
        return []
    text = (
        f"{name}: the areas it states add up to {ratio:.2g} times the ground that its records lie on at this swath. "
        "Masses are by the areas stated: check their unit and the swath."
    )
    return [Note("warning", text)]


def _closed_kg(sets: SpreadSets, ground: Ground, rate_kg_ha: FloatArray) -> tuple[tuple[str, float], ...]:
    """(reason, mass) of each no-spread area on which something fell; a cell in several counts in the first."""
    left = ground.zone == 0
    found = []
    for place in sets.field.no_spread:
        shapely.prepare(place.area)
        within = left & shapely.intersects_xy(place.area, ground.easting_m, ground.northing_m)
        found.append((place.reason, float(rate_kg_ha[within] @ ground.grid.cell_area_ha[within])))
        left &= ~within
    rest = float(rate_kg_ha[left] @ ground.grid.cell_area_ha[left])
    named = [*found, ("not named", rest)]
    return tuple((reason, kg) for reason, kg in named if kg > 0)


def _slip(compared: PassComparison, each: SpreadPass) -> Sequence[Note]:
    """Say when the rates are so far off that the unit must be another, or a number has slipped."""
    some = compared.covered & (compared.planned_kg_ha > 0)
    area = np.where(some, compared.area_ha, 0.0)
    planned, spread = float(compared.planned_kg_ha @ area), float(compared.laid.rate_kg_ha @ area)
    ratio = spread / planned if planned > 0 else 1.0
    if not ratio > 0 or 1 / _SLIP < ratio < _SLIP:
        return ()
    units = _units_of(compared.application.product)
    fits = [
        name
        for name, kg_ha in units.items()
        if name != each.unit and 1 / _FITS <= ratio * kg_ha / each.unit_kg_ha <= _FITS
    ]
    often = f"{ratio:.3g} times" if ratio > 1 else f"1/{1 / ratio:.3g} of"
    mend = f"Read as {' or '.join(fits)} it would fit" if fits else "Check its unit and its decimal mark"
    text = (
        f"{' and '.join(compared.log_names)}: where something was spread, the mean rate is {often} what was planned, "
        f"which looks like a slip of the unit ({each.unit}). {mend}: unit under [[spread]]."
    )
    return (Note("warning", text),)


def _units_of(product: Product) -> dict[str, float]:
    """Units in which a rate of a product may be stated -> kg/ha."""
    by_volume = {} if product.density_kg_l is None else L_HA_PER_RATE
    return KG_HA_PER_RATE | {name: litres * (product.density_kg_l or 1.0) for name, litres in by_volume.items()}


def _on_closed_ground(compared: PassComparison, sets: SpreadSets) -> Sequence[Note]:
    """Caution when something fell where nothing may be spread."""
    if compared.on_no_spread_kg <= _TOLD * compared.laid.total_kg:
        return ()
    own, other = in_both(
        sets.units,
        lambda read: (
            f"{compared.application.product.name}: by the log {read.mass(compared.on_no_spread_kg)} fell where nothing "
            f"may be spread ({'; '.join(f'{reason}: {read.mass(kg)}' for reason, kg in compared.closed_kg)}). "
            "Enter it in the field's records; local codes may ask you to report it. Records are as exact as the "
            "receiver and the swath."
        ),
        tiny=small(sets.field.area_ha),
    )
    return (Note("caution", own, other),)
