"""The polygons of a prescription as its terms ask for them, before any rate is known."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from shapely import Polygon

from zonemap.amounts import Reader, in_both
from zonemap.units import M_PER_FT
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.case import Case
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription
from zonemap.values.prescription_terms import PrescriptionTerms


def blank_prescription(
    polygons: Sequence[Polygon], zone: IntArray, case: Case, *, zones: int
) -> tuple[Prescription, tuple[Note, ...]]:
    """Make a prescription without applications, and say what was done to its polygons.

    Parameters
    ----------
    polygons, zone
        A valid coverage of the field and its zone numbers, 0 where nothing may be spread.
    zones
        How many zones there are.

    Raises
    ------
    InputError
        When the controller takes fewer polygons than there must be.
    """
    terms = case.prescription_terms
    drawn = Prescription(case.units, case.field.crs, tuple(polygons), zone, ())
    shaped, shaped_zone, inside_ha = _shaped(polygons, zone, case, terms)
    prescription = Prescription(
        case.units,
        case.field.crs,
        shaped,
        shaped_zone,
        (),
        inside_ha=inside_ha,
        drawn_ha=drawn.zone_area_ha(zones),
        outside_rate_kg_ha=terms.outside_rate_kg_ha,
        position_lost_rate_kg_ha=terms.position_lost_rate_kg_ha,
    )
    notes = [*_joined_notes(drawn, prescription, zones), *_past_notes(prescription, terms)]
    return prescription, tuple(notes)


def _shaped(
    polygons: Sequence[Polygon], zone: IntArray, case: Case, terms: PrescriptionTerms
) -> tuple[tuple[Polygon, ...], IntArray, FloatArray | None]:
    """Polygons, zone numbers, and areas inside the field where they reach past it."""
    close_holes = terms.outside_rate_kg_ha > 0
    pieces, number = _joined(polygons, zone, terms)
    if not terms.extend_edge_m and not close_holes:
        return pieces, number, None
    from zonemap.zoning.edges import reach_past

    besides = 0
    while True:
        closed = case.field.no_spread_around
        result = reach_past(pieces, number, by_m=terms.extend_edge_m, closed=closed, close_holes=close_holes)
        if terms.most_polygons is None or len(result[0]) <= terms.most_polygons:
            return result
        # what must be 0 outside takes polygons too, so fewer are left for the field; refused when none can join
        besides = max(besides + 1, len(result[0]) - len(pieces))
        pieces, number = _joined(polygons, zone, terms, besides=besides)


def _joined(
    polygons: Sequence[Polygon], zone: IntArray, terms: PrescriptionTerms, *, besides: int = 0
) -> tuple[tuple[Polygon, ...], IntArray]:
    most = terms.most_polygons
    if not terms.minimum_polygon_ha and (most is None or len(polygons) + besides <= most):
        return tuple(polygons), zone
    from zonemap.zoning.pieces import join_small

    return join_small(polygons, zone, minimum_ha=terms.minimum_polygon_ha, most=most, besides=besides)


def _joined_notes(drawn: Prescription, shaped: Prescription, zones: int) -> list[Note]:
    """How much of the field is spread at another zone's rate, and which zones are gone."""
    before, after = drawn.zone_area_ha(zones), shaped.zone_area_ha(zones)
    gone = [number + 1 for number in np.flatnonzero((before > 0) & (after <= 0))]
    moved_ha = float(np.abs(after - before).sum() / 2)
    notes = []
    if len(shaped.polygon) < len(drawn.polygon) and moved_ha * 1e4 > 1:
        counts = f"{len(drawn.polygon)} became {len(shaped.polygon)}"
        texts = in_both(
            shaped.units,
            lambda read: (
                f"Small polygons joined their neighbours: {counts}, and at least {read.area(moved_ha)} gets the rate "
                "of another zone."
            ),
        )
        notes.append(Note("warning", *texts))
    for number in gone:
        text = f"Zone {number} is smaller than the smallest polygon: its rate is spread nowhere."
        notes.append(Note("warning", text))
    return notes


def _past_notes(shaped: Prescription, terms: PrescriptionTerms) -> list[Note]:
    """What the machine does past the boundary."""
    notes = []
    if terms.extend_edge_m:
        past = float(np.maximum(shaped.whole_area_ha - shaped.area_ha, 0.0)[shaped.zone > 0].sum())
        texts = in_both(shaped.units, partial(_reaches, terms.extend_edge_m, past))
        notes.append(Note("caution", *texts))
    for rate, where in (
        (terms.outside_rate_kg_ha, "where the file has no polygon"),
        (terms.position_lost_rate_kg_ha, "while the position is lost, no-spread areas among the places"),
    ):
        if rate > 0:
            notes.append(Note("caution", *in_both(shaped.units, partial(_spreads_outside, rate, where))))
    return notes


def _reaches(metres: float, past_ha: float, read: Reader) -> str:
    reach = f"{metres / M_PER_FT:.3g} ft" if read.rate_unit == "lb/ac" else f"{metres:.3g} m"
    return (
        f"The file reaches {reach} past the boundary, {read.area(past_ha)} in all, so that the rate holds to "
        "the edge. Totals are for the field alone. Shut off where a road, water or a neighbor's land begins."
    )


def _spreads_outside(rate_kg_ha: float, where: str, read: Reader) -> str:
    return f"The controller is to spread {read.rate(rate_kg_ha)} {where}: shut off by hand where nothing may fall."
