"""Content of the grower's pages: everything for one product and pass, in the reader's units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from zonemap.report.document.decisions import joined, notes_of
from zonemap.report.document.passes import application_facts, checks_of, field_line, keep_out, zone_amounts
from zonemap.report.field_map import field_map, map_seen
from zonemap.report.shown import Shown, shown
from zonemap.values.delivery import Delivery
from zonemap.values.operator_sheet import OperatorSheet
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application

#: what the person at the wheel writes down
_DONE = (
    "day", "driver", "machine and setting",
    "begun", "ended", "wind and weather",
    "put in", "left over", "spread in all",
)  # fmt: skip
Json = dict[str, Any]


def grower_page(
    plan: Plan,
    application: Application,
    *,
    operator: OperatorSheet | None,
    deliveries: Sequence[Delivery],
    files: Sequence[str],
) -> Json:
    """Texts and the drawing of one page; tables are `Table`s.

    Parameters
    ----------
    files
        Files of this application, for the controller.
    """
    return {
        "product": application.product.name,
        "day": f"spread on {application.on}" if application.on else "no day named",
        "field": field_line(plan),
        "map": field_map(plan, application),
        "map_seen": map_seen(plan, application),
        "zones": zone_amounts(plan, application),
        "facts": [list(fact) for fact in application_facts(plan, application, operator)],
        "checks": checks_of(plan, application, operator),
        "keep_out": keep_out(plan),
        "loading_title": "To spread it" if shown(plan).tiny else "To load the files",
        "loading": loading(files, shown(plan)),
        "delivery": _delivery(deliveries, application),
        "warnings": [text for text in notes_of(plan, "warning") if text.startswith(f"{application.product.name}: ")],
        "cautions": list(cautions_for(plan, application)),
        "done": list(_DONE),
    }


def cautions_for(plan: Plan, application: Application) -> tuple[str, ...]:
    """All cautions but those that name another product."""
    others = {each.product.name for each in plan.prescription.applications} - {application.product.name}
    texts = (note.text for note in plan.notes if note.kind == "caution")
    return joined(text for text in texts if text.partition(": ")[0] not in others)


def loading(files: Sequence[str], show: Shown) -> list[str]:
    """How to bring the files of an application to the machine."""
    if not files:
        return []
    if show.tiny:
        return [
            "By hand: weigh out the amount of each zone and spread it in two halves, one across the other (common "
            "practice)."
        ]
    said = ["Files: " + ", ".join(files) + "."]
    if any(name.endswith(".shp") for name in files):
        said.append(
            "Copy the .shp with its .shx, .dbf, .prj and .cpg to a memory stick; in the controller take RATE as the "
            f"rate, in {show.read.rate_unit} of product."
        )
    if any(name.endswith("TASKDATA") for name in files):
        said.append("Copy a whole folder TASKDATA to the top of an empty memory stick; do not rename it.")
    said.append(
        "Before you start, drive into a zone with the spreader shut: the controller must show its rate (common "
        "practice)."
    )
    return said


def _delivery(deliveries: Sequence[Delivery], application: Application) -> str:
    """How well the machine can follow, where that was simulated."""
    for each in deliveries:
        if (each.application.product.name, each.application.on) == (application.product.name, application.on):
            rounds = f"{each.rounds} round{'s' if each.rounds != 1 else ''} along the edge"
            return (
                f"Drive {rounds}, then {each.passes} passes at {each.heading_deg:.0f} degrees. As simulated, "
                f"{each.share_within(0.10):.0%} of the area then gets its rate within 10%."
            )
    return ""
