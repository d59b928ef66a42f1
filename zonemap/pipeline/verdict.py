"""Is varying the rate worth it: the decision and the sentence that says it."""

from __future__ import annotations

from zonemap.amounts import Reader, in_both
from zonemap.pipeline.choice import Losses
from zonemap.values.case import Case
from zonemap.values.plan import Advice, ValueOfVarying
from zonemap.values.zones import ZoneChoice, Zones


def value_of_varying(losses: Losses, choice: ZoneChoice, drawn: Zones, *, needed: bool, case: Case) -> ValueOfVarying:
    """Compare one flat rate, the zones, and a rate for every cell.

    Parameters
    ----------
    losses
        Measures any set of zones.
    choice
        What was chosen, and the loss of all that was tried.
    drawn
        The zones as their outlines are drawn.
    needed
        Whether any zone needs anything that a product here supplies.
    """
    advice = _advice(losses, choice, needed=needed)
    verdict, other = in_both(case.units, lambda read: _sentence(advice, losses, choice, case, read))
    return ValueOfVarying(
        flat_loss=choice.loss[1],
        zones_loss={count: loss for count, loss in choice.loss.items() if count > 1},
        cell_loss=losses.of_cells(),
        nothing_loss=losses.of_nothing(),
        zones=choice.zones.count,
        grouped_loss=choice.loss[choice.zones.count] if choice.loss_as_grouped is None else choice.loss_as_grouped,
        drawn_loss=losses.of_drawn(choice, drawn),
        cost_of_varying_ha=losses.cost_of_varying,
        priced=_priced(losses),
        advice=advice,
        verdict=verdict,
        verdict_other=other,
    )


def _priced(losses: Losses) -> bool:
    return bool(losses.needs) and all(need.costs.priced for need in losses.needs)


def _advice(losses: Losses, choice: ZoneChoice, *, needed: bool) -> Advice:
    if not needed:
        return "nothing_needed"
    if all(surface.evidence.samples == 1 for surface in losses.surfaces):
        return "one_sample"
    if not any(surface.evidence.structure == "found" for surface in losses.surfaces):
        return "no_map"
    return "vary" if choice.zones.count > 1 else "one_rate"


def _sentence(advice: Advice, losses: Losses, choice: ZoneChoice, case: Case, read: Reader) -> str:
    names = ", ".join(dict.fromkeys(need.quantity for need in losses.needs))
    sentences: dict[Advice, str] = {
        "nothing_needed": "Nothing to spread: at this assurance the soil covers every need that a product here meets.",
        "one_sample": "One composite sample gives one rate for the whole place; it shows no differences within.",
        "no_map": f"No map is supported: these samples show no pattern of {names}. Apply one rate.",
        "one_rate": _one_rate(losses, choice, case, read),
        "vary": _vary(losses, choice, case, read),
    }
    return sentences[advice]


def _one_rate(losses: Losses, choice: ZoneChoice, case: Case, read: Reader) -> str:
    told_apart = [count for count in choice.loss if count not in choice.alike]
    best = min(told_apart, key=lambda count: choice.loss[count])
    saved = choice.loss[1] - choice.loss[best]
    if losses.cost_of_varying and best > 1:
        per_area, _ = _money(saved, case, read)
        cost, _ = _money(losses.cost_of_varying, case, read)
        return f"Apply one rate: {best} zones would save {per_area}, and varying the rate costs {cost}."
    return "Apply one rate: no number of zones saves enough of the expected loss to be worth the trouble."


def _vary(losses: Losses, choice: ZoneChoice, case: Case, read: Reader) -> str:
    flat, count = choice.loss[1], choice.zones.count
    saved = flat - choice.loss[count]
    text = f"Vary the rate: against one flat rate, {count} zones save {saved / flat if flat > 0 else 0.0:.0%} of the"
    text += " expected loss"
    if not _priced(losses):
        return f"{text}."
    cost = losses.cost_of_varying or 0.0
    per_area, on_field = _money(saved - cost, case, read)
    after = f", after the {_money(cost, case, read)[0]} that varying costs," if cost else ","
    return f"{text}: {per_area}{after} {on_field} on the field, in the currency of your prices."


def _money(per_ha: float, case: Case, read: Reader) -> tuple[str, str]:
    """Per area people read, and on the whole field."""
    return f"{per_ha * read.ha_per_area:.2f} per {read.area_unit}", f"{per_ha * case.field.area_ha:,.0f}"
