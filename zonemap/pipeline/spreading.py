"""From needs to what is spread: the ask of a programme, and the prescription made of its doses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations

import numpy as np

from zonemap.pipeline.notes import answer_notes, price_notes, too_little
from zonemap.pipeline.parse import Pipeline
from zonemap.pipeline.shaping import blank_prescription
from zonemap.products.compatibility import conflicts
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.need import Demand, Need
from zonemap.values.note import Note
from zonemap.values.plan import ZoneReport
from zonemap.values.prescription import Application, Prescription
from zonemap.values.programme import TRIFLE, Ask, NeedPath, Programmes
from zonemap.values.season import Product
from zonemap.values.zones import Outlines, ZoneChoice
from zonemap.zoning.outline import single_parts

#: a zone without spreadable area still has a price per area
_LEAST_HA = 1e-9
#: needs below this count as this where shares of them are taken
_LEAST_NEED_KG_HA = 0.1


def spread(
    case: Case,
    pipeline: Pipeline,
    needs: tuple[Need, ...],
    report: ZoneReport,
    choice: ZoneChoice,
    outlines: Outlines,
) -> tuple[Prescription, Programmes | None, tuple[Note, ...], tuple[NeedPath, ...]]:
    """Prescription, the programmes it was chosen from (``None`` where no element is lacking by name), notes, needs."""
    polygons, zone = single_parts(outlines, tuple(place.area for place in case.field.no_spread))
    blank, shape_notes = blank_prescription(polygons, zone, case, zones=choice.zones.count)
    paths = need_paths(needs, report)
    programmes: Programmes | None = None
    applications: list[Application] = []
    unpriced: tuple[Note, ...] = ()
    if paths and case.products:
        unpriced = price_notes(case)
        programmes = pipeline.run("products", ask_of(case, paths, blank.zone_area_ha(choice.zones.count)))
        applications = list(programmes.chosen.doses)
    tables, notes = _of_tables(case, pipeline, needs, report)
    return (
        replace(blank, applications=(*applications, *tables)),
        programmes,
        (*shape_notes, *unpriced, *answer_notes(programmes, case), *notes),
        paths,
    )


def need_paths(needs: Sequence[Need], report: ZoneReport) -> tuple[NeedPath, ...]:
    """What is lacking of every element, day by day where the crop's demand is known.

    The supply that counts is the one a zone has with the assurance asked for: the value at which its need was read.
    """
    paths = []
    for need, kg_ha, supply in zip(needs, report.need_kg_ha, report.read_at, strict=True):
        if need.curve.product:
            continue
        if need.demand is None or supply is None:
            paths.append(_amount(need, kg_ha))
        else:
            paths.append(lacking_path(need.demand, supply, short_cost=need.costs.short))
    return tuple(paths)


def lacking_path(demand: Demand, supply_kg_ha_day: FloatArray, *, short_cost: float) -> NeedPath:
    """Sum of what each day asks beyond the supply, from the first day on, for zones of a given supply.

    The sum to the end is the season's shortfall. It is never less than cumulative demand minus cumulative supply, since
    supply that a day does not use is not counted as saved up.
    """
    response = demand.response[None, :]
    daily = np.maximum(demand.demand_kg_ha_day[None, :] - supply_kg_ha_day[:, None] * response, 0.0)
    lacking, nothing = np.cumsum(daily, axis=1), np.zeros(supply_kg_ha_day.size)
    return NeedPath(
        demand.nutrient,
        demand.first_day,
        lacking,
        nothing,
        short_cost,
        demand.total_kg_ha,
        short_from=_short_from(lacking, demand),
    )


def _short_from(lacking_kg_ha: FloatArray, demand: Demand) -> date | None:
    short = (lacking_kg_ha > TRIFLE * max(float(lacking_kg_ha[:, -1].max()), _LEAST_NEED_KG_HA)).any(axis=0)
    return demand.first_day + timedelta(days=int(short.argmax())) if short.any() else None


def ask_of(case: Case, paths: tuple[NeedPath, ...], zone_area_ha: FloatArray) -> Ask:
    """Everything a programme is made from."""
    spreader = case.spreader
    return Ask(
        paths=paths,
        products=case.products,
        passes=case.season.passes,
        terms=case.season.terms,
        zone_area_ha=np.maximum(zone_area_ha, _LEAST_HA),
        min_rate_kg_ha=spreader.min_rate_kg_ha,
        max_rate_kg_ha=spreader.max_rate_kg_ha,
        step_kg_ha=spreader.step_kg_ha,
        unit_kg_ha=KG_HA_PER_LB_AC if case.units == "us" else 1.0,
        never_blended=never_blended(case.products),
    )


def never_blended(products: Sequence[Product]) -> frozenset[frozenset[str]]:
    """Pairs of product names whose kinds must not be in one blend."""
    return frozenset(
        frozenset({first.name, second.name})
        for first, second in combinations(products, 2)
        if first.kind and second.kind
        if any(conflict.severity == "never" for conflict in conflicts((first.kind, second.kind)))
    )


def _amount(need: Need, kg_ha: FloatArray) -> NeedPath:
    """Need without a calendar, by a rule for an extract."""
    nothing = np.zeros(kg_ha.size)
    return NeedPath(need.element, date.min, kg_ha[:, None], nothing, need.costs.short, dated=False)


def _of_tables(
    case: Case, pipeline: Pipeline, needs: tuple[Need, ...], report: ZoneReport
) -> tuple[list[Application], tuple[Note, ...]]:
    """Products that rate tables and rules ask for by name, at the rates the machine can spread."""
    unit = KG_HA_PER_LB_AC if case.units == "us" else 1.0
    applications, notes = [], []
    for need, planned in zip(needs, report.need_kg_ha, strict=True):
        if not need.curve.product or need.product is None or not planned.any():
            continue
        step = (1.0 if planned.max() >= 20 * unit else 0.1) * unit
        rate = pipeline.run("limits", planned, case.spreader, step_kg_ha=step)
        if rate.any():
            applications.append(Application(need.product, need.on, planned, rate))
        else:
            notes.append(too_little(need.product, planned, case))
    return applications, tuple(notes)
