"""The result as a page of text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

from zonemap.amounts import Reader, rate_digits, reader, small
from zonemap.report.bill import bags_of, cost_of
from zonemap.report.changes import changes_sentences
from zonemap.report.deadlines import BY_WHEN, Deadline, deadlines
from zonemap.report.layout import WIDTH, columns, folded
from zonemap.report.programme import programme_lines
from zonemap.report.shown import samples_counted
from zonemap.report.supply import supply_sentences
from zonemap.report.words import samples_sentences
from zonemap.values.case import Case
from zonemap.values.note import Note
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application

_KINDS = ("refusal", "warning", "repair", "caution")
_HEADINGS = {
    "refusal": "Cannot be done with these samples",
    "warning": "Look at this",
    "repair": "Mended while reading",
    "caution": "Cautions",
}


def result_text(plan: Plan, folder: Path | None) -> str:
    """Area, zones, rates, totals, verdict, what the samples can show, cautions, and where the files are."""
    read = reader(plan.case.units)
    crop = f", {plan.case.crop.name.replace('_', ' ')}" if plan.case.crop else ""
    lines = [f"{plan.case.field.name}{crop}: {read.area(plan.case.field.area_ha)}, {samples_counted(plan)}", ""]
    lines += [
        textwrap.fill(plan.value.verdict, WIDTH),
        "",
        *_zone_table(plan, read),
        "",
        *_totals(plan, read),
        *_changes(plan),
    ]
    lines += ["", *_delivery(plan), *_timing(plan), *programme_lines(plan), *_choices(plan, read)]
    if plan.sufficiency:
        lines += ["", "Supply against what the crop asks:"]
        lines += [folded(text, indent=2) for text in supply_sentences(plan)]
    lines += ["", "What the samples can show:", *(folded(text, indent=2) for text in _joined(samples_sentences(plan)))]
    lines += notes_text(plan.notes)
    if folder is not None:
        lines += ["", f"Files: {folder}"]
    # a part that has nothing to say leaves its blank line beside the next one's
    return "\n".join(line for before, line in pairwise(["", *lines]) if line or before)


def case_text(case: Case, *, pipeline: str) -> str:
    """What was read, for someone who wants to know whether it can be planned."""
    read = reader(case.units)
    samples = case.samples
    lines = [
        f"{case.field.name}: {read.area(case.field.area_ha)} in {case.field.crs}",
        f"  samples   {samples.count} ({samples.basis.shown(case.units)}): {', '.join(samples.quantities)}",
        f"  crop      {case.crop.name.replace('_', ' ') if case.crop else 'none named'}",
        f"  products  {', '.join(product.name for product in case.products) or 'none named'}",
        f"  pipeline  {pipeline}",
    ]
    return "\n".join([*lines, *notes_text(case.notes), "", "This folder can be planned."])


def notes_text(notes: Iterable[Note]) -> list[str]:
    """Notes under a heading a kind, most serious first, none twice."""
    lines: list[str] = []
    by_kind = {kind: [note.text for note in notes if note.kind == kind] for kind in _KINDS}
    for kind, texts in by_kind.items():
        if texts:
            lines += ["", f"{_HEADINGS[kind]}:", *(folded(f"- {text}", indent=2) for text in _joined(texts))]
    return lines


def _joined(texts: Iterable[str]) -> list[str]:
    """Join texts that differ only in the quantity they start with: "N: same" and "P: same" to "N, P: same"."""
    subjects: dict[str, list[str]] = {}
    for text in texts:
        subject, colon, rest = text.partition(": ")
        key, name = (rest, subject) if colon else (text, "")
        subjects[key] = list(dict.fromkeys([*subjects.get(key, []), name]))
    return [f"{', '.join(names)}: {rest}" if any(names) else rest for rest, names in subjects.items()]


def _zone_table(plan: Plan, read: Reader) -> list[str]:
    applications, tiny = plan.prescription.applications, small(plan.case.field.area_ha)
    unit, kg_ha = (read.small_rate_unit, read.kg_ha_per_small_rate) if tiny else (read.rate_unit, read.kg_ha_per_rate)
    header = ["zone", "area", *(f"{name} [{unit}]" for name in _application_names(plan))]
    rows = [header]
    for number, area in zip(plan.outlines.zone, plan.outlines.area_ha, strict=True):
        rates = [rate_digits(a.rate_kg_ha[number - 1] / kg_ha, 3 if tiny else 4) for a in applications]
        rows.append([str(number), read.area(area), *rates])
    return columns(rows)


def _application_names(plan: Plan) -> list[str]:
    """Product of each application, with the day where it is spread more than once."""
    applications = plan.prescription.applications
    names = [application.product.name for application in applications]
    return [
        f"{name} {a.on:%m-%d}" if a.on is not None and names.count(name) > 1 else name
        for name, a in zip(names, applications, strict=True)
    ]


def _totals(plan: Plan, read: Reader) -> list[str]:
    return [_total(plan, application, read) for application in plan.prescription.applications] or ["Nothing to spread."]


def _total(plan: Plan, application: Application, read: Reader) -> str:
    product, total = application.product, plan.prescription.total_kg(application)
    amount = read.weight(total) if small(plan.case.field.area_ha) else read.mass(total)
    day = f" on {application.on}" if application.on else ""
    count = bags_of(plan, application)
    bags = f", from {_bags(count, product.bag_kg, read)}" if count and product.bag_kg else ""
    money = cost_of(plan, application)
    cost = "" if money is None else f", costs {money:,.2f}"
    return f"{product.name}{day}: {amount} in all{bags}{cost}"


def _bags(count: int, bag_kg: float, read: Reader) -> str:
    """Whole bags to buy, and their size."""
    return f"{count} bag{'s' if count > 1 else ''} of {read.weight(bag_kg)}"


def _choices(plan: Plan, read: Reader) -> list[str]:
    """What every choice is expected to lose, and what is left for better knowledge; nothing where there is no need."""
    value = plan.value
    if not value.nothing_loss > 0 or not plan.mapped:
        return []
    losses = {"nothing spread": value.nothing_loss, "one rate": value.flat_loss}
    losses |= {f"{count} zones": loss for count, loss in value.zones_loss.items()}
    losses["every cell its own rate"] = value.cell_loss
    chosen = "one rate" if value.zones == 1 else f"{value.zones} zones"
    head = f"per {read.area_unit}" if value.priced else "of spreading nothing"
    rows = [["", head, *(["on the field"] if value.priced else []), ""]]
    for name, loss in losses.items():
        amounts = [f"{loss / value.nothing_loss:.0%}"]
        if value.priced:
            amounts = [f"{loss * read.ha_per_area:,.2f}", f"{loss * plan.case.field.area_ha:,.0f}"]
        rows.append([name, *amounts, _remark(plan, name, chosen)])
    money = ", in the currency of your prices" if value.priced else ""
    left = "What every cell's own rate would still lose is what perfect knowledge of this soil would be worth."
    title = f"Expected loss by being short or over{money}:"
    return ["", title, *(f"  {line}" for line in columns(rows)), folded(left, indent=2), *_how_sure(plan)]


def _remark(plan: Plan, name: str, chosen: str) -> str:
    if name == chosen:
        return "chosen"
    count = name.split()[0]
    return "not told apart" if count.isdigit() and int(count) in plan.choice.alike else ""


def _how_sure(plan: Plan) -> list[str]:
    """What making the zones workable costs, and how sure the zones are."""
    value, certainty = plan.value, plan.choice.certainty
    if certainty is None:
        return []
    workable = max(value.chosen_loss / value.grouped_loss - 1, 0.0) if value.grouped_loss > 0 else 0.0
    drawn = max(value.drawn_loss / value.chosen_loss - 1, 0.0) if value.chosen_loss > 0 else 0.0
    area = plan.grid.cell_area_ha
    mean = float(certainty @ area / area.sum())
    texts = [
        f"Making the zones workable adds {workable:.1%} to the loss, rounding off their edges {drawn:.1%}.",
        f"On average a place is most like its own zone with a probability of {mean:.0%}.",
    ]
    if plan.choice.alike:
        texts.append("Not told apart: the samples do not show that all zones that touch differ.")
    return [folded(text, indent=2) for text in texts]


def _changes(plan: Plan) -> list[str]:
    """What limits, steps and rounding made of what the need asks for."""
    texts = changes_sentences(plan)
    return ["", "From the need to the file:", *(folded(text, indent=2) for text in texts)] if texts else []


def _delivery(plan: Plan) -> list[str]:
    """How much of the area would get its rate, over all applications."""
    if not plan.deliveries:
        return []
    share = sum(delivery.share_within(0.10) for delivery in plan.deliveries) / len(plan.deliveries)
    heading = plan.deliveries[0].heading_deg
    return [f"As spread at {heading:.0f} degrees, {share:.0%} of the area gets its rate within a tenth."]


def _timing(plan: Plan) -> list[str]:
    """By when to spread, so that no zone falls behind; and the early warning of the poorest tenth."""
    order = plan.case.season.apply_days_needed
    ahead = f", ordered {order} days before" if order else ""
    lines = []
    for each in deadlines(plan):
        late = f"; the first pass, {each.first_pass}, is later" if each.late else ""
        text = f"{each.nutrient}: {' or '.join(each.products)} by {each.spread_by}{ahead}{late}."
        lines.append(folded(text + _warning(plan, each), indent=2))
    return ["", BY_WHEN + ":", *lines] if lines else []


def _warning(plan: Plan, deadline: Deadline) -> str:
    if deadline.poorest_tenth is None:
        return ""
    who = "the poorest tenth of the field" if plan.mapped else "in one case of ten the crop"
    return f" Early warning: {who} may run short from {deadline.poorest_tenth}."
