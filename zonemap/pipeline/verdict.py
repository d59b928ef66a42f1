"""Is varying the rate worth it: the decision and the sentence that says it."""

from __future__ import annotations

from collections.abc import Mapping

from zonemap.amounts import reader
from zonemap.pipeline.choice import Losses
from zonemap.values.case import Case
from zonemap.values.plan import Advice, ValueOfVarying
from zonemap.values.zones import Zones


def value_of_varying(
    losses: Losses, zones: Zones, losses_by_count: Mapping[int, float], *, needed: bool, case: Case
) -> ValueOfVarying:
    """Compare one flat rate, the zones, and a rate for every cell.

    Parameters
    ----------
    losses
        Measures any set of zones.
    zones, losses_by_count
        What was chosen, and number of zones -> loss of all that was tried, one zone among them.
    needed
        Whether any zone needs anything that a product here supplies.
    """
    flat = losses_by_count[1]
    priced = bool(losses.needs) and all(need.costs.priced for need in losses.needs)
    advice = _advice(losses, zones, needed=needed)
    saved = flat - losses_by_count[zones.count]
    verdict = _sentence(advice, losses, zones.count, _saving(saved, flat, case, priced=priced))
    zones_loss = {count: loss for count, loss in losses_by_count.items() if count > 1}
    return ValueOfVarying(flat, zones_loss, losses.of_cells(), losses.of_nothing(), priced, advice, verdict)


def _advice(losses: Losses, zones: Zones, *, needed: bool) -> Advice:
    if not needed:
        return "nothing_needed"
    if all(surface.evidence.samples == 1 for surface in losses.surfaces):
        return "one_sample"
    if not any(surface.evidence.structure == "found" for surface in losses.surfaces):
        return "no_map"
    return "vary" if zones.count > 1 else "one_rate"


def _sentence(advice: Advice, losses: Losses, count: int, saving: str) -> str:
    names = ", ".join(dict.fromkeys(need.quantity for need in losses.needs))
    sentences: dict[Advice, str] = {
        "nothing_needed": "Nothing to spread: at this assurance the soil covers every need that a product here meets.",
        "one_sample": "One composite sample gives one rate for the whole place; it shows no differences within.",
        "no_map": f"No map is supported: these samples show no pattern of {names}. Apply one rate.",
        "one_rate": "Apply one rate: no number of zones saves enough of the expected loss to be worth the trouble.",
        "vary": f"Vary the rate: against one flat rate, {count} zones save {saving}.",
    }
    return sentences[advice]


def _saving(saved_per_ha: float, flat: float, case: Case, *, priced: bool) -> str:
    share = f"{saved_per_ha / flat if flat > 0 else 0.0:.0%} of the expected loss"
    if not priced:
        return share
    read = reader(case.units)
    field = saved_per_ha * case.field.area_ha
    per_area = f"{saved_per_ha * read.ha_per_area:.2f} per {read.area_unit}"
    return f"{share}: {per_area}, {field:,.0f} on the field, in the currency of your prices"
