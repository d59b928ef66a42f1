"""A text beside the folder TASKDATA: how to carry it to the machine, and what it adds up to."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from zonemap.errors import OutputError
from zonemap.io.iso11783.content import FOLDER
from zonemap.io.iso11783.read import MEND
from zonemap.io.iso11783.totals import TaskTotal
from zonemap.io.iso11783.write import TaskData
from zonemap.io.prescription_rows import ADVICE
from zonemap.io.text_file import write_lines
from zonemap.units import KG_PER_LB, UnitSystem
from zonemap.values.note import Note

README = "TASKDATA.txt"


def write_readme(
    path: Path, field_name: str, data: TaskData, *, variant: str, units: UnitSystem, notes: Sequence[Note]
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
        "Outside of the field, and where nothing may be spread, the rate is 0.",
        "Check one rate on the terminal against this sheet before you start.",
        "",
        *[_line(total, units) for total in data.totals],
        "",
        ADVICE,
        *[f"{note.kind.capitalize()}: {note.text}" for note in (*notes, *data.notes)],
    ]
    write_lines(path, lines)


def verify_readme(path: Path, totals: Sequence[TaskTotal], *, units: UnitSystem) -> None:
    """Check that the text states the totals that the files themselves add up to.

    Raises
    ------
    OutputError
        When it does not, or cannot be read.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as error:
        raise OutputError(path.name, f"the file cannot be read back ({error})", MEND) from error
    if not {_line(total, units) for total in totals} | {ADVICE} <= set(lines):
        raise OutputError(path.name, "read back, the text does not state the totals of its task data", MEND)


def _line(total: TaskTotal, units: UnitSystem) -> str:
    kg, unit = (KG_PER_LB, "lb") if units == "us" else (1.0, "kg")
    beyond = f", {total.beyond_kg / kg:,.1f} {unit} of it past the boundary" if total.beyond_kg else ""
    return (
        f"{total.product}{f' on {total.on}' if total.on else ''}: {total.written_kg / kg:,.1f} {unit} in these files,"
        f" {total.planned_kg / kg:,.1f} {unit} in the plan ({total.difference:+.2%}){beyond}"
    )
