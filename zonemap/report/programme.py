"""The programme and the answers beside it, in words, in a table, and as plain values for summary.json."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

import numpy as np

from zonemap.amounts import Reader, reader, small
from zonemap.products.table import grade
from zonemap.report.layout import columns, folded
from zonemap.units import K2O_PER_K, P2O5_PER_P
from zonemap.values.plan import Plan
from zonemap.values.programme import TRIFLE, Balance, Limit, Programme, Programmes
from zonemap.values.season import Product

Json = dict[str, Any]

ANSWERS = {"least_cost": "least cost", "mineral": "mineral only", "organic": "organic only"}
SPREADINGS = {"separate": "a trip a product", "bins": "side by side", "blend": "one blend a pass"}
_LIMITS = {
    "cap_per_pass": "the cap of {element} on a pass",
    "cap_per_season": "the cap of {element} in the season",
    "most_over": "the bound on {element} beyond the need",
    "max_rate": "the spreader's largest rate",
    "most_products": "the number of products",
    "most_passes": "the number of passes",
    "organic_share": "the organic share{of_element}",
    "bins": "the number of bins",
    "one_blend": 'one composition of the blend for all zones of a pass (spread = "blend")',
    "with_seed": "the limit with the seed",
    "stated_products": "the products stated for a pass",
    "days": "the days on which the spreader can go",
}
#: less of this share of a need beyond it is rounding
_LEAST_OVER = 0.02
#: prices that differ by less are said to be one
_ALIKE = 0.01


def programme_lines(plan: Plan) -> list[str]:
    """Sentences and a table of the ways to meet the needs; nothing where no element is lacking by name."""
    if plan.programmes is None or not plan.programmes.chosen.balances:
        return []
    read = reader(plan.case.units)
    lines = ["", *_table(plan, plan.programmes, read)]
    lines += [folded(text, indent=2) for made in plan.programmes.others for text in other_sentences(made, plan)]
    texts = programme_sentences(plan)
    return [*lines, *(["", "Of what is put on:"] if texts else []), *(folded(text, indent=2) for text in texts)]


def programme_sentences(plan: Plan) -> tuple[str, ...]:
    """What the chosen programme leaves behind, gives beyond the need, and what more need would cost."""
    if plan.programmes is None:
        return ()
    made = plan.programmes.chosen
    read = reader(plan.case.units, tiny=small(plan.case.field.area_ha))
    found = [*_lost(made, read), *_behind(made, read), *_missing(made), *_over(plan, made, read)]
    found += [*_blends(made), *_shadow(plan, made, read)]
    if not made.proven and made.gap > 0 and made.doses:
        found.append(
            f"At most {made.gap:.1%} could be saved by another choice of products and rates: this one is good, "
            "not proven to be the cheapest."
        )
    return tuple(found)


def other_sentences(made: Programme, plan: Plan) -> list[str]:
    """What an answer that was not chosen would put on, unless it is what was chosen."""
    if plan.programmes is None or same_doses(made, plan.programmes.chosen):
        return []
    read = reader(plan.case.units)
    said = f"{_name(made)}: " + (_shopping(made, read) or "nothing")
    missing = unmet(made)
    held = f" ({limit_words(made.binding[0])} holds it back)" if missing and made.binding else ""
    return [f"{said}; {', '.join(missing)} not fully met{held}." if missing else f"{said}."]


def same_doses(one: Programme, other: Programme) -> bool:
    """Whether two programmes put on the same."""
    return [(d.product.name, d.on, d.rate_kg_ha.tolist()) for d in one.doses] == [
        (d.product.name, d.on, d.rate_kg_ha.tolist()) for d in other.doses
    ]


def _name(made: Programme) -> str:
    return ANSWERS[made.answer] if made.spreading == "separate" else f"{ANSWERS[made.answer]}, {_way(made)}"


def _way(made: Programme) -> str:
    return SPREADINGS[made.spreading]


def _table(plan: Plan, programmes: Programmes, read: Reader) -> list[str]:
    area_ha = float(plan.prescription.area_ha[plan.prescription.zone > 0].sum())
    tiny = small(plan.case.field.area_ha)
    rows = [["", "in all", *([] if tiny else [f"per {read.area_unit}"]), "trips", "behind", ""]]
    for made in programmes.all:
        chosen = made is programmes.chosen
        cost = made.cost
        money = "no price" if cost is None else f"{cost:,.2f}"
        per = "" if cost is None else f"{cost / area_ha * read.ha_per_area:,.2f}"
        remark = "chosen" if chosen else ("the same" if same_doses(made, programmes.chosen) else "")
        rows.append([_name(made), money, *([] if tiny else [per]), str(made.trips), _worst(made), remark])
    title = "Ways to meet the needs, products and trips in the currency of your prices:"
    lines = [title, *(f"  {line}" for line in columns(rows, left=(0, len(rows[0]) - 1)))]
    names = {**ANSWERS, **SPREADINGS}
    return [*lines, *(folded(f"{names[a]}: {why}.", indent=2) for a, why in programmes.unavailable.items())]


def _worst(made: Programme) -> str:
    """Elements that are behind at some time or that nothing holds."""
    return ", ".join(unmet(made)) or "never"


def unmet(made: Programme) -> list[str]:
    """Elements that are behind at some time, then those that nothing holds."""
    behind = [b.element for b in made.balances if b.behind_kg_ha.any() and b.element not in made.missing]
    return [*behind, *made.missing]


def _shopping(made: Programme, read: Reader) -> str:
    days: dict[str, list[date | None]] = {}
    for dose in made.doses:
        for product, _ in dose.parts or ((dose.product, 1.0),):
            days.setdefault(product.name, []).append(dose.on)
    said = []
    for purchase in made.purchases:
        dates = ", ".join(str(day) for day in days[purchase.product.name] if day is not None)
        said.append(f"{purchase.product.name} {read.mass(purchase.total_kg)}" + (f" on {dates}" if dates else ""))
    return "; ".join(said)


def _lost(made: Programme, read: Reader) -> Iterator[str]:
    for balance in made.balances:
        whole = float((balance.need_kg_ha + balance.lost_kg_ha).max())
        if balance.lost_kg_ha.max() > TRIFLE * max(whole, 0.1):
            yield (
                f"{balance.element}: {_range(balance.lost_kg_ha, read)} is lacking before anything spread could feed "
                "the crop, and cannot be made up."
            )


def _behind(made: Programme, read: Reader) -> Iterator[str]:
    for balance in made.balances:
        zones = np.flatnonzero(balance.behind_kg_ha > 0)
        if not zones.size or balance.element in made.missing:
            continue
        worst = int(balance.behind_kg_ha.argmax())
        day = balance.behind_on[worst]
        when = f" by {day}" if day is not None else ""
        text = f"{balance.element}: up to {read.rate(float(balance.behind_kg_ha[worst]))} behind in zone"
        yield f"{text}{'s' if zones.size > 1 else ''} {_listed(zones + 1)}{when}. {_reasons(made)}".rstrip()


def _reasons(made: Programme) -> str:
    if not made.binding:
        return "The days and products named allow no more." if made.doses else ""
    first = made.binding[0]
    gone = "nothing would be behind" if first.relief > 1 - 1e-6 else f"{first.relief:.0%} of it would be gone"
    others = [limit_words(limit) for limit in made.binding[1:3]]
    also = f" So {'does' if len(others) == 1 else 'do'} {' and '.join(others)}." if others else ""
    words = limit_words(first)
    return f"{words[0].upper()}{words[1:]} holds it back: without it {gone}.{also}"


def limit_words(limit: Limit) -> str:
    """Name of a limit, for people."""
    of_element = f" of {limit.element}" if limit.element else ""
    return _LIMITS[limit.name].format(element=limit.element, of_element=of_element)


def _missing(made: Programme) -> Iterator[str]:
    if made.missing:
        yield f"{', '.join(made.missing)}: lacking, and no product that may be spread holds it."


def _over(plan: Plan, made: Programme, read: Reader) -> Iterator[str]:
    area = np.array([plan.prescription.area_ha[plan.prescription.zone == z + 1].sum() for z in range(plan.zones.count)])
    if not area.sum():
        return
    said = []
    for balance in made.balances:
        over = float(balance.over_kg_ha @ area / area.sum())
        if over > _LEAST_OVER * max(float(balance.need_kg_ha.max()), 1e-9) and over > 1e-3:
            said.append(f"{balance.element} {read.rate(over)}")
    if said:
        yield f"Beyond the need, on average: {', '.join(said)}."


def _blends(made: Programme) -> Iterator[str]:
    for dose in made.doses:
        if dose.parts:
            total = sum(share for _, share in dose.parts)
            parts = ", ".join(f"{share / total:.1%} {product.name}" for product, share in dose.parts)
            when = f" of {dose.on}" if dose.on is not None else ""
            yield f"{dose.product.name}{when}: {parts} by mass, {blend_grade(dose.product)}."


def blend_grade(product: Product) -> str:
    """Grade of a blend as a label would state it, N-P2O5-K2O.

    >>> blend_grade(Product("blend", {"N": 0.2, "P": 0.0436, "K": 0.083}))
    '20-10-10'
    """
    analysis = product.analysis
    label = {
        "N": 100 * analysis.get("N", 0.0),
        "P2O5": 100 * analysis.get("P", 0.0) * P2O5_PER_P,
        "K2O": 100 * analysis.get("K", 0.0) * K2O_PER_K,
        **{e: 100 * share for e, share in analysis.items() if e not in ("N", "P", "K")},
    }
    return grade({form: round(percent, 1) for form, percent in label.items()})


def _shadow(plan: Plan, made: Programme, read: Reader) -> Iterator[str]:
    """What one more pound of an element would cost, zones of one price together."""
    if not made.priced:
        return
    for balance in made.balances:
        prices = [price for price in made.shadow if price.element == balance.element]
        paid = [price for price in prices if price.per_kg > 1e-9]
        groups: dict[float, list[int]] = {}
        for price in paid:
            known = next((p for p in groups if abs(p - price.per_kg) <= _ALIKE * p), price.per_kg)
            groups.setdefault(known, []).append(price.zone)
        every = plan.zones.count
        said = [f"{per_kg * read.kg_per_mass:,.2f} in {_zones_words(zones, every)}" for per_kg, zones in groups.items()]
        if said:
            yield f"One more {read.mass_unit} of {balance.element} needed would cost {', '.join(said)}."


def _zones_words(zones: Sequence[int], every: int) -> str:
    if len(zones) == every:
        return "every zone" if every > 1 else "all"
    return f"zone{'s' if len(zones) > 1 else ''} {_listed(zones)}"


def _listed(numbers: Sequence[int] | np.ndarray[Any, Any]) -> str:
    return ", ".join(str(int(number)) for number in numbers)


def _range(kg_ha: np.ndarray[Any, Any], read: Reader) -> str:
    low, high = float(kg_ha.min()), float(kg_ha.max())
    return read.rate(high) if low == high else f"up to {read.rate(high)}"


def programmes_json(programmes: Programmes | None) -> Json | None:
    """Plain values, metric."""
    if programmes is None:
        return None
    return {
        "chosen": programme_json(programmes.chosen),
        "others": [programme_json(made) for made in programmes.others],
        "unavailable": dict(programmes.unavailable),
    }


def programme_json(made: Programme) -> Json:
    """Return one programme as plain values, metric, lists by zone."""
    return {
        "answer": made.answer,
        "spreading": made.spreading,
        "cost": made.cost,
        "trips": made.trips,
        "trip_cost": made.trip_cost,
        "proven_least_cost": made.proven,
        "largest_saving_left": made.gap,
        "doses": [
            {
                "product": dose.product.name,
                "date": None if dose.on is None else dose.on.isoformat(),
                "planned_kg_ha": dose.planned_kg_ha.tolist(),
                "rate_kg_ha": dose.rate_kg_ha.tolist(),
                "parts": {product.name: share for product, share in dose.parts},
            }
            for dose in made.doses
        ],
        "purchases": [
            {
                "product": purchase.product.name,
                "total_kg": purchase.total_kg,
                "from_hand_kg": purchase.from_hand_kg,
                "bags": purchase.bags,
                "cost": purchase.cost,
            }
            for purchase in made.purchases
        ],
        "balance": {balance.element: _balance_json(balance) for balance in made.balances},
        "missing": list(made.missing),
        "binding": [{"limit": b.name, "element": b.element, "relief": b.relief} for b in made.binding],
        "one_more_kg_costs": [
            {"zone": price.zone, "element": price.element, "cost_per_kg": price.per_kg} for price in made.shadow
        ],
    }


def _balance_json(balance: Balance) -> Json:
    return {
        "need_kg_ha": balance.need_kg_ha.tolist(),
        "available_kg_ha": balance.given_kg_ha.tolist(),
        "applied_kg_ha": balance.applied_kg_ha.tolist(),
        "over_kg_ha": balance.over_kg_ha.tolist(),
        "behind_kg_ha": balance.behind_kg_ha.tolist(),
        "behind_on": [None if day is None else day.isoformat() for day in balance.behind_on],
        "lost_before_kg_ha": balance.lost_kg_ha.tolist(),
    }
