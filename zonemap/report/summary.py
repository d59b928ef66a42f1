"""summary.json: all numbers of a plan, machine-readable, units in the key names."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

from zonemap.report.bill import cost_of
from zonemap.report.by_hand import by_hand_json
from zonemap.report.changes import changes_by_application, changes_summary
from zonemap.report.deadlines import deadlines
from zonemap.report.programme import programmes_json
from zonemap.report.shown import notes_json
from zonemap.values.arrays import FloatArray
from zonemap.values.need import Need
from zonemap.values.plan import Plan
from zonemap.values.sufficiency import Sufficiency
from zonemap.values.surface import Surface

Json = dict[str, Any]


def summary(plan: Plan) -> Json:
    """Build the content of summary.json: plain types, no NaN, metric."""
    last = {each.nutrient: each.spread_by for each in deadlines(plan)}
    return {
        "field": {
            "name": plan.case.field.name,
            "area_ha": plan.case.field.area_ha,
            "cells": plan.grid.cells,
            "cell_m": plan.grid.cell_m,
            "working_crs": plan.case.field.crs,
            "units_of_files": plan.case.units,
        },
        "nutrients": {q: _nutrient(surface, plan) for q, surface in plan.surfaces.items()},
        "demand": {
            name: _demand(need, last.get(need.quantity)) for name, need in zip(plan.need_names, plan.needs, strict=True)
        },
        "sufficiency": {quantity: _sufficiency(found, 0) for quantity, found in plan.sufficiency.items()},
        "zones": [_zone(plan, number) for number in plan.outlines.zone],
        "products": [_product(plan, index) for index in range(len(plan.prescription.applications))],
        "changes": {
            "by_product": changes_summary(plan),
            "by_application": changes_by_application(plan),
            "by_hand": by_hand_json(plan),
            "revision": plan.revision,
        },
        "programme": programmes_json(plan.programmes),
        "value": _value(plan),
        "delivery": _delivery(plan),
        "notes": notes_json(plan.notes),
    }


def _nutrient(surface: Surface, plan: Plan) -> Json:
    evidence, check = surface.evidence, surface.evidence.cross_validation
    mean = float(surface.mean() @ plan.grid.cell_area_ha / plan.grid.cell_area_ha.sum())
    variogram = evidence.variogram
    return {
        "samples": evidence.samples,
        "structure": evidence.structure,
        "structure_p": _finite(evidence.structure_p),
        "model": None
        if variogram is None
        else {
            "family": variogram.family,
            "scale": surface.transform.name,
            "range_m": variogram.range_m,
            "azimuth_deg": None if variogram.ratio == 1 else variogram.azimuth_deg,
            "ratio": variogram.ratio,
            "nugget": variogram.nugget,
            "partial_sill": variogram.partial_sill,
            "measurement_variance": variogram.measurement_variance,
        },
        "covariates": list(evidence.covariates),
        "covariate_share": _finite(evidence.covariate_share),
        "nugget_ratio": None if variogram is None else variogram.nugget_ratio,
        "mean_error": None if check is None else _finite(check.mean_error),
        "rmse": None if check is None else _finite(check.rmse),
        "msdr": None if check is None else _finite(check.msdr),
        "coverage_90": None if check is None else _finite(check.coverage_90),
        "crps": None if check is None else _finite(check.crps),
        "unit": surface.unit,
        ("mean_supply_kg_ha_day" if surface.unit == "kg/ha/day" else "mean_value"): mean,
    }


def _demand(need: Need, spread_by: date | None) -> Json:
    """Demand, the last day of spreading that serves every zone, and the days of the poorest tenth of the field."""
    day = need.first_short_day
    return {
        "total_kg_ha": None if need.demand is None else need.demand.total_kg_ha,
        "peak_kg_ha_day": None if need.demand is None else need.demand.peak_kg_ha_day,
        "peak_10_day_kg_ha_day": None if need.demand is None else need.demand.peak_10_day_kg_ha_day,
        "first_short_day": day.isoformat() if day else None,
        "spread_by": spread_by.isoformat() if spread_by else None,
        "spread_by_for_poorest_tenth": need.spread_by.isoformat() if need.spread_by else None,
        "share_of_field_short": need.share_of_field_short,
        "assurance": need.costs.assurance,
        "source": need.demand.source if need.demand else "the user's own rate table",
    }


def _zone(plan: Plan, number: int) -> Json:
    index = number - 1
    rates: Json = {}
    for application in plan.prescription.applications:
        on = application.on.isoformat() if application.on else "undated"
        rates.setdefault(application.product.name, {})[on] = float(application.rate_kg_ha[index])
    supply = {q: float(column[index]) for q, column in plan.zone_report.supply.items()}
    resin = {q: v for q, v in supply.items() if plan.surfaces[q].unit == "kg/ha/day"}
    spreadable = plan.prescription.zone == number
    return {
        "zone": number,
        "area_ha": float(plan.outlines.area_ha[index]),
        "spread_area_ha": float(plan.prescription.area_ha[spreadable].sum()),
        "supply_kg_ha_day": resin,
        "measured": {q: v for q, v in supply.items() if q not in resin},
        "need_kg_ha": {
            name: float(column[index])
            for name, column in zip(plan.need_names, plan.zone_report.need_kg_ha, strict=True)
        },
        "sufficiency": {quantity: _sufficiency(found, number) for quantity, found in plan.sufficiency.items()},
        "certainty": None if plan.choice.certainty is None else _mean_certainty(plan, plan.choice.certainty, number),
        "rate": rates,
        "rate_unit": "kg/ha",
    }


def _mean_certainty(plan: Plan, certainty: FloatArray, number: int) -> float:
    area = plan.grid.cell_area_ha * (plan.zones.number == number)
    return float(certainty @ area / area.sum())


def _sufficiency(found: Sufficiency, row: int) -> Json:
    low, middle, high = (float(supply) for supply in found.supply_kg_ha_day[row])
    return {
        "supply_kg_ha_day": {"p10": low, "p50": middle, "p90": high},
        "share_of_peak_demand": float(found.share_of_peak[row]),
        "share_of_season_demand": float(found.share_of_season[row]),
    }


def _product(plan: Plan, index: int) -> Json:
    application = plan.prescription.applications[index]
    total = plan.prescription.total_kg(application)
    spread = float(plan.prescription.area_ha[plan.prescription.zone > 0].sum())
    return {
        "product": application.product.name,
        "date": application.on.isoformat() if application.on else None,
        "total_kg": total,
        "mean_rate_kg_ha": total / spread if spread else 0.0,
        "cost": cost_of(plan, application),
        "parts": {product.name: share for product, share in application.parts},
    }


def _delivery(plan: Plan) -> Json | None:
    if not plan.deliveries:
        return None
    return {
        "share_within_10_percent": sum(d.share_within(0.10) for d in plan.deliveries) / len(plan.deliveries),
        "heading_deg": plan.deliveries[0].heading_deg,
        "best_heading_deg": None if plan.headings is None else plan.headings.best_deg,
        "applications": [
            {
                "product": delivery.application.product.name,
                "date": None if delivery.application.on is None else delivery.application.on.isoformat(),
                "share_within_5_percent": delivery.share_within(0.05),
                "share_within_10_percent": delivery.share_within(0.10),
                "intended_kg": delivery.intended_kg,
                "delivered_kg": delivery.delivered_kg,
                "on_no_spread_kg": delivery.on_no_spread_kg,
                "passes": delivery.passes,
                "rounds": delivery.rounds,
            }
            for delivery in plan.deliveries
        ],
    }


def _value(plan: Plan) -> Json:
    value = plan.value
    return {
        "flat_loss": value.flat_loss,
        "zones_loss": {str(count): loss for count, loss in value.zones_loss.items()},
        "cell_loss": value.cell_loss,
        "nothing_loss": value.nothing_loss,
        "loss_unit": "money per ha" if value.priced else "relative per ha",
        "zones_chosen": value.zones,
        "cost_of_varying_ha": value.cost_of_varying_ha,
        "perfect_knowledge_worth": value.cell_loss,
        "grouped_loss": value.grouped_loss,
        "drawn_loss": value.drawn_loss,
        "zones_alike": {str(count): [list(pair) for pair in pairs] for count, pairs in plan.choice.alike.items()},
        "fuzziness": {
            str(count): {"performance_index": index, "classification_entropy": entropy}
            for count, (index, entropy) in plan.choice.fuzziness.items()
        },
        "advice": value.advice,
        "verdict": value.verdict,
    }


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None
