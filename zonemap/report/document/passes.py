"""What there is to know of each pass: rates and amounts by zone, loads, days, figures to check the machine by."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from zonemap.report.deadlines import deadlines_of
from zonemap.report.document.parts import Table
from zonemap.report.field_map import keep_out_letter
from zonemap.report.shown import Shown, crop_name, samples_counted, shown, spread_area_ha, three_digits, total
from zonemap.units import KG_PER_LB, M_PER_FT, UnitSystem
from zonemap.values.operator_sheet import Calibration, Load, OperatorSheet, OrderLine
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application


def field_line(plan: Plan) -> str:
    """Field, crop, area and samples in one line."""
    crop = f", {crop_name(plan)}" if plan.case.crop else ""
    taken = f", taken {plan.case.collected}" if plan.case.collected else ""
    area = shown(plan).area(plan.case.field.area_ha)
    return f"{plan.case.field.name}{crop}: {area}, {samples_counted(plan)}{taken}"


def zone_amounts(plan: Plan, application: Application) -> Table:
    """Area that is spread, rate and mass of every zone, and their sum."""
    show, prescription = shown(plan), plan.prescription
    rows = []
    for number in plan.outlines.zone:
        area, rate = spread_area_ha(prescription, number), float(application.rate_kg_ha[number - 1])
        rows.append((str(number), show.area(area), show.rate(rate), show.mass(rate * area)))
    whole = sum(spread_area_ha(prescription, number) for number in plan.outlines.zone)
    rows.append(("all", show.area(whole), "", total(plan, application)))
    return Table("Zones", ("zone", "area", show.rate_unit, "amount"), tuple(rows))


def checks_of(plan: Plan, application: Application, operator: OperatorSheet | None) -> Table | None:
    """Figures to check the machine by, where there are any."""
    found = [] if operator is None else [each for each in operator.calibration if _of(each, application)]
    if not found or not application.rate_kg_ha.any():
        return None
    return checks(found[0], shown(plan), plan.case.units)


def _of(each: Load | Calibration, application: Application) -> bool:
    return each.product == application.product.name and each.on == application.on


def application_facts(
    plan: Plan, application: Application, operator: OperatorSheet | None
) -> Iterator[tuple[str, str]]:
    """Name and text of what there is to know beside the rates."""
    show, product = shown(plan), application.product
    yield "In all", total(plan, application)
    if application.parts:
        yield "A blend of", ", ".join(f"{share:.1%} {part.name}" for part, share in application.parts)
    label = ", ".join(f"{name} {percent:g}%" for name, percent in product.label.items())
    if label:
        yield "Label", label
    for load in () if operator is None else operator.loads:
        if _of(load, application):
            yield from _loads(load, show)
    for line in () if operator is None else operator.order:
        if line.product == product.name:
            yield "Order", _order(line, show, many=_times(plan, product.name))
    days = _days(plan, application)
    if days:
        yield "Latest day", days
    if operator is not None and plan.case.season.apply_days_needed:
        yield "Order ahead", f"{plan.case.season.apply_days_needed} days before spreading"


def _loads(load: Load, show: Shown) -> Iterator[tuple[str, str]]:
    if load.hopper_kg is not None:
        last = f", the last {show.mass(load.last_fill_kg)}" if load.fills > 1 else ""
        yield "Hopper", f"{load.fills} fill{'s' if load.fills > 1 else ''} of {show.mass(load.hopper_kg)}{last}"
    if load.tenders:
        yield "Tender", f"{load.tenders} load{'s' if load.tenders > 1 else ''}"


def _order(line: OrderLine, show: Shown, *, many: int) -> str:
    bags = f" ({line.units} bag{'s' if line.units != 1 else ''} of {show.mass(line.unit_kg)})" if line.in_bags else ""
    shed = f", besides {show.mass(line.on_hand_kg)} on hand" if line.on_hand_kg else ""
    return f"{show.mass(line.order_kg)}{bags}{shed}{f', for all {many} passes' if many > 1 else ''}"


def _times(plan: Plan, product: str) -> int:
    return sum(each.product.name == product for each in plan.prescription.applications)


def _days(plan: Plan, application: Application) -> str:
    """Last day of spreading that keeps every zone from falling behind, nutrient by nutrient."""
    found = deadlines_of(plan, application)
    late = [each.nutrient for each in found if each.late and each.first_pass == application.on]
    said = ", ".join(f"{each.spread_by} for {each.nutrient}" for each in found)
    return f"{said}; this pass is later for {', '.join(late)}" if late else said


def checks(figures: Calibration, show: Shown, units: UnitSystem) -> Table:
    """Figures to check the machine by, a row a rate, the highest first."""
    foot = units == "us"
    length, name = (M_PER_FT, "ft") if foot else (1.0, "m")
    runs, flows = np.isfinite(figures.caught_kg).any(), np.isfinite(figures.flow_kg_s).any()
    head = ["zone", show.rate_unit, f"g in a tray of {figures.tray_m2 / length**2:.3g} {name}2"]
    head += [f"{show.read.mass_unit} over {figures.run_m / length:.3g} {name}"] if runs else []
    head += ["lb/min at speed" if foot else "kg/min at speed"] if flows else []
    mass = KG_PER_LB if foot else 1.0
    rows = []
    for rate in sorted({float(rate) for rate in figures.rate_kg_ha if rate > 0}, reverse=True):
        alike = np.flatnonzero(figures.rate_kg_ha == rate)
        place = int(alike[0])
        row = [
            ", ".join(str(index + 1) for index in alike),
            show.rate(rate),
            three_digits(1000 * float(figures.tray_kg[place])),
        ]
        row += [three_digits(float(figures.caught_kg[place]) / mass)] if runs else []
        row += [three_digits(60 * float(figures.flow_kg_s[place]) / mass)] if flows else []
        rows.append(tuple(row))
    return Table("To check the machine", tuple(head), tuple(rows))


def keep_out(plan: Plan) -> Table:
    """No-spread areas with their letter on the map."""
    rows = tuple(
        (keep_out_letter(index), place.reason, shown(plan).area(float(place.area.area) / 10_000))
        for index, place in enumerate(plan.case.field.no_spread)
    )
    return Table("Keep out (hatched)", ("", "why", "area"), rows, words=frozenset({1}))
