"""Read back task data that zonemap wrote, for checking it: never a door for files of others."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers.expat import ExpatError, ParserCreate

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Polygon
from shapely.errors import GEOSException

from zonemap.errors import NOT_PUBLISHED, OutputError
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
    Written,
)
from zonemap.io.iso11783.document import BOUNDARY, EXTERIOR, INTERIOR, ROOT, TREATMENT_ZONE, document

_Geometries: TypeAlias = npt.NDArray[np.object_]


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
        root, rings = _parsed(content)
        file = _task_file(root, rings)
        grids = {task.grid.filename: _cells(folder, task.grid) for task in file.tasks if task.grid is not None}
        if document(file) != content:
            raise _fault("it holds more or less than zonemap writes")
    except (OSError, ExpatError, LookupError, ValueError, GEOSException) as error:
        raise _fault(f"it cannot be read back ({error!r})") from error
    return Written(file, grids)


def _fault(what: str) -> OutputError:
    return OutputError(TASK_FILE, what, NOT_PUBLISHED)


def _cells(folder: Path, grid: TaskGrid) -> npt.NDArray[np.int64]:
    content = (folder / f"{grid.filename}.BIN").read_bytes()
    cell = np.dtype(CELL_TYPES[grid.type])
    if not len(content) == grid.length == grid.cells.count * cell.itemsize:
        raise _fault(f"{grid.filename}.BIN has {len(content)} bytes, {grid.cells.count} cells are stated")
    return np.frombuffer(content, dtype=cell).astype(np.int64)


@dataclass(frozen=True, slots=True)
class _Ring:
    """A ring of an outline: its kind, and north and east of each of its points in turn, as the file has them."""

    kind: str
    north_east: list[str]


#: outlines of the file in its order: rings of each
_Rings = dict[Element, list[_Ring]]


def _parsed(content: bytes) -> tuple[Element, _Rings]:
    """The tree without the points, of which there may be a million, and the points by outline."""
    tree, rings = TreeBuilder(), _Rings()
    open_outline: list[_Ring] = []
    points: list[str] = []

    def start(name: str, attributes: list[str]) -> None:
        nonlocal open_outline, points
        if name == "PNT":  # A, C, D in that order: the whole text is held against what zonemap writes
            points += (attributes[3], attributes[5])
            return
        element = tree.start(name, dict(zip(attributes[::2], attributes[1::2], strict=True)))
        if name == "PLN":
            open_outline = rings[element] = []
        elif name == "LSG":
            points = []
            open_outline.append(_Ring(attributes[1], points))

    def end(name: str) -> None:
        if name != "PNT":
            tree.end(name)

    parser = ParserCreate()
    parser.ordered_attributes = True
    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.Parse(content, True)  # noqa: FBT003 - takes no keyword
    return tree.close(), rings


def _task_file(root: Element, rings: _Rings) -> TaskFile:
    version = int(root.attrib["VersionMajor"])
    known = {"PFD", "PDT", "TSK", "VPN"}
    if root.tag != ROOT or version not in (3, 4) or not {child.tag for child in root} <= known:
        raise _fault("it is no task file of version 3 or 4")
    (partfield,) = root.findall("PFD")
    return TaskFile(
        3 if version == 3 else 4,
        _partfield(partfield, rings),
        tuple(TaskProduct(each.attrib["A"], each.attrib["B"]) for each in root.findall("PDT")),
        tuple(_task(each, rings) for each in root.findall("TSK")),
        tuple(_presentation(each) for each in root.findall("VPN")),
    )


def _partfield(element: Element, rings: _Rings) -> Partfield:
    polygons = _polygons(list(element), BOUNDARY, rings)
    return Partfield(element.attrib["A"], element.attrib["C"], int(element.attrib["D"]), polygons)


def _presentation(element: Element) -> Presentation:
    offset, decimals = int(element.attrib["B"]), int(element.attrib["D"])
    return Presentation(element.attrib["A"], offset, float(element.attrib["C"]), decimals, element.attrib["E"])


def _task(element: Element, rings: _Rings) -> Task:
    of = element.attrib
    if not {child.tag for child in element} <= {"TZN", "GRD"}:
        raise _fault(f"task {of['A']} holds something unknown")
    zones = tuple(_zone(each, rings) for each in element.findall("TZN"))
    grids = [_grid(each) for each in element.findall("GRD")]
    grid = None if not grids else grids[0]
    if len(grids) > 1:
        raise _fault(f"task {of['A']} has {len(grids)} grids")
    return Task(of["A"], of["B"], of["E"], int(of["H"]), int(of["I"]), int(of["J"]), zones, grid)


def _zone(element: Element, rings: _Rings) -> TreatmentZone:
    outlines = element.findall("PLN")
    polygons = _polygons(outlines, TREATMENT_ZONE, rings)
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


def _polygons(outlines: list[Element], kind: str, rings: _Rings) -> tuple[Polygon, ...]:
    """Polygons of outlines: every outer ring begins one, the holes behind it are its own."""
    if any(outline.tag != "PLN" or outline.attrib["A"] != kind for outline in outlines):
        raise _fault(f"an outline of type {kind} was expected")
    found = [ring for outline in outlines for ring in rings[outline]]
    begun = all(rings[outline][0].kind == EXTERIOR for outline in outlines)
    if not begun or not {ring.kind for ring in found} <= {EXTERIOR, INTERIOR}:
        raise _fault("an outline holds something unknown")
    if not found:
        return ()
    outer = np.array([ring.kind == EXTERIOR for ring in found])
    drawn = _linear_rings(found)
    return tuple(np.asarray(shapely.polygons(drawn)).tolist()) if outer.all() else _with_holes(drawn, outer)


def _with_holes(drawn: _Geometries, outer: npt.NDArray[np.bool_]) -> tuple[Polygon, ...]:
    """Polygons of rings in order, an outer one before its holes."""
    starts = [*np.flatnonzero(outer).tolist(), outer.size]
    return tuple(Polygon(drawn[start], drawn[start + 1 : end].tolist()) for start, end in itertools.pairwise(starts))


def _linear_rings(rings: list[_Ring]) -> _Geometries:
    """All rings at once, each closed in the file itself."""
    numbers = [float(number) for ring in rings for number in ring.north_east]
    east_north = np.array(numbers).reshape(-1, 2)[:, ::-1]
    counts = np.array([len(ring.north_east) // 2 for ring in rings])
    last = np.cumsum(counts) - 1
    if counts.min() < 4 or not np.array_equal(east_north[last - counts + 1], east_north[last]):
        raise _fault("a ring is not closed")
    return np.asarray(shapely.linearrings(east_north, indices=np.repeat(np.arange(counts.size), counts)))
