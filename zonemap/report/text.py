"""The result as a page of text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from pathlib import Path

from zonemap.amounts import Reader, reader
from zonemap.report.words import samples_sentences
from zonemap.values.case import Case
from zonemap.values.note import Note
from zonemap.values.plan import Plan

#: below this area rates are said per 1000 ft2 or g/m2 too
_SMALL_HA = 0.5
_WIDTH = 100
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
    lines = [f"{plan.case.field.name}{crop}: {read.area(plan.case.field.area_ha)}, {_samples(plan)}", ""]
    lines += [textwrap.fill(plan.value.verdict, _WIDTH), "", *_zone_table(plan, read), "", *_totals(plan, read)]
    lines += _timing(plan)
    lines += ["", "What the samples can show:", *(_folded(text, indent=2) for text in _joined(samples_sentences(plan)))]
    lines += notes_text(plan.notes)
    if folder is not None:
        lines += ["", f"Files: {folder}"]
    return "\n".join(lines)


def case_text(case: Case, *, pipeline: str) -> str:
    """What was read, for someone who wants to know whether it can be planned."""
    read = reader(case.units)
    samples = case.samples
    lines = [
        f"{case.field.name}: {read.area(case.field.area_ha)} in {case.field.crs}",
        f"  samples   {samples.count} ({samples.basis}): {', '.join(samples.quantities)}",
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
            lines += ["", f"{_HEADINGS[kind]}:", *(_folded(f"- {text}", indent=2) for text in _joined(texts))]
    return lines


def _joined(texts: Iterable[str]) -> list[str]:
    """Join texts that differ only in the quantity they start with: "N: same" and "P: same" to "N, P: same"."""
    subjects: dict[str, list[str]] = {}
    for text in texts:
        subject, colon, rest = text.partition(": ")
        key, name = (rest, subject) if colon else (text, "")
        subjects[key] = list(dict.fromkeys([*subjects.get(key, []), name]))
    return [f"{', '.join(names)}: {rest}" if any(names) else rest for rest, names in subjects.items()]


def _folded(text: str, *, indent: int = 0) -> str:
    """Fold a text to the width of a page, what follows indented under its first line."""
    return textwrap.fill(
        text, _WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2), break_on_hyphens=False
    )


def _samples(plan: Plan) -> str:
    count = plan.case.samples.count
    return f"{count} sample{'s' if count != 1 else ''} ({plan.case.samples.basis})"


def _zone_table(plan: Plan, read: Reader) -> list[str]:
    applications = plan.prescription.applications
    titles = [f"{a.product.name} [{read.rate_unit}]" for a in applications]
    header = ["zone", f"area [{read.area_unit}]", *titles]
    rows = [header]
    for number, area in zip(plan.outlines.zone, plan.outlines.area_ha, strict=True):
        rates = [f"{a.rate_kg_ha[number - 1] / read.kg_ha_per_rate:.4g}" for a in applications]
        rows.append([str(number), f"{area / read.ha_per_area:.3g}", *rates])
    widths = [max(len(row[column]) for row in rows) for column in range(len(header))]
    return ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]


def _totals(plan: Plan, read: Reader) -> list[str]:
    lines = []
    for application in plan.prescription.applications:
        total = plan.prescription.total_kg(application)
        price = application.product.price_per_kg
        cost = f", costs {total * price:,.2f}" if price is not None else ""
        day = f" on {application.on}" if application.on else ""
        lines.append(f"{application.product.name}{day}: {read.mass(total)} in all{cost}")
        if plan.case.field.area_ha < _SMALL_HA:
            rates = ", ".join(read.small_rate(float(rate)) for rate in application.rate_kg_ha)
            lines[-1] += f" ({rates})"
    return lines or ["Nothing to spread."]


def _timing(plan: Plan) -> list[str]:
    spread = {application.product.name for application in plan.prescription.applications}
    lines = []
    for need in plan.needs:
        if need.first_short_day is None or need.product is None or need.product.name not in spread:
            continue
        order = plan.case.season.apply_days_needed
        ahead = f", order {order} days before" if order else ""
        who = "a tenth of the field runs" if plan.mapped else "the crop may run"
        lines.append(
            f"  {need.quantity}: {who} short from {need.first_short_day}; "
            f"spread {need.product.name} by {need.spread_by}{ahead}"
        )
    return ["", "By when:", *lines] if lines else []
