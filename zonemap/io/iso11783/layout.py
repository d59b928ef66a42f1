"""Which cells a grid of task data has: as fine as the machine follows and the totals need, and not too many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.io.iso11783.build import boundary_in_degrees
from zonemap.io.iso11783.cells import Cells, Index, covering_cells
from zonemap.io.iso11783.content import FOLDER, TASK_FILE
from zonemap.io.iso11783.totals import NOTED_DIFFERENCE
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
class Layout:
    """Cells over a field.

    Attributes
    ----------
    polygon_at
        (cells,) number of the polygon at each centre, -1 outside.
    notes
        A warning where the cells are coarser than asked for.
    """

    cells: Cells
    polygon_at: Index
    notes: tuple[Note, ...]


def lay_out(
    prescription: Prescription, boundary: MultiPolygon | Polygon, *, swath_m: float | None, cell_m: float | None = None
) -> Layout:
    """Lay cells out over the field; all versions and both types of grid can share them.

    Parameters
    ----------
    boundary
        Of the field, in the working CRS.
    swath_m
        Working width: cells are no wider than a third of it.
    cell_m
        Width of a cell; ``None`` begins with a third of the swath and halves it while the total is a thousandth off.
    """
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
    return Layout(cells, polygon_at, notes)


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
        total = prescription.polygons_kg(application)
        if total > 0:
            by_cells = float(prescription.polygon_rates(application) @ ground[1:]) / 10_000
            shares.append(abs(by_cells / total - 1))
    return max(shares)
