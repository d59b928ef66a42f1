"""Write a prescription as task data: TASKDATA.XML, and a binary file for each grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.errors import OutputError
from zonemap.io.iso11783.build import CELL_TYPES, boundary_in_degrees, cell_values, numbered, task_file
from zonemap.io.iso11783.cells import Cells, Index, covering_cells
from zonemap.io.iso11783.content import FOLDER, TASK_FILE, Kind, Version
from zonemap.io.iso11783.document import document
from zonemap.io.iso11783.read import read_taskdata
from zonemap.io.iso11783.totals import NOTED_DIFFERENCE, TaskTotal, added_up, difference_notes
from zonemap.io.prescription_rows import polygons_in_degrees
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription

#: more cells than that and controllers grow slow (common practice; no limit stands in the standard)
MOST_CELLS = 500_000
#: width of a cell where no swath says how finely the machine can follow
_CELL_M = 10.0
#: a swath is at least so many cells, a field at least so many cells wide
_CELLS_IN_SWATH, _CELLS_IN_FIELD = 3, 50
#: how often cells are halved for the sake of the total
_HALVINGS = 3


@dataclass(frozen=True, slots=True)
class TaskData:
    """What was written.

    Attributes
    ----------
    paths
        Every file, TASKDATA.XML first.
    totals
        (applications) the plan's total, and the one that the files add up to.
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
    position_lost_kg_ha: Mapping[str, float] | None = None,
) -> TaskData:
    """Write a folder TASKDATA into an existing folder: one task for each product and day.

    Outside of the field, and where nothing may be spread, stands an explicit 0. The same values give the same bytes.

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
    position_lost_kg_ha
        product name -> rate where the position is lost; 0 for products that are not named.

    Raises
    ------
    OutputError
        When a rate does not fit, there are more than 254 zones, a name is blank, or a file cannot be written.

    References
    ----------
    ISO 11783-10:2015, annex D (version 4), and ISO 11783-10:2009 (version 3). Limits as in the published schemas.
    """
    applications = numbered(prescription, position_lost_kg_ha=position_lost_kg_ha or {})
    cells: Cells | None = None
    polygon_at: Index | None = None
    notes: tuple[Note, ...] = ()
    if kind != "zones":
        cells, polygon_at, notes = _choose_cells(prescription, boundary, swath_m=swath_m, cell_m=cell_m)
    file = task_file(field_name, prescription, boundary, applications, version=version, kind=kind, cells=cells)
    contents = {TASK_FILE: document(file)}
    for task, each in zip(file.tasks, applications, strict=True):
        if task.grid is not None and polygon_at is not None:
            values = cell_values(each, prescription, polygon_at, kind=kind)
            contents[f"{task.grid.filename}.BIN"] = values.astype(CELL_TYPES[task.grid.type]).tobytes()
    paths = _write(folder / FOLDER, contents)
    totals = added_up(read_taskdata(folder / FOLDER), applications, prescription)
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


def _choose_cells(
    prescription: Prescription, boundary: MultiPolygon | Polygon, *, swath_m: float | None, cell_m: float | None
) -> tuple[Cells, Index, tuple[Note, ...]]:
    """Cells over the field, the polygon at the centre of each, and a note where they had to be coarser."""
    polygons = polygons_in_degrees(prescription, clockwise=False, where=TASK_FILE)
    covered = (*polygons, *boundary_in_degrees(prescription, boundary))
    west, south, east, north = boundary.bounds
    begin_m = min(swath_m / _CELLS_IN_SWATH if swath_m else _CELL_M, max(east - west, north - south) / _CELLS_IN_FIELD)
    wanted_m = cell_m or begin_m
    cells, used_m = _bounded(covered, wanted_m)
    notes: tuple[Note, ...] = ()
    if used_m > wanted_m:
        text = (
            f"{FOLDER}: cells are {used_m:.1f} m wide instead of {wanted_m:.1f} m,"
            f" so that there are no more than {MOST_CELLS:,}. Write zones as polygons where that is too coarse."
        )
        notes = (Note("warning", text),)
    polygon_at = cells.polygon_at_centre(polygons)
    for _ in range(0 if cell_m or notes else _HALVINGS):
        finer = covering_cells(covered, cell_m=used_m / 2)
        if finer.count > MOST_CELLS or _off(cells, polygon_at, prescription) <= NOTED_DIFFERENCE:
            break
        cells, used_m = finer, used_m / 2
        polygon_at = cells.polygon_at_centre(polygons)
    return cells, polygon_at, notes


def _bounded(covered: tuple[Polygon, ...], cell_m: float) -> tuple[Cells, float]:
    """The cells of a width, wider where there would be too many."""
    west, south, east, north = shapely.total_bounds(np.array(covered, dtype=object))
    # an estimate first, so that no absurd grid is laid out: a degree is 111 km northward, less eastward
    least_m = 111_320.0 * np.sqrt(
        (north - south) * (east - west) * np.cos(np.radians((north + south) / 2)) / MOST_CELLS
    )
    used_m = max(cell_m, 0.99 * least_m)
    cells = covering_cells(covered, cell_m=used_m)
    while cells.count > MOST_CELLS:
        used_m *= 1.01
        cells = covering_cells(covered, cell_m=used_m)
    return cells, used_m


def _off(cells: Cells, polygon_at: Index, prescription: Prescription) -> float:
    """Largest share by which the cells change a product's total."""
    ground = np.bincount(
        polygon_at + 1, weights=cells.ground_m2(prescription.crs), minlength=len(prescription.polygon) + 1
    )
    shares = [0.0]
    for application in prescription.applications:
        total = prescription.total_kg(application)
        if total > 0:
            by_cells = float(prescription.polygon_rates(application) @ ground[1:]) / 10_000
            shares.append(abs(by_cells / total - 1))
    return max(shares)
