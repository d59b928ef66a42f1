"""Needs by recommendation rules of public services and by the user's own tables, for conventional extracts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from zonemap.agronomy.rule_cards import (
    DEFERS,
    Parameter,
    RuleCard,
    card_of,
    refuse_other_extract,
    refuse_other_quantity,
)
from zonemap.agronomy.rules import rule_curve
from zonemap.errors import InputError
from zonemap.pipeline.costing import need_costs, share_short
from zonemap.products.sources import cheapest_source
from zonemap.products.timing import choose_day
from zonemap.units import US_YIELD_PER_T_HA
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.grid import Grid
from zonemap.values.need import Need, NeedCurve
from zonemap.values.note import Note
from zonemap.values.rules import Line, Rule
from zonemap.values.season import Product, RateTable
from zonemap.values.surface import Surface

_LIME = "lime"
_METRIC_GOAL = "yield_goal_t_ha"
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
    return tuple(needs), (*notes, *(Note("caution", text) for text in [*cautions, DEFERS] if text))


def refuse_rules(case: Case) -> None:
    """Refuse [[rule]] tables beside values that no rule reads: they would be passed over.

    Raises
    ------
    InputError
        Naming the first rule.
    """
    if case.rules:
        what = f"rules read extracts, and these are {case.samples.basis.kind} values"
        raise InputError("field.toml, rule 1", what, "Remove the [[rule]] tables, or give values of that extract.")


def refuse_shared_products(needs: Sequence[Need], tables: Sequence[RateTable]) -> None:
    """Refuse a product that both a rule and a rate table ask for.

    Raises
    ------
    InputError
        Naming the table and the product.
    """
    taken = {need.product.name for need in needs if need.product is not None}
    for number, table in enumerate(tables, start=1):
        if table.product in taken:
            what = f"'{table.product}' meets a rule too"
            mend = "Keep the rule or the rate table, or give one of them another product."
            raise InputError(f"field.toml, rate_table {number}, product", what, mend)


def _need(
    case: Case, rule: Rule, card: RuleCard, surfaces: Mapping[str, Surface], grid: Grid, *, where: str
) -> tuple[Need, list[Note]]:
    quantity = rule.quantity or card.quantity
    if quantity not in surfaces:
        what = f"{card.title} reads {quantity}, which was not measured"
        raise InputError(f"{where}, value", what, f"Name one of {', '.join(surfaces)}.")
    surface = surfaces[quantity]
    refuse_other_quantity(rule.name, quantity, where=f"{where}, value")
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
    if card.least_depth_in and case.samples.basis.depth_cm is None:
        text = f"{card.title} reads samples of {card.least_depth_in:g} in or deeper; theirs is not stated."
        notes.append(Note("warning", text))
    # a rule's rate is of what feeds the crop: a product that gives less of its content is spread at more
    served = None if product is None or curve.product else product.serving(card.element)
    fraction = 1.0 if served is None else served.available_fraction
    costs = need_costs(case.decision, curve, product, fraction)
    on = choose_day(case.season.apply_on, None)
    if product is None:
        notes.append(Note("warning", f"{_of(curve)}: no [[product]] holds it, so no rate is planned for it."))
    return Need(curve, costs, None, product, on, fraction, None, None, share_short(surface, curve, grid)), notes


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
    rule = replace(rule, number=_in_units_of_the_rule(case, rule, card, where=where))
    stray = [key for key in rule.number if key not in card.parameters]
    if stray:
        takes = ", ".join(card.parameters) or "none"
        raise InputError(f"{where}, {stray[0]}", f"{card.title} takes no {stray[0]}", f"It takes: {takes}.")
    numbers, notes = {key: Line(number) for key, number in rule.number.items()}, []
    for key, parameter in card.parameters.items():
        if key in rule.number:
            _refuse_too_much(parameter, rule.number[key], where=f"{where}, {key}")
            continue
        goal = _yield_goal(case, rule, card) if key == "yield_goal" else None
        column = next((name for name in parameter.columns if name in case.samples.columns), None)
        if goal is not None:
            numbers[key] = Line(goal)
        elif column is not None:
            numbers[key], said = _measured(case, column, parameter, quantity, where=f"{where}, {key}")
            notes.append(Note("warning", f"{card.title}: {parameter.meaning} {said}."))
        elif parameter.default is not None:
            numbers[key] = Line(parameter.default)
            notes.append(Note("warning", f"{card.title}: {parameter.meaning} was taken as {parameter.default:g}."))
        elif not (parameter.by_crop or parameter.optional):
            raise InputError(
                f"{where}, {key}", f"is missing: {parameter.meaning}", f"Write {key} = ... in this [[rule]]."
            )
    return numbers, notes


def _in_units_of_the_rule(case: Case, rule: Rule, card: RuleCard, *, where: str) -> dict[str, float]:
    """Stated numbers, a yield goal in t/ha turned into the unit of the rule's source."""
    number = dict(rule.number)
    if _METRIC_GOAL not in number or "yield_goal" not in card.parameters:
        return number
    if "yield_goal" in number:
        raise InputError(f"{where}, {_METRIC_GOAL}", "yield_goal is stated too", "Keep one of the two.")
    factor = US_YIELD_PER_T_HA.get(_crop_of(case, rule, card))
    if factor is None:
        what = f"'{_crop_of(case, rule, card)}' has no weight of a bushel"
        mend = f"Write crop = one of {', '.join(sorted(US_YIELD_PER_T_HA))}, or yield_goal in the unit of the rule."
        raise InputError(f"{where}, {_METRIC_GOAL}", what, mend)
    number["yield_goal"] = number.pop(_METRIC_GOAL) * factor
    return number


