"""What the page is sent: plain types, metric; the page turns units, and computes nothing else.

Texts that hold amounts are sent in both systems of units: the page shows the one it is switched to.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
from shapely import MultiPolygon, Polygon

from zonemap.amounts import SYSTEMS, reader, small
from zonemap.io.journal import Entry
from zonemap.pipeline.review import Desk
from zonemap.pipeline.run import Rated, Zoned
from zonemap.units import UnitSystem
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.prescription import Application
from zonemap.values.programme import Programme
from zonemap.values.review import Decisions
from zonemap.values.surface import Surface
from zonemap.web.session import Session
from zonemap.web.words import words_of

Json = dict[str, Any]


def field_json(desk: Desk) -> Json:
    """What no decision changes."""
    case, grid = desk.case, desk.prepared.grid
    spreader = case.spreader
    return {
        "name": case.field.name,
        "crop": case.crop.name.replace("_", " ") if case.crop else "",
        "crs": case.field.crs,
        "units": case.units,
        "tiny": small(case.field.area_ha),
        "readers": {units: _reader(units, tiny=small(case.field.area_ha)) for units in SYSTEMS},
        "area_ha": case.field.area_ha,
        "boundary": _polygons(case.field.boundary),
        "grid": {
            "rows": grid.shape[0],
            "columns": grid.shape[1],
            "west_m": grid.west_m,
            "north_m": grid.north_m,
            "cell_m": grid.cell_m,
        },
        "samples": [
            {"id": name, "at": [float(e), float(n)], "values": dict(zip(case.samples.quantities, row, strict=True))}
            for name, e, n, row in zip(
                case.samples.sample, case.samples.easting_m, case.samples.northing_m, _sample_rows(desk), strict=True
            )
        ],
        "surfaces": [_surface(surface) for surface in desk.prepared.surfaces.values()],
        "spreader": {
            "least_kg_ha": spreader.min_rate_kg_ha,
            "most_kg_ha": _finite(spreader.max_rate_kg_ha),
            "step_kg_ha": spreader.step_kg_ha,
        },
        "counts": list(desk.counts),
        "own_count": desk.own_count,
        "own_assurance": case.decision.assurance,
        "own_prices": sorted(set(case.decision.cost_short)),
    }


def state_json(session: Session) -> Json:
    """Where the review stands: short enough to be sent after every change."""
    desk, (revision, decisions) = session.desk, session.at
    lines = session.journal.standing
    counts, tiny = {entry.number for entry in lines.made}, small(desk.case.field.area_ha)
    return answer_json(desk, decisions) | {
        "revision": revision,
        "undo": _words(lines.made[-1], tiny=tiny) if lines.made else None,
        "redo": _words(lines.undone[-1], tiny=tiny) if lines.undone else None,
        "log": [
            {
                "number": entry.number,
                "at": entry.at,
                "words": _words(entry, tiny=tiny),
                "kind": entry.change.kind,
                "why": getattr(entry.change, "why", ""),
                "counts": entry.number in counts,
            }
            for entry in session.journal.entries[-200:]
        ],
    }


def answer_json(desk: Desk, decisions: Decisions) -> Json:
    """Zones, rates, totals and loss that decisions lead to."""
    zoned, planned, rated = desk.zoned(decisions), desk.rated(decisions), desk.decided(decisions)
    return {
        "assurance": desk.case_of(decisions).decision.assurance,
        "count": decisions.count,
        "edited": bool(decisions.edits),
        "shapes": shapes_name(decisions),
        "zones": _zones(desk, decisions, zoned, rated),
        "applications": _applications(desk, decisions, planned, rated),
        "total": _total(rated),
        "planned_total": _total(planned),
        "loss": desk.loss_as_spread(decisions),
        "planned_loss": desk.loss_as_spread(replace(decisions, by_hand=decisions.edits)),
        "priced": _priced(desk, decisions),
        "warnings": [_said(note.text, note.other, desk.case) for note in rated.notes],
    }


def value_json(desk: Desk, decisions: Decisions) -> Json:
    """Expected loss by number of zones, at the assurance decided on."""
    losses = desk.losses(decisions)
    return {
        "losses": [
            {
                "count": count,
                "loss": loss,
                "can_be_chosen": count in desk.counts,
                "alike": [list(pair) for pair in desk.alike.get(count, ())],
            }
            for count, loss in losses.items()
        ],
        "cost_of_varying_ha": desk.asked(decisions).losses.cost_of_varying,
    }


def shapes_json(desk: Desk, decisions: Decisions) -> Json:
    """Name, polygons of the prescription, zone 0 where nothing is spread, and the reasons of the closed areas."""
    prescription = desk.rated(decisions).prescription
    return {
        "name": shapes_name(decisions),
        "polygons": [
            {"zone": int(zone), "rings": _rings(polygon)}
            for polygon, zone in zip(prescription.polygon, prescription.zone, strict=True)
        ],
        "closed": [
            {"reason": place.reason, "polygons": _polygons(place.area)}
            for place in desk.case_of(decisions).field.no_spread
        ],
    }


def season_json(desk: Desk, decisions: Decisions) -> Json:
    """Supply band against demand, day by day: field first, then the zones."""
    found = desk.sufficiencies(decisions)
    asked = desk.asked(decisions)
    nutrients = []
    for need in asked.needs:
        if need.demand is None:
            continue
        band = found[need.quantity]
        nutrients.append(
            {
                "name": need.quantity,
                "first_day": need.demand.first_day.isoformat(),
                "demand": _short(need.demand.demand_kg_ha_day, 4),
                "response": _short(need.demand.response, 4),
                "supply": [_short(row, 5) for row in band.supply_kg_ha_day],
                "share_of_season": _short(band.share_of_season, 4),
                "share_of_peak": _short(band.share_of_peak, 4),
                "first_short_day": _day(need.first_short_day),
                "spread_by": _day(need.spread_by),
                "source": need.demand.source,
            }
        )
    return {"nutrients": nutrients}


def details_json(desk: Desk, decisions: Decisions) -> Json:
    """What takes longer: the verdict, what the machine makes of it, and everything that has to be said."""
    plan = desk.plan(decisions)
    return {
        "verdict": _said(plan.value.verdict, plan.value.verdict_other, desk.case),
        "flat_loss": plan.value.flat_loss,
        "cell_loss": plan.value.cell_loss,
        "nothing_loss": plan.value.nothing_loss,
        "deliveries": [
            {
                "product": delivery.application.product.name,
                "on": _day(delivery.application.on),
                "within_tenth": delivery.share_within(0.1),
                "on_closed_kg": delivery.on_no_spread_kg,
                "beyond_kg": delivery.beyond_kg,
            }
            for delivery in plan.deliveries
        ],
        "notes": [{"kind": note.kind, "text": _said(note.text, note.other, desk.case)} for note in plan.notes],
    }


def shapes_name(decisions: Decisions) -> str:
    """Name of the shapes that decisions lead to: the same for the same."""
    import hashlib

    return hashlib.sha256(repr((decisions.count, decisions.edits, decisions.closed)).encode()).hexdigest()[:16]


def _zones(desk: Desk, decisions: Decisions, zoned: Zoned, rated: Rated) -> list[Json]:
    asked, choice, area = desk.asked(decisions), zoned.choice, desk.prepared.grid.cell_area_ha
    spread_ha = rated.prescription.zone_area_ha(choice.zones.count)
    weight = np.bincount(choice.zones.number, weights=area)[1:]
    certainty = None
    if choice.certainty is not None:
        certainty = np.bincount(choice.zones.number, weights=area * choice.certainty)[1:] / weight
    alike = choice.alike.get(choice.zones.count, ()) if not decisions.edits else ()
    return [
        {
            "zone": index + 1,
            "area_ha": float(weight[index]),
            "spread_ha": float(spread_ha[index]),
            "certainty": None if certainty is None else float(certainty[index]),
            "alike": sorted({zone for pair in alike if index + 1 in pair for zone in pair} - {index + 1}),
            "supply": {q: float(column[index]) for q, column in rated.report.supply.items()},
            "need": [
                {"name": need.element, "kg_ha": float(kg_ha[index]), "assurance": need.costs.assurance}
                for need, kg_ha in zip(asked.needs, rated.report.need_kg_ha, strict=True)
            ],
            "behind": _behind(rated, index),
        }
        for index in range(choice.zones.count)
    ]


def _behind(rated: Rated, index: int) -> list[Json]:
    if rated.programmes is None:
        return []
    return [
        {"name": b.element, "kg_ha": float(b.behind_kg_ha[index]), "on": _day(b.behind_on[index])}
        for b in rated.programmes.chosen.balances
        if b.behind_kg_ha[index] > 0
    ]


def _applications(desk: Desk, decisions: Decisions, planned: Rated, rated: Rated) -> list[Json]:
    """Return every application of the plan, those that were set to nothing by hand among them."""
    by_hand = desk.rates(decisions)
    now = {(a.product.name, a.on): a for a in rated.prescription.applications}
    result = []
    for application in planned.prescription.applications:
        product, on = key = (application.product.name, application.on)
        rate = now[key].rate_kg_ha if key in now else np.zeros_like(application.rate_kg_ha)
        changed = {zone for name, day, zone in by_hand if (name, day) == key}
        result.append(
            {
                "product": product,
                "on": _day(on),
                "rates": rate.tolist(),
                "planned": application.rate_kg_ha.tolist(),
                "by_hand": [zone in changed for zone in range(1, rate.size + 1)],
                "total_kg": rated.prescription.total_kg(now[key]) if key in now else 0.0,
                "planned_kg": planned.prescription.total_kg(application),
                "feeds": sorted(application.product.analysis),
            }
        )
    return result


def _total(rated: Rated) -> Json:
    """What is bought and what it costs; ``None`` where a product has no price."""
    if rated.programmes is None:
        costs = [_cost(a, rated.prescription.total_kg(a)) for a in rated.prescription.applications]
        return {"cost": None if None in costs else sum(c or 0.0 for c in costs), "trips": len(costs), "purchases": []}
    chosen: Programme = rated.programmes.chosen
    return {
        "cost": chosen.cost,
        "trips": chosen.trips,
        "purchases": [{"product": p.product.name, "kg": p.total_kg, "cost": p.cost} for p in chosen.purchases],
    }


def _cost(application: Application, kg: float) -> float | None:
    price = application.product.price_per_kg
    return None if price is None else price * kg


def _priced(desk: Desk, decisions: Decisions) -> bool:
    needs = desk.asked(decisions).losses.needs
    return bool(needs) and all(need.costs.priced for need in needs)


def _surface(surface: Surface) -> Json:
    check = surface.evidence.cross_validation
    return {
        "name": surface.quantity,
        "unit": surface.unit,
        "structure": surface.evidence.structure,
        "samples": surface.evidence.samples,
        "coverage_90": None if check is None else _finite(check.coverage_90),
    }


def _sample_rows(desk: Desk) -> list[list[float | None]]:
    samples = desk.case.samples
    columns = [[_finite(float(value)) for value in column.value] for column in samples.columns.values()]
    return [list(row) for row in zip(*columns, strict=True)]


def _words(entry: Entry, *, tiny: bool) -> Json:
    return {units: words_of(entry.change, reader(units, tiny=tiny)) for units in SYSTEMS}


def _said(own: str, other: str, case: Case) -> Json:
    """Text by system of units."""
    return {units: own if units == case.units else other or own for units in SYSTEMS}


def _reader(units: UnitSystem, *, tiny: bool) -> Json:
    """Units of a place of that size; money is per acre or hectare in a garden too."""
    read, whole = reader(units, tiny=tiny), reader(units)
    return {
        "rate_digits": 4 if tiny else 6,
        "loss_area_unit": whole.area_unit,
        "ha_per_loss_area": whole.ha_per_area,
        "rate_unit": read.rate_unit,
        "kg_ha_per_rate": read.kg_ha_per_rate,
        "area_unit": read.area_unit,
        "ha_per_area": read.ha_per_area,
        "mass_unit": read.mass_unit,
        "kg_per_mass": read.kg_per_mass,
    }


def _polygons(area: MultiPolygon) -> list[list[list[list[float]]]]:
    return [_rings(part) for part in area.geoms if isinstance(part, Polygon)]


def _rings(polygon: Polygon) -> list[list[list[float]]]:
    """Outer ring and holes, to the millimetre."""
    return [np.asarray(ring.coords)[:, :2].round(3).tolist() for ring in (polygon.exterior, *polygon.interiors)]


def _short(column: FloatArray, digits: int) -> list[float]:
    return [round(float(value), digits) for value in column]


def _day(on: date | None) -> str | None:
    return None if on is None else on.isoformat()


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None
