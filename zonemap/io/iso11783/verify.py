"""Check task data against the prescription it was made from, by what is read back and by another geometry library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.iso11783.build import Numbered, by_polygon, grid_type, numbered, task_file
from zonemap.io.iso11783.cells import Cells
from zonemap.io.iso11783.content import FOLDER, NOTHING, TASK_FILE, Kind, Task, TaskFile, Version, Written
from zonemap.io.iso11783.read import read_taskdata
from zonemap.io.iso11783.totals import TaskTotal, added_up
from zonemap.io.prescription_rows import polygons_in_degrees
from zonemap.values.arrays import IntArray
from zonemap.values.prescription import Prescription

#: outlines agree to it, and a centre so near to an edge may belong to either side
_TOLERANCE_DEG = 1.0e-9


def verify_taskdata(
    folder: Path,
    *,
    field_name: str,
    prescription: Prescription,
    boundary: MultiPolygon | Polygon,
    version: Version = 4,
    kind: Kind = "grid_2",
) -> tuple[TaskTotal, ...]:
    """Read the folder TASKDATA in a folder back and compare everything in it with the prescription.

    Returns
    -------
    tuple
        (applications) totals added up from the files.

    Raises
    ------
    OutputError
        When the files do not hold what they should.
    """
    applications = numbered(prescription)
    written = read_taskdata(folder / FOLDER)
    expected = task_file(field_name, prescription, boundary, applications, version=version, kind=kind, cells=None)
    _check_head(written.file, expected)
    _check_files(folder / FOLDER, written)
    for task, wanted, each in zip(written.file.tasks, expected.tasks, applications, strict=True):
        _check_codes(task, wanted, each)
        _check_zones(task, wanted)
    placed: dict[Cells, _Placed] = {}
    if kind == "zones":
        _require(not written.cells, "zones as polygons, without a grid")
    else:
        placed = _check_grids(written, applications, prescription, kind=kind)
    inside = {cells: place.inside for cells, place in placed.items()}
    totals = added_up(written, applications, prescription, inside=inside)
    if kind == "zones":
        for total, each in zip(totals, applications, strict=True):
            _check_total(total, each, prescription)
    return totals


def _check_head(file: TaskFile, expected: TaskFile) -> None:
    """Version, field, products, units and the number of tasks."""
    _require(file.version == expected.version, f"version {expected.version}")
    ours, theirs = expected.partfield, file.partfield
    same = (theirs.id, theirs.designator, theirs.area_m2) == (ours.id, ours.designator, ours.area_m2)
    _require(same, f"the field {ours.designator}, {ours.area_m2} m2")
    _require(_same_outlines(theirs.polygons, ours.polygons), "the boundary")
    _require(file.products == expected.products, "the products")
    _require(file.presentations == expected.presentations, "the units")
    _require(len(file.tasks) == len(expected.tasks), f"{len(expected.tasks)} tasks")


def _check_files(folder: Path, written: Written) -> None:
    """A grid has a file of its own, and nothing else lies in the folder."""
    grids = [task.grid.filename for task in written.file.tasks if task.grid is not None]
    _require(len(set(grids)) == len(grids), "one file for each grid")
    present = {path.name for path in folder.iterdir()}
    _require(present == {TASK_FILE, *(f"{name}.BIN" for name in grids)}, "its grids and nothing else")


def _check_codes(task: Task, wanted: Task, each: Numbered) -> None:
    """The name, and what counts outside of the field and where the position is lost."""
    named = (task.id, task.designator, task.partfield) == (wanted.id, wanted.designator, wanted.partfield)
    _require(named, f"the task {wanted.designator}")
    value = {zone.code: zone.process.value for zone in task.zones}
    _require(len(value) == len(task.zones), "one zone for each code")
    _require(task.default_code == NOTHING and value.get(NOTHING) == 0, "a rate of 0 where nothing is said")
    codes = (task.position_lost_code, task.out_of_field_code)
    _require(codes == (wanted.position_lost_code, wanted.out_of_field_code), "the codes outside of the field")
    _require(value.get(task.out_of_field_code) == each.outside, "the rate outside of the field")
    _require(value.get(task.position_lost_code) == each.lost, "the rate where the position is lost")


def _check_zones(task: Task, wanted: Task) -> None:
    """Every zone with its setpoint and its outlines."""
    of_file, of_plan = ([(z.code, z.designator, z.process, z.areas_m2) for z in t.zones] for t in (task, wanted))
    _require(of_file == of_plan, f"the zones of {wanted.designator}")
    for zone, expected in zip(task.zones, wanted.zones, strict=True):
        _require(_same_outlines(zone.polygons, expected.polygons), f"the outlines of {expected.designator}")


def _check_grids(
    written: Written, applications: tuple[Numbered, ...], prescription: Prescription, *, kind: Kind
) -> dict[Cells, _Placed]:
    """Every cell of every grid, and where the centres of the cells lie."""
    outlines = np.array(polygons_in_degrees(prescription, clockwise=False, where=TASK_FILE), dtype=object)
    placed: dict[Cells, _Placed] = {}
    for task, each in zip(written.file.tasks, applications, strict=True):
        _require(task.grid is not None, f"a grid for {task.designator}")
        if task.grid is None:
            continue
        template = None if kind == "grid_1" else task.zones[1].code
        _require((task.grid.type, task.grid.code) == (grid_type(kind), template), f"a grid of type {grid_type(kind)}")
        if task.grid.cells not in placed:
            _check_cover(task.grid.cells, outlines)
            placed[task.grid.cells] = _Placed(task.grid.cells, outlines)
        place, values = placed[task.grid.cells], written.cells[task.grid.filename]
        expected = by_polygon(each, prescription, kind=kind)
        _require(place.holds(values, expected), f"the cells of {task.designator}")
    return placed


def _check_cover(cells: Cells, outlines: np.ndarray[tuple[int], np.dtype[np.object_]]) -> None:
    west, south, east, north = shapely.total_bounds(outlines)
    holds = (
        cells.west_deg <= west + _TOLERANCE_DEG
        and cells.south_deg <= south + _TOLERANCE_DEG
        and cells.west_deg + cells.columns * cells.width_deg >= east - _TOLERANCE_DEG
        and cells.south_deg + cells.rows * cells.height_deg >= north - _TOLERANCE_DEG
    )
    _require(holds, "a grid that covers the field")


class _Placed:
    """Centres of cells placed in polygons by a search tree: the writer fills them by scan lines."""

    def __init__(self, cells: Cells, outlines: np.ndarray[tuple[int], np.dtype[np.object_]]) -> None:
        self._outlines = outlines
        self._centre = np.array(shapely.points(*cells.centres()), dtype=object)
        tree = shapely.STRtree(outlines)
        centre, polygon = tree.query(self._centre, predicate="intersects")
        self._polygon = np.full(cells.count, -1, dtype=np.int64)
        self._polygon[centre] = polygon

    @property
    def inside(self) -> npt.NDArray[np.bool_]:
        """(cells,) whether a polygon lies at the centre."""
        return self._polygon >= 0

    def holds(self, values: IntArray, expected: IntArray) -> bool:
        """Whether every cell has the value of the polygon at its centre, or of one whose edge runs through it."""
        wrong = np.flatnonzero(values != expected[self._polygon])
        return all(self._on_edge(int(cell), int(values[cell]), expected) for cell in wrong)

    def _on_edge(self, cell: int, value: int, expected: IntArray) -> bool:
        near = shapely.dwithin(self._outlines, self._centre[cell], _TOLERANCE_DEG)
        edge = shapely.distance(shapely.boundary(self._outlines[near]), self._centre[cell]) <= _TOLERANCE_DEG
        return bool(edge.any()) and value in {int(expected[-1]), *expected[:-1][near].tolist()}


def _check_total(total: TaskTotal, each: Numbered, prescription: Prescription) -> None:
    """Half a count on every square metre, and outlines that moved by less than a tenth of a millimetre."""
    area_ha = float(prescription.whole_area_ha.sum())
    length_m = float(sum(polygon.length for polygon in prescription.polygon))
    largest = float(each.application.rate_kg_ha.max(initial=0.0))
    allowed = 0.5 / each.quantity.counts_per_kg_ha * area_ha + 1e-4 * length_m / 10_000 * largest + 1e-9
    what = f"the total of {total.product}, {total.planned_kg:.3f} kg (it adds up to {total.written_kg:.3f} kg)"
    _require(abs(total.written_kg - total.planned_kg) <= allowed, what)


def _same_outlines(written: tuple[Polygon, ...], expected: tuple[Polygon, ...]) -> bool:
    """Same polygons in the same order, to a billionth of a degree."""
    if len(written) != len(expected):
        return False
    one, other = np.array(written, dtype=object), np.array(expected, dtype=object)
    return bool(np.all(shapely.equals_exact(one, other, tolerance=_TOLERANCE_DEG)))


def _require(holds: bool, what: str) -> None:  # noqa: FBT001 - reads as a sentence at every call
    if not holds:
        raise OutputError(TASK_FILE, f"read back, the task data does not hold {what}", NOT_PUBLISHED)
