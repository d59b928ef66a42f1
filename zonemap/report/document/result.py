"""All sections of a result, in the order in which they are read."""

from __future__ import annotations

from zonemap.report.document.decisions import by_hand, decision_sections, note_sections
from zonemap.report.document.evidence import evidence_sections
from zonemap.report.document.parts import Section
from zonemap.report.document.spreading import spreading_sections
from zonemap.report.document.value import value
from zonemap.values.plan import Plan


def sections_of(plan: Plan) -> tuple[Section, ...]:
    """Rates first, then by when, what it is worth, what stands behind it, decisions and notes; none that is empty."""
    refusals, *notes = note_sections(plan)
    sections = [
        refusals,
        *spreading_sections(plan),
        value(plan),
        *evidence_sections(plan),
        by_hand(plan),
        *decision_sections(plan),
        *notes,
    ]
    return tuple(section for section in sections if not section.empty)
