"""Needs by recommendation rules of public services and by the user's own tables, for conventional extracts."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from zonemap.agronomy.products import cheapest_source, price_per_kg_of
from zonemap.agronomy.rules import RuleCard, card_of, refuse_other_extract, rule_curve
from zonemap.agronomy.timing import choose_day
from zonemap.errors import InputError
from zonemap.pipeline.costing import costs_of, share_short
from zonemap.values.case import Case
from zonemap.values.grid import Grid
from zonemap.values.need import Need, NeedCurve
from zonemap.values.note import Note
from zonemap.values.rules import Line, Rule
from zonemap.values.season import Product
from zonemap.values.surface import Surface

_LIME = "lime"
#: a quantity is read from its line against another with so many samples, and so clear a line: our own choice
_LEAST_PAIRS, _LEAST_CORRELATION = 8, 0.5


def rule_needs(case: Case, surfaces: Mapping[str, Surface], grid: Grid) -> tuple[tuple[Need, ...], tuple[Note, ...]]:
    """Needs of every [[rule]], and what was assumed for it.

    Raises
    ------
    InputError
        For a rule that does not fit the values or lacks a number, or two rules of one element.
    """
    needs, notes, met = [], [], set()
    for number, rule in enumerate(case.rules, start=1):
        where = f"field.toml, rule {number}"
        card = card_of(rule.name, where=f"{where}, name")
        need, said = _need(case, rule, card, surfaces, grid, where=where)
        of = need.curve.product or need.element
        if of in met:
            raise InputError(where, f"there is another rule for {of}", "Keep one of the two.")
        met.add(of)
        needs.append(need)
        notes += said
    cautions = dict.fromkeys(card_of(rule.name, where="").caution for rule in case.rules)
    return tuple(needs), (*notes, *(Note("caution", text) for text in cautions))


def _need(
    case: Case, rule: Rule, card: RuleCard, surfaces: Mapping[str, Surface], grid: Grid, *, where: str
) -> tuple[Need, list[Note]]:
    quantity = rule.quantity or card.quantity
    if quantity not in surfaces:
        what = f"{card.title} reads {quantity}, which was not measured"
        raise InputError(f"{where}, value", what, f"Name one of {', '.join(surfaces)}.")
    surface = surfaces[quantity]
    refuse_other_extract(rule.name, case.samples.basis, surface.unit, where=where)
    numbers, notes = _numbers(case, rule, card, quantity, where=where)
    product = _product(case, rule, card, where=where)
    crop = rule.crop or (case.crop.name if case.crop else "")
    curve = rule_curve(
        rule.name,
        quantity=quantity,
        unit=surface.unit,
        crop=crop,
        product=rule.product or _LIME,
        number=numbers,
        where=where,
    )
    notes.append(Note("warning", f"{_of(curve)}: rates by {card.title} ({card.source})."))
    price = None
    if product is not None:
        price = product.price_per_kg if curve.product else price_per_kg_of(card.element, product)
    costs = costs_of(case.decision, curve.product or card.element, curve, price)
    on = choose_day(case.season.apply_on, None)
    if product is None:
        notes.append(Note("warning", f"{_of(curve)}: no [[product]] holds it, so no rate is planned for it."))
    return Need(curve, costs, None, product, on, 1.0, None, None, share_short(surface, curve, grid)), notes


def _of(curve: NeedCurve) -> str:
    return curve.product or curve.element or curve.quantity


def _product(case: Case, rule: Rule, card: RuleCard, *, where: str) -> Product | None:
    """What the rule is met with: the product it names, else the cheapest source of the element."""
    named = next((product for product in case.products if product.name == rule.product), None)
    if not card.element:
        return named or Product(rule.product or _LIME, {})
    if not rule.product:
        return cheapest_source(card.element, case.products)
    if named is None:
        there = ", ".join(product.name for product in case.products) or "none"
        raise InputError(f"{where}, product", f"'{rule.product}' has no [[product]] table", f"Products: {there}.")
    if named.analysis.get(card.element, 0.0) == 0:
        raise InputError(f"{where}, product", f"'{rule.product}' holds no {card.element}", "Name one that does.")
    return named


def _numbers(
    case: Case, rule: Rule, card: RuleCard, quantity: str, *, where: str
) -> tuple[dict[str, Line], list[Note]]:
    """Every parameter of a rule: as stated, else the crop's yield goal or what was measured, else the default."""
    stray = [key for key in rule.number if key not in card.parameters]
    if stray:
        takes = ", ".join(card.parameters) or "none"
        raise InputError(f"{where}, {stray[0]}", f"{card.title} takes no {stray[0]}", f"It takes: {takes}.")
    numbers, notes = {key: Line(number) for key, number in rule.number.items()}, []
    for key, parameter in card.parameters.items():
        if key in numbers:
            continue
        column = next((name for name in parameter.columns if name in case.samples.columns), None)
        if key == "yield_goal" and case.crop is not None and case.crop.yield_goal is not None and case.units == "us":
            numbers[key] = Line(case.crop.yield_goal)
        elif column is not None:
            numbers[key], said = _measured(case, column, quantity if parameter.follows else None)
            notes.append(Note("warning", f"{card.title}: {parameter.meaning} {said}."))
        elif parameter.default is not None:
            numbers[key] = Line(parameter.default)
            notes.append(Note("warning", f"{card.title}: {parameter.meaning} was taken as {parameter.default:g}."))
        else:
            raise InputError(
                f"{where}, {key}", f"is missing: {parameter.meaning}", f"Write {key} = ... in this [[rule]]."
            )
    return numbers, notes


def _measured(case: Case, column: str, against: str | None) -> tuple[Line, str]:
    """Mean of a column over the samples, or its line against another where it goes with it; and words for it."""
    value = case.samples.columns[column].value
    known = value[np.isfinite(value)]
    mean = float(known.mean())
    if against is not None:
        other = case.samples.columns[against].value
        both = np.isfinite(value) & np.isfinite(other)
        if np.count_nonzero(both) >= _LEAST_PAIRS and np.ptp(other[both]) > 0 and np.ptp(value[both]) > 0:
            slope, intercept = np.polyfit(other[both], value[both], 1)
            if abs(float(np.corrcoef(other[both], value[both])[0, 1])) >= _LEAST_CORRELATION:
                line = Line(float(intercept), float(slope), float(known.min()), float(known.max()))
                return line, f"follows {against} along its line through the samples"
    return Line(mean), f"is the mean of the samples, {mean:.3g}, everywhere"
