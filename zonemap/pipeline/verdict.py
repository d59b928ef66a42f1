"""Is varying the rate worth it: the decision and the sentence that says it."""

from __future__ import annotations

from zonemap.pipeline.choice import Losses
from zonemap.values.plan import Advice, ValueOfVarying
from zonemap.values.zones import Zones


def value_of_varying(
    losses: Losses, zones: Zones, zones_loss: dict[int, float], *, area_ha: float, single: bool
) -> ValueOfVarying:
    """Compare one flat rate, the zones, and a rate for every cell.

    Parameters
    ----------
    losses
        Measures any set of zones.
    zones, zones_loss
        What was chosen, and the losses of all that was tried.
    single
        Whether there is one composite sample only.
    """
    flat = losses.of_zones(Zones(zones.number * 0 + 1))
    cells, nothing = losses.of_cells(), losses.of_nothing()
    priced = bool(losses.needs) and all(need.costs.priced for need in losses.needs)
    advice = _advice(losses, zones, single=single)
    verdict = _sentence(advice, losses, flat, zones_loss.get(zones.count, flat), zones.count, area_ha, priced=priced)
    return ValueOfVarying(flat, zones_loss, cells, nothing, priced, advice, verdict)


def _advice(losses: Losses, zones: Zones, *, single: bool) -> Advice:
    if not losses.needs or losses.of_nothing() == 0:
        return "nothing_needed"
    if single:
        return "one_sample"
    if not any(surface.evidence.structure == "found" for surface in losses.surfaces):
        return "no_map"
    return "vary" if zones.count > 1 else "one_rate"


def _sentence(
    advice: Advice, losses: Losses, flat: float, chosen: float, count: int, area_ha: float, *, priced: bool
) -> str:
    if advice == "nothing_needed":
        return "Nothing is needed: the soil covers what the crop asks of every nutrient a product here could supply."
    if advice == "one_sample":
        return "One composite sample gives one rate for the whole place; it says nothing about differences within it."
    names = ", ".join(dict.fromkeys(need.quantity for need in losses.needs))
    if advice == "no_map":
        return f"This sampling cannot support a map of {names}: apply one rate."
    share = (flat - chosen) / flat if flat > 0 else 0.0
    saved = flat - chosen
    money = f" {saved:.2f} per ha or {saved * area_ha:,.0f} on the field in the prices given," if priced else ""
    if advice == "one_rate":
        return "Apply one rate: no number of zones saves enough of the expected loss to be worth the trouble."
    return f"Vary the rate: {count} zones save{money} {share:.0%} of the expected loss of one flat rate."
