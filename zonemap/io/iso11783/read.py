"""Read back task data that zonemap wrote, for checking it: never a door for files of others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element, ParseError, fromstring

import numpy as np
import numpy.typing as npt
from shapely import LinearRing, Polygon
from shapely.errors import GEOSException

from zonemap.errors import OutputError
from zonemap.io.iso11783.build import CELL_TYPES
from zonemap.io.iso11783.cells import Cells
from zonemap.io.iso11783.content import (
    TASK_FILE,
    Partfield,
    Presentation,
    ProcessValue,
    Task,
    TaskFile,
    TaskGrid,
    TaskProduct,
    TreatmentZone,
)
from zonemap.io.iso11783.document import BOUNDARY, EXTERIOR, INTERIOR, ROOT, TREATMENT_ZONE, document

MEND = "Nothing was published: check free space and the disk, then run again."


@dataclass(frozen=True, slots=True)
class Written:
    """A task file and the cells of its grids.

    Attributes
    ----------
    cells
        file name of a grid -> (cells,) codes or whole numbers, in the order of the file.
    """

    file: TaskFile
    cells: Mapping[str, npt.NDArray[np.int64]]


def read_taskdata(folder: Path) -> Written:
    """Read a folder TASKDATA.

    Raises
    ------
    OutputError
        When a file is missing, is no XML or declares a document type, or lacks what it must hold.
    """
    try:
        content = (folder / TASK_FILE).read_bytes()
        if b"<!" in content:
            raise _fault("it declares a document type")  # entities live there; ours has none
        file = _task_file(fromstring(content))
        grids = {task.grid.filename: _cells(folder, task.grid) for task in file.tasks if task.grid is not None}
        if document(file) != content:
            raise _fault("it holds more or less than zonemap writes")
    except (OSError, ParseError, LookupError, ValueError, GEOSException) as error:
        raise _fault(f"it cannot be read back ({error!r})") from error
    return Written(file, grids)


def _fault(what: str) -> OutputError:
    return OutputError(TASK_FILE, what, MEND)


def _cells(folder: Path, grid: TaskGrid) -> npt.NDArray[np.int64]:
    content = (folder / f"{grid.filename}.BIN").read_bytes()
    cell = np.dtype(CELL_TYPES[grid.type])
    if not len(content) == grid.length == grid.cells.count * cell.itemsize:
        raise _fault(f"{grid.filename}.BIN has {len(content)} bytes, {grid.cells.count} cells are stated")
    return np.frombuffer(content, dtype=cell).astype(np.int64)


def _task_file(root: Element) -> TaskFile:
    version = int(root.attrib["VersionMajor"])
    known = {"PFD", "PDT", "TSK", "VPN"}
    if root.tag != ROOT or version not in (3, 4) or not {child.tag for child in root} <= known:
        raise _fault("it is no task file of version 3 or 4")
    (partfield,) = root.findall("PFD")
    return TaskFile(
        3 if version == 3 else 4,
        _partfield(partfield),
        tuple(TaskProduct(each.attrib["A"], each.attrib["B"]) for each in root.findall("PDT")),
        tuple(_task(each) for each in root.findall("TSK")),
        tuple(_presentation(each) for each in root.findall("VPN")),
    )


def _partfield(element: Element) -> Partfield:
    polygons = tuple(polygon for outline in element for polygon in _polygons(outline, BOUNDARY))
    return Partfield(element.attrib["A"], element.attrib["C"], int(element.attrib["D"]), polygons)


def _presentation(element: Element) -> Presentation:
    offset, decimals = int(element.attrib["B"]), int(element.attrib["D"])
    return Presentation(element.attrib["A"], offset, float(element.attrib["C"]), decimals, element.attrib["E"])


def _task(element: Element) -> Task:
    of = element.attrib
    if not {child.tag for child in element} <= {"TZN", "GRD"}:
        raise _fault(f"task {of['A']} holds something unknown")
    zones = tuple(_zone(each) for each in element.findall("TZN"))
    grids = [_grid(each) for each in element.findall("GRD")]
    grid = None if not grids else grids[0]
    if len(grids) > 1:
        raise _fault(f"task {of['A']} has {len(grids)} grids")
    return Task(of["A"], of["B"], of["E"], int(of["H"]), int(of["I"]), int(of["J"]), zones, grid)


def _zone(element: Element) -> TreatmentZone:
    outlines = element.findall("PLN")
    polygons = tuple(polygon for outline in outlines for polygon in _polygons(outline, TREATMENT_ZONE))
    areas = tuple(int(outline.attrib["C"]) for outline in outlines)
    (process,) = element.findall("PDV")
    of = process.attrib
    setpoint = ProcessValue(int(of["A"], 16), int(of["B"]), of["C"], of["E"])
    return TreatmentZone(int(element.attrib["A"]), element.attrib["B"], setpoint, polygons, areas)


def _grid(element: Element) -> TaskGrid:
    of = element.attrib
    south, west, height, width = (float(of[key]) for key in "ABCD")
    cells = Cells(south, west, height, width, int(of["F"]), int(of["E"]))
    kind, code = int(of["I"]), int(of["J"]) if "J" in of else None
    if kind not in CELL_TYPES:
        raise _fault(f"grid type {kind} is unknown")
    return TaskGrid(cells, of["G"], int(of["H"]), 1 if kind == 1 else 2, code)


def _polygons(outline: Element, kind: str) -> list[Polygon]:
    """Polygons of one PLN: every outer ring begins one, the holes behind it are its own."""
    if outline.tag != "PLN" or outline.attrib["A"] != kind:
        raise _fault(f"an outline of type {kind} was expected")
    rings: list[list[LinearRing]] = []
    for ring in outline:
        if ring.tag != "LSG" or ring.attrib["A"] not in (EXTERIOR, INTERIOR):
            raise _fault("an outline holds something unknown")
        vertices = [(float(point.attrib["D"]), float(point.attrib["C"])) for point in ring]
        if vertices[0] != vertices[-1]:
            raise _fault("a ring is not closed")
        if ring.attrib["A"] == EXTERIOR:
            rings.append([])
        rings[-1].append(LinearRing(vertices))
    return [Polygon(outer, holes) for outer, *holes in rings]
