"""What was decided, taken for granted, mended and warned of."""

from __future__ import annotations

import math
from collections.abc import Iterable

from zonemap.amounts import Reader, reader
from zonemap.report.by_hand import by_hand_sentences
from zonemap.report.document.parts import Section, Table
from zonemap.report.shown import crop_name, samples_counted, shown
from zonemap.units import KG_PER_LB, M_PER_FT, M_S_PER_KM_H, M_S_PER_MPH
from zonemap.values.note import NoteKind
from zonemap.values.plan import Plan
from zonemap.values.season import Product, Spreader

_HEADINGS: dict[NoteKind, str] = {
    "refusal": "Cannot be done with these samples",
    "warning": "Look at this",
    "repair": "Mended while reading",
    "caution": "Cautions",
}


def note_sections(plan: Plan) -> list[Section]:
    """Notes by kind, most serious first, none twice."""
    return [Section(heading, points=notes_of(plan, kind)) for kind, heading in _HEADINGS.items()]


def notes_of(plan: Plan, kind: NoteKind) -> tuple[str, ...]:
    """Texts of one kind, none twice."""
    return joined(note.text for note in plan.notes if note.kind == kind)


def joined(texts: Iterable[str]) -> tuple[str, ...]:
    """Texts, none twice; those that differ only in the quantity they start with become one.

    >>> joined(["N: short", "P: short", "well"])
    ('N, P: short', 'well')
    """
    subjects: dict[str, list[str]] = {}
    for text in dict.fromkeys(texts):
        subject, colon, rest = text.partition(": ")
        key, name = (rest, subject) if colon else (text, "")
        subjects[key] = [*subjects.get(key, []), name]
    return tuple(f"{', '.join(names)}: {rest}" if any(names) else rest for rest, names in subjects.items())


def decision_sections(plan: Plan) -> list[Section]:
    """What the user stated or left to the defaults."""
    tables = (_stated(plan), _costs(plan), _products(plan))
    return [Section("Decisions behind this plan", tables=tuple(table for table in tables if table.rows))]


def by_hand(plan: Plan) -> Section:
    """What was changed on the review page; empty where nothing was."""
    return Section(
        "Changed by hand on the review page, in this order", points=by_hand_sentences(plan, shown(plan).read)
    )


def _stated(plan: Plan) -> Table:
    case, show = plan.case, shown(plan)
    crop = case.crop
    rows = [
        ("field", f"{case.field.name}, {show.area(case.field.area_ha)} in {case.field.crs}"),
        ("samples", samples_counted(plan) + (f", taken {case.collected}" if case.collected else "")),
        ("repeatability", f"coefficient of variation {case.samples.repeatability_cv:.0%} for one composite sample"),
        ("crop", f"{crop_name(plan)}, planted {crop.planted}" + _goal(crop.yield_goal) if crop else ""),
        ("demand", "; ".join(dict.fromkeys(need.demand.source for need in plan.needs if need.demand))),
        ("days to spread", ", ".join(map(str, case.season.apply_on))),
        ("other maps used", ", ".join(covariate.name for covariate in case.covariates)),
        ("spreader", _machine(case.spreader, show.read)),
        ("method", f"pipeline {plan.pipeline}, {plan.grid.cells:,} cells of {plan.grid.cell_m:g} m"),
    ]
    stated = tuple(row for row in rows if row[1])
    return Table("What was stated, read or taken as default", ("what", "as it was used"), stated, words=frozenset({1}))


def _goal(goal: float | None) -> str:
    return "" if goal is None else f", yield goal {goal:g} (in the unit of the crop table)"


def _machine(spreader: Spreader, read: Reader) -> str:
    """What the user said of the machine."""
    us = read.rate_unit == "lb/ac"
    length, speed = (M_PER_FT, M_S_PER_MPH) if us else (1.0, M_S_PER_KM_H)
    said = [] if spreader.swath_m is None else [f"swath {spreader.swath_m / length:.3g} {'ft' if us else 'm'}"]
    if spreader.speed_m_s is not None:
        said.append(f"{spreader.speed_m_s / speed:.3g} {'mph' if us else 'km/h'}")
    if spreader.response_s is not None:
        said.append(f"controller {spreader.response_s:g} s")
    if spreader.min_rate_kg_ha > 0:
        said.append(f"least {read.rate(spreader.min_rate_kg_ha)}")
    if math.isfinite(spreader.max_rate_kg_ha):
        said.append(f"most {read.rate(spreader.max_rate_kg_ha)}")
    if spreader.step_kg_ha > 0:
        said.append(f"in steps of {read.rate(spreader.step_kg_ha)}")
    if spreader.heading_deg is not None:
        said.append(f"driven at {spreader.heading_deg:g} degrees")
    return ", ".join(said)


def _costs(plan: Plan) -> Table:
    """What being short and over was taken to cost, a need each."""
    per = KG_PER_LB if plan.case.units == "us" else 1.0
    unit = reader(plan.case.units).mass_unit
    rows = tuple(
        (name, _money(need.costs.short * per), _money(need.costs.over * per), f"{need.costs.assurance:.0%}")
        if need.costs.priced
        else (name, "", "", f"{need.costs.assurance:.0%}")
        for name, need in zip(plan.need_names, plan.needs, strict=True)
    )
    caption = f"What a {unit} short and a {unit} too much were taken to cost, and how sure the need is to be met"
    return Table(caption, ("need", "short", "over", "assurance"), rows)


def _money(amount: float) -> str:
    """Two decimals, or two digits where that is finer.

    >>> _money(5.016), _money(0.0043)
    ('5.02', '0.0043')
    """
    return f"{amount:,.2f}" if amount >= 0.1 or amount == 0 else f"{amount:.2g}"


def _products(plan: Plan) -> Table:
    rows = tuple(_product_row(plan, product) for product in plan.case.products)
    head = ("product", "label", "source", "price", "becomes available")
    return Table("Products that may be spread", head, rows, words=frozenset({1, 2, 4}))


def _product_row(plan: Plan, product: Product) -> tuple[str, ...]:
    read = reader(plan.case.units)
    label = ", ".join(f"{name} {percent:g}%" for name, percent in product.label.items())
    price = ""
    if product.price_per_kg is not None:
        price = f"{_money(product.price_per_kg * read.kg_per_mass)} a {read.mass_unit}"
    half = product.release_half_life_days
    release = "at once" if half is None else f"half of it in {half:g} days"
    lag = f", after {product.release_lag_days} days" if product.release_lag_days else ""
    part = f", {product.available_fraction:.0%} of it this season" if product.available_fraction < 1 else ""
    return product.name, label, product.source, price, release + lag + part
