"""A text beside the folder TASKDATA: how to carry it to the machine, and what it adds up to."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.iso11783.content import FOLDER
from zonemap.io.iso11783.totals import TaskTotal
from zonemap.io.iso11783.write import TaskData
from zonemap.io.prescription_rows import ADVICE, rates_elsewhere
from zonemap.io.text_file import write_lines
from zonemap.units import KG_PER_LB, UnitSystem
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription

README = "TASKDATA.txt"


def write_readme(
    path: Path,
    field_name: str,
    data: TaskData,
    *,
    variant: str,
    prescription: Prescription,
    notes: Sequence[Note],
) -> None:
    """Write the text; `notes` are cautions and warnings of the plan.

    Raises
    ------
    OutputError
        When it cannot be written.
    """
    lines = [
        f"Task data for {field_name} (ISO 11783-10, {variant})",
        "",
        f"Copy the whole folder {FOLDER} to the top of an empty memory stick; do not rename it.",
        "There is one task for each product and day. Rates are of product, not of nutrient.",
        *_elsewhere(prescription),
        "Check one rate on the terminal against this sheet before you start.",
        "",
        *[_line(total, prescription.units) for total in data.totals],
        "",
        ADVICE,
        *[f"{note.kind.capitalize()}: {note.text}" for note in (*notes, *data.notes)],
    ]
    write_lines(path, lines)


def verify_readme(path: Path, totals: Sequence[TaskTotal], *, prescription: Prescription) -> None:
    """Check that the text states the totals that the files themselves add up to, and the rates elsewhere.

    Raises
    ------
    OutputError
        When it does not, or cannot be read.
    """
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except (OSError, ValueError) as error:
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    stated = {_line(total, prescription.units) for total in totals} | {*_elsewhere(prescription), ADVICE}
    if not stated <= set(lines):
        raise OutputError(
            path.name, "read back, the text does not state the totals and rates of its task data", NOT_PUBLISHED
        )


def _elsewhere(prescription: Prescription) -> tuple[str, str]:
    """What is spread where no zone says it."""
    outside, lost = rates_elsewhere(prescription)
    return (
        f"Where nothing may be spread the rate is 0; outside of all zones it is {outside}.",
        f"While the position is lost it is {lost}.",
    )


def _line(total: TaskTotal, units: UnitSystem) -> str:
    kg, unit = (KG_PER_LB, "lb") if units == "us" else (1.0, "kg")
    beyond = f", {total.beyond_kg / kg:,.1f} {unit} of it past the boundary" if total.beyond_kg else ""
    return (
        f"{total.product}{f' on {total.on}' if total.on else ''}: {total.written_kg / kg:,.1f} {unit} in these files,"
        f" {total.planned_kg / kg:,.1f} {unit} in the plan ({total.difference:+.2%}){beyond}"
    )
