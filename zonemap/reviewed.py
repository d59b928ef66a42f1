"""What was changed by hand on the review page, played back: the page and the command line go through here."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from zonemap.errors import InputError
from zonemap.io.field_file import NAME
from zonemap.io.journal import JOURNAL, Entry, Published, read_journal, standing
from zonemap.values.case import Case
from zonemap.values.note import Note
from zonemap.values.plan import Plan
from zonemap.values.review import Decisions, RateByHand, Step, decisions_of, holding

if TYPE_CHECKING:
    from zonemap.pipeline.review import Desk

_MEND = "Plan with --without-changes, or begin the review anew with zonemap review --fresh."


def inputs_hash(case: Case, pipeline_sha256: str) -> str:
    """Hash of what a review starts from: every file of the field, and the pipeline.

    Of field.toml what it says of the plan counts: a log of what was spread, named there later, changes no review.
    """
    settings = {NAME: case.settings_sha256} if case.settings_sha256 else {}
    parts = [*(f"{name} {settings.get(name, digest)}" for name, digest in case.input_sha256), pipeline_sha256]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def changes_of_folder(folder: Path, case: Case, pipeline_sha256: str) -> tuple[Entry, ...]:
    """Entries of the journal in a field folder; none where there is no journal.

    Raises
    ------
    InputError
        When changes stand that were made for other files of the field or another pipeline, or cannot be read.
    """
    try:
        return read_journal(folder / JOURNAL, inputs=inputs_hash(case, pipeline_sha256), crs=case.field.crs)
    except InputError as error:
        raise InputError(error.where, error.what, _MEND) from error


def decided(desk: Desk, entries: Sequence[Entry]) -> Decisions:
    """Decisions that the entries lead to, every one of them found to fit the zones and products that are there.

    Raises
    ------
    InputError
        Naming the first change that does not fit.
    """
    now = standing(entries)
    steps = now.steps
    for position, (entry, step) in enumerate(zip(now.made, steps, strict=True)):
        try:
            if isinstance(step, RateByHand):
                desk.limited(step, decisions_of(steps[:position]))
            else:
                after = decisions_of(steps[: position + 1])
                desk.case_of(after)
                desk.zoned(after)
        except InputError as error:
            where = f"{JOURNAL}, change {entry.number} ({error.where})"
            raise InputError(where, f"no longer fits this plan: {error.what}", _MEND) from error
    decisions = decisions_of(steps)
    desk.decided(decisions)
    return decisions


def planned(
    desk: Desk, decisions: Decisions, entries: Sequence[Entry], *, going: Callable[[], None] = lambda: None
) -> Plan:
    """Put the plan of some decisions together, with the changes that still tell in it and a note that they do.

    What `going` raises meanwhile ends it.
    """
    steps = _telling(desk, holding(standing(entries).steps))
    plan = replace(desk.plan(decisions, going), by_hand=steps, revision=revision_of(entries))
    if not steps:
        return plan
    many = "1 change" if len(steps) == 1 else f"{len(steps)} changes"
    applied = "is" if len(steps) == 1 else "are"
    text = (
        f"{many} made by hand on the review page {applied} applied; zonemap plan --without-changes plans as if there "
        "were none."
    )
    return replace(plan, notes=(*plan.notes, Note("warning", text)))


def _telling(desk: Desk, steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Leave rates out that make no difference any more, because their zone was changed after them."""
    for step in steps:
        if isinstance(step, RateByHand):
            fewer = tuple(each for each in steps if each is not step)
            if desk.rates(decisions_of(fewer)) == desk.rates(decisions_of(steps)):
                steps = fewer
    return steps


def revision_of(entries: Sequence[Entry]) -> int:
    """Return the number of changes: writing a result is none."""
    return sum(not isinstance(entry.change, Published) for entry in entries)


def record_of(entries: Sequence[Entry]) -> list[dict[str, Any]]:
    """Every change of the journal, for the manifest, with whether it counts; not that results were written."""
    counts = {entry.number for entry in standing(entries).made}
    return [
        {"number": e.number, "at": e.at, "counts": e.number in counts, **e.change.model_dump(mode="json")}
        for e in entries
        if not isinstance(e.change, Published)
    ]
