"""Write a prescription as task data: TASKDATA.XML, and a binary file for each grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from shapely import MultiPolygon, Polygon

from zonemap.errors import OutputError
from zonemap.io.iso11783.build import CELL_TYPES, cell_values, numbered, task_file
from zonemap.io.iso11783.content import FOLDER, TASK_FILE, Kind, Version, Written
from zonemap.io.iso11783.document import document
from zonemap.io.iso11783.layout import Layout, lay_out
from zonemap.io.iso11783.totals import TaskTotal, added_up, difference_notes
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription


@dataclass(frozen=True, slots=True)
class TaskData:
    """What was written.

    Attributes
    ----------
    paths
        Every file, TASKDATA.XML first.
    totals
        (applications) the plan's total, and the one that what was written adds up to; `verify_taskdata` adds up the
        files themselves.
    notes
        Cells coarser than asked for, totals that cells change.
    """

    paths: tuple[Path, ...]
    totals: tuple[TaskTotal, ...]
    notes: tuple[Note, ...]


def write_taskdata(
    folder: Path,
    *,
    field_name: str,
    prescription: Prescription,
    boundary: MultiPolygon | Polygon,
    version: Version = 4,
    kind: Kind = "grid_2",
    swath_m: float | None = None,
    cell_m: float | None = None,
    layout: Layout | None = None,
) -> TaskData:
    """Write a folder TASKDATA into an existing folder: one task for each product and day.

    Where nothing may be spread stands an explicit 0; outside of the field, and while the position is lost, the rates of
    the prescription, 0 where it has none. The same values give the same bytes.

    Parameters
    ----------
    boundary
        Of the field, in the working CRS.
    kind
        ``grid_2`` holds a rate in each cell, ``grid_1`` the number of a zone, ``zones`` the outlines of the zones.
    swath_m
        Working width: cells are no wider than a third of it.
    cell_m
        Width of a cell; ``None`` begins with a third of the swath and halves it while the total is a thousandth off.
    layout
        Cells of a grid, where they are laid out already; then neither swath nor width is asked for.

    Raises
    ------
    OutputError
        When a rate does not fit, there are more than 254 zones, a name is blank, or a file cannot be written.

    References
    ----------
    ISO 11783-10:2015, annex D (version 4), and ISO 11783-10:2009 (version 3). Limits as in the published schemas.
    """
    applications = numbered(prescription)
    if kind == "zones":
        layout = None
    elif layout is None:
        layout = lay_out(prescription, boundary, swath_m=swath_m, cell_m=cell_m)
    cells = None if layout is None else layout.cells
    file = task_file(field_name, prescription, boundary, applications, version=version, kind=kind, cells=cells)
    contents, values = {TASK_FILE: document(file)}, {}
    for task, each in zip(file.tasks, applications, strict=True):
        if task.grid is not None and layout is not None:
            of_cells = values[task.grid.filename] = cell_values(each, prescription, layout.polygon_at, kind=kind)
            contents[f"{task.grid.filename}.BIN"] = of_cells.astype(CELL_TYPES[task.grid.type]).tobytes()
    paths = _write(folder / FOLDER, contents)
    inside = {} if layout is None else {layout.cells: layout.polygon_at >= 0}
    totals = added_up(Written(file, values), applications, prescription, inside=inside)
    notes = () if layout is None else layout.notes
    return TaskData(paths, totals, (*notes, *difference_notes(totals, where=f"{FOLDER}, version {version}, {kind}")))


def _write(folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    try:
        folder.mkdir()
        for name, content in contents.items():
            (folder / name).write_bytes(content)
    except OSError as error:
        mend = "Check free space and permission of the folder, and that it holds no task data yet, then run again."
        raise OutputError(FOLDER, f"the task data cannot be written ({error.strerror})", mend) from error
    return tuple(folder / name for name in contents)
