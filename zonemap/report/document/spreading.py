"""What to spread: rates, totals, by when, and what else could be done."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from zonemap.amounts import Reader
from zonemap.report.bill import bags_of, cost_of
from zonemap.report.changes import changes_sentences
from zonemap.report.deadlines import BY_WHEN, deadlines
from zonemap.report.document.parts import Picture, Section, Table
from zonemap.report.programme import ANSWERS, SPREADINGS, other_sentences, programme_sentences, same_doses
from zonemap.report.shown import Shown, shown, total
from zonemap.values.plan import Plan
from zonemap.values.programme import Balance, Programme

#: title of the first section
RATES = "What to spread"
#: a need below this is none
_LEAST_KG_HA = 0.05


def spreading_sections(plan: Plan) -> list[Section]:
    """Rates and totals, days, balance, other programmes, delivery; those with nothing to say are left out."""
    return [rates(plan), by_when(plan), balance(plan), others(plan), delivery(plan)]


def rates(plan: Plan) -> Section:
    """Rate of every zone, and the total of every application."""
    if not plan.prescription.applications:
        return Section(RATES, ("Nothing to spread.",))
    return Section(RATES, points=tuple(changes_sentences(plan)), tables=(_rate_table(plan), totals_table(plan)))


def _rate_table(plan: Plan) -> Table:
    show, applications = shown(plan), plan.prescription.applications
    head = ("zone", "area", *(f"{a.product.name}{f' {a.on}' if a.on else ''}" for a in applications))
    rows = tuple(
        (str(number), show.area(area), *(show.rate(a.rate_kg_ha[number - 1]) for a in applications))
        for number, area in zip(plan.outlines.zone, plan.outlines.area_ha, strict=True)
    )
    return Table(f"Rates of product, {show.rate_unit}; 0 where nothing may be spread", head, rows)


def totals_table(plan: Plan) -> Table:
    """What is spread in all, application by application."""
    rows = []
    for application in plan.prescription.applications:
        product, count, money = application.product, bags_of(plan, application), cost_of(plan, application)
        bags = f"{count} of {shown(plan).mass(product.bag_kg)}" if count and product.bag_kg else ""
        cost = "" if money is None else f"{money:,.2f}"
        day = application.on.isoformat() if application.on else "no day named"
        rows.append((product.name, day, total(plan, application), bags, cost))
    head = ("product", "day", "in all", "bags", "cost")
    kept = [column for column in range(len(head)) if column < 3 or any(row[column] for row in rows)]
    return Table(
        "Totals; costs as it is bought, in the currency of your prices" if 4 in kept else "Totals",
        tuple(head[column] for column in kept),
        tuple(tuple(row[column] for column in kept) for row in rows),
        words=frozenset({1}),
    )


def by_when(plan: Plan) -> Section:
    """Last day of spreading that serves every zone, and the early warning, of everything that is spread."""
    rows = tuple(
        (
            each.nutrient,
            " or ".join(each.products),
            _day(each.spread_by),
            _day(each.first_pass),
            _day(each.poorest_tenth),
        )
        for each in deadlines(plan)
    )
    if not rows:
        return Section("By when")
    who = "the poorest tenth of the field" if plan.mapped else "in one case of ten the crop"
    caption = f"{BY_WHEN}, and as an early warning the day from which {who} may run short"
    order = plan.case.season.apply_days_needed
    ahead = (f"Order {order} days before you spread.",) if order else ()
    head = ("nutrient", "product", "spread by", "first pass", "early warning")
    return Section("By when", ahead, tables=(Table(caption, head, rows, words=frozenset({1, 2, 3, 4})),))


def _day(day: date | None) -> str:
    return "" if day is None else str(day)


def balance(plan: Plan) -> Section:
    """Need and what is given, an element and zone each, for the programme taken."""
    title = "What is lacking and what is given"
    if plan.programmes is None:
        return Section(title)
    read, said = shown(plan).read, programme_sentences(plan)
    rows = tuple(
        (each.element, *_pairs(each, read), _behind(each, read))
        for each in plan.programmes.chosen.balances
        if max(each.need_kg_ha.max(), each.given_kg_ha.max()) >= _LEAST_KG_HA
    )
    if not rows:
        return Section(title, points=said)
    caption = (
        f"Lacking over the season / given, {read.rate_unit} of the element, and where what is given is ever behind"
    )
    head = ("element", *(f"zone {number}" for number in plan.outlines.zone), "behind")
    table = Table(caption, head, rows, words=frozenset({len(head) - 1}))
    behind = [each.element for each in plan.programmes.chosen.balances if each.behind_kg_ha.any()]
    seen = "Cumulative need of each element by zone, and above it in steps what becomes available from what is spread. "
    seen += f"It falls behind for {', '.join(behind)}." if behind else "It is never behind."
    picture = Picture("programme", "What is lacking and what is put on, day by day, and what the ways cost", seen)
    return Section(title, points=said, tables=(table,), pictures=(picture,))


def delivery(plan: Plan) -> Section:
    """Each application as the machine would spread it."""
    title = "As it would be spread"
    if not plan.deliveries:
        return Section(title)
    show = shown(plan)
    rows = tuple(
        (
            each.application.product.name + (f", {each.application.on}" if each.application.on else ""),
            f"{each.share_within(0.05):.0%}",
            f"{each.share_within(0.10):.0%}",
            show.mass(each.intended_kg),
            show.mass(each.delivered_kg),
            show.mass(each.on_no_spread_kg),
        )
        for each in plan.deliveries
    )
    head = ("product", "within 5%", "within 10%", "meant", "falls", "of it where nothing may")
    caption = "Share of the area whose rate is right, and amounts, by simulation of the passes"
    first = plan.deliveries[0]
    said = (
        f"Driven at {first.heading_deg:.0f} degrees from north, {first.rounds} "
        f"round{'s' if first.rounds != 1 else ''} along the edge and {first.passes} passes."
    )
    pictures: tuple[Picture, ...] = ()
    if plan.mapped:
        seen = "For each application the passes, the rates that would fall, and where they are off: along zone edges."
        pictures = (Picture("delivery", "As it would be spread", seen),)
    return Section(title, (said,), tables=(Table(caption, head, rows),), pictures=pictures)


def _pairs(each: Balance, read: Reader) -> Iterator[str]:
    for need, given in zip(each.need_kg_ha, each.given_kg_ha, strict=True):
        yield " / ".join(read.rate(float(kg_ha)).removesuffix(f" {read.rate_unit}") for kg_ha in (need, given))


def _behind(each: Balance, read: Reader) -> str:
    """Where and when release is furthest behind, zone by zone."""
    said = (
        f"zone {zone} by {read.rate(float(kg_ha))} on {day}" if day else f"zone {zone} by {read.rate(float(kg_ha))}"
        for zone, (kg_ha, day) in enumerate(zip(each.behind_kg_ha, each.behind_on, strict=True), start=1)
        if kg_ha >= _LEAST_KG_HA
    )
    return "; ".join(said) or "nowhere"


def others(plan: Plan) -> Section:
    """What else could be put on, beside what was taken."""
    title = "What else could be done"
    programmes = plan.programmes
    if programmes is None or not (programmes.others or programmes.unavailable):
        return Section(title)
    rows = tuple(_programme(each, programmes.chosen, shown(plan)) for each in programmes.all if each.doses)
    head = ("programme", "spread as", "products", "trips", "cost", "falls behind in", "remark")
    caption = "Ways to meet the needs, products as they are bought and trips in the currency of your prices"
    names = {**ANSWERS, **SPREADINGS}
    unavailable = (f"{names[name]}: {why}." for name, why in programmes.unavailable.items())
    held = (said for each in programmes.others for said in other_sentences(each, plan))
    tables = (Table(caption, head, rows, words=frozenset({1, 2, 5, 6})),) if rows else ()
    return Section(title, points=(*unavailable, *held), tables=tables)


def _programme(each: Programme, chosen: Programme, show: Shown) -> tuple[str, ...]:
    products = ", ".join(f"{purchase.product.name} {show.mass(purchase.total_kg)}" for purchase in each.purchases)
    cost = "not all prices known" if each.cost is None else f"{each.cost:,.2f}"
    behind = [(float(b.behind_kg_ha.max()), b.element) for b in each.balances if b.behind_kg_ha.max() > _LEAST_KG_HA]
    most = [f"{element} by {show.read.rate(kg_ha)}" for kg_ha, element in sorted(behind, reverse=True)]
    most += [f"no {element}" for element in each.missing]
    remark = "taken" if each is chosen else "the same" if same_doses(each, chosen) else ""
    said = "; ".join(most) or "nothing"
    return ANSWERS[each.answer], SPREADINGS[each.spreading], products, str(each.trips), cost, said, remark
