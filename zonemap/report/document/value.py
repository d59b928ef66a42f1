"""What varying the rate is worth, and how sure the zones are."""

from __future__ import annotations

from zonemap.amounts import reader
from zonemap.report.document.parts import Picture, Section, Table
from zonemap.values.plan import Plan


def value(plan: Plan) -> Section:
    """Expected loss of every choice; nothing where there is no map or no need."""
    title = "What varying the rate is worth"
    if not plan.value.nothing_loss > 0 or not plan.mapped:
        return Section(title)
    drawn = (_picture(plan),) if plan.value.flat_loss > 0 else ()
    left = "What every cell's own rate would still lose is what perfect knowledge of this soil would be worth."
    return Section(title, (left, *_how_sure(plan)), tables=(_losses(plan),), pictures=drawn)


def _losses(plan: Plan) -> Table:
    found, read = plan.value, reader(plan.case.units)
    losses = {"nothing spread": found.nothing_loss, "one rate": found.flat_loss}
    losses |= {f"{count} zones": loss for count, loss in found.zones_loss.items()}
    losses["every cell its own rate"] = found.cell_loss
    alike = {f"{count} zones" for count in plan.choice.alike}
    chosen = "one rate" if found.zones == 1 else f"{found.zones} zones"
    rows = []
    for name, loss in losses.items():
        amounts = [f"{loss / found.nothing_loss:.0%}"]
        if found.priced:
            amounts = [f"{loss * read.ha_per_area:,.2f}", f"{loss * plan.case.field.area_ha:,.0f}"]
        rows.append((name, *amounts, "chosen" if name == chosen else "not told apart" if name in alike else ""))
    if not found.priced:
        caption = "Expected loss by being short or over, as a share of that of spreading nothing"
        return Table(caption, ("choice", "share", "remark"), tuple(rows), words=frozenset({2}))
    caption = "Expected loss by being short or over, in the currency of your prices"
    head = ("choice", f"per {read.area_unit}", "on the field", "remark")
    return Table(caption, head, tuple(rows), words=frozenset({3}))


def _picture(plan: Plan) -> Picture:
    found = plan.value
    tried = [1, *found.zones_loss]
    chosen = "one rate" if found.zones == 1 else f"{found.zones} zones"
    share = found.chosen_loss / found.flat_loss
    seen = (
        f"Expected loss drawn against 1 to {max(tried)} zones: {chosen} is chosen and loses {share:.0%} of what one "
        "rate loses."
    )
    if plan.choice.certainty is not None:
        seen += " A map shows how probable it is that each place is most like its own zone."
    return Picture("choices", "How many zones, and how sure they are", seen)


def _how_sure(plan: Plan) -> tuple[str, ...]:
    found, certainty = plan.value, plan.choice.certainty
    if certainty is None:
        return ()
    workable = max(found.chosen_loss / found.grouped_loss - 1, 0.0) if found.grouped_loss > 0 else 0.0
    drawn = max(found.drawn_loss / found.chosen_loss - 1, 0.0) if found.chosen_loss > 0 else 0.0
    area = plan.grid.cell_area_ha
    mean = float(certainty @ area / area.sum())
    said = (
        f"Making the zones workable adds {workable:.1%} to the loss, rounding off their edges {drawn:.1%}.",
        f"On average a place is most like its own zone with a probability of {mean:.0%}.",
    )
    alike = ("Not told apart: the samples do not show that all zones that touch differ.",) if plan.choice.alike else ()
    return (*said, *alike)