def _crop_of(case: Case, rule: Rule, card: RuleCard) -> str:
    return rule.crop or (case.crop.name if case.crop else card.crop)


def _yield_goal(case: Case, rule: Rule, card: RuleCard) -> float | None:
    """The field's own yield goal in the unit of the rule, where it is of the rule's crop."""
    if case.crop is None or case.crop.yield_goal is None or rule.crop not in ("", case.crop.name):
        return None
    if case.units == "us":
        return case.crop.yield_goal
    factor = US_YIELD_PER_T_HA.get(_crop_of(case, rule, card))
    return None if factor is None else case.crop.yield_goal * factor


def _refuse_too_much(parameter: Parameter, number: float, *, where: str) -> None:
    if number > parameter.most:
        what = f"{number:.3g} is above {parameter.most:g}, so it is no {parameter.meaning}"
        raise InputError(where, what, "Give what the meaning says, or use a [[rate_table]] of your own.")


def _measured(case: Case, column: str, parameter: Parameter, quantity: str, *, where: str) -> tuple[Line, str]:
    """Mean of a column over the samples, or its line against the mapped value if it goes with it; and words for it."""
    unit, value = case.samples.columns[column].unit, case.samples.columns[column].value
    if parameter.unit and unit != parameter.unit:
        what = f"{column} was measured in {unit}, and the rule reads {parameter.unit}"
        raise InputError(where, what, "Give the column in that unit, or the number in this [[rule]].")
    known = value[np.isfinite(value)]
    if known.size == 0:
        raise InputError(where, f"{column} has no values", "Give the number in this [[rule]].")
    mean = float(known.mean())
    _refuse_too_much(parameter, mean, where=where)
    line = _line(value, case.samples.columns[quantity].value) if parameter.follows else None
    if line is not None:
        return line, f"follows {quantity} along its line through the samples"
    return Line(mean), f"is the mean of the samples, {mean:.3g}, everywhere"


def _line(value: FloatArray, against: FloatArray) -> Line | None:
    """Least-squares line of one column against another, held within what was measured; ``None`` where none is clear."""
    both = np.isfinite(value) & np.isfinite(against)
    value, against = value[both], against[both]
    if value.size < _LEAST_PAIRS or np.ptp(value) == 0 or np.ptp(against) == 0:
        return None
    if abs(float(np.corrcoef(against, value)[0, 1])) < _LEAST_CORRELATION:
        return None
    slope, intercept = np.polyfit(against, value, 1)
    return Line(float(intercept), float(slope), float(value.min()), float(value.max()))
