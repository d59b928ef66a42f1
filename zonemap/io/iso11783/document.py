"""A task file as XML (ISO 11783-10, annex D): elements and attributes in one fixed order.

The text is put together line by line, because a tree of a million points costs ten times as much as its text.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import shapely
from shapely import Polygon

from zonemap import __version__
from zonemap.io.iso11783.content import (
    Partfield,
    Presentation,
    ProcessValue,
    Task,
    TaskFile,
    TaskGrid,
    TreatmentZone,
)
from zonemap.io.iso11783.quantities import SCALE_DECIMALS
from zonemap.io.prescription_rows import DEGREE_DECIMALS

ROOT = "ISO11783_TaskData"
#: PolygonType, LineStringType, PointType
BOUNDARY, TREATMENT_ZONE = "1", "2"
EXTERIOR, INTERIOR = "1", "2"
OTHER_POINT = "2"
#: TaskStatus: planned
PLANNED = "1"
#: DataTransferOrigin: made in the office, not on the machine
OFFICE = "1"

_DECLARATION = '<?xml version="1.0" encoding="UTF-8"?>'
# XML 1.0, section 2.4, and 3.3.3 for white space, which a reader would otherwise take for blanks
_ESCAPES = str.maketrans(
    {"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "\r": "&#13;", "\n": "&#10;", "\t": "&#09;"}
)


def document(file: TaskFile) -> bytes:
    """XML in UTF-8; the same values give the same bytes."""
    attributes = {
        "VersionMajor": str(file.version),
        "VersionMinor": "3",
        "ManagementSoftwareManufacturer": "zonemap",
        "ManagementSoftwareVersion": __version__,
        "DataTransferOrigin": OFFICE,
    }
    return "\n".join([_DECLARATION, *_holding(0, ROOT, attributes, _children(file)), ""]).encode()


def degrees(value: float) -> str:
    """Plain decimals, never an exponent."""
    return f"{value:.{DEGREE_DECIMALS}f}"


def _children(file: TaskFile) -> Iterator[str]:
    yield from _partfield(file.partfield, joined=file.version == 3)
    for product in file.products:
        yield _empty(1, "PDT", {"A": product.id, "B": product.designator})
    for task in file.tasks:
        yield from _task(task)
    for presentation in file.presentations:
        yield _presentation(presentation)


# --- lines


def _tag(depth: int, name: str, attributes: Mapping[str, str]) -> str:
    """An opening tag without its end."""
    words = [f'{key}="{value.translate(_ESCAPES)}"' for key, value in attributes.items()]
    return f"{' ' * depth}<{' '.join([name, *words])}"


def _empty(depth: int, name: str, attributes: Mapping[str, str]) -> str:
    return f"{_tag(depth, name, attributes)} />"


def _holding(depth: int, name: str, attributes: Mapping[str, str], lines: Iterator[str]) -> Iterator[str]:
    """An element around lines of its children; one without children closes itself."""
    first = next(lines, None)
    if first is None:
        yield _empty(depth, name, attributes)
        return
    yield f"{_tag(depth, name, attributes)}>"
    yield first
    yield from lines
    yield f"{' ' * depth}</{name}>"


# --- elements


def _partfield(partfield: Partfield, *, joined: bool) -> Iterator[str]:
    attributes = {"A": partfield.id, "C": partfield.designator, "D": str(partfield.area_m2)}
    return _holding(1, "PFD", attributes, _boundary(partfield, joined=joined))


def _boundary(partfield: Partfield, *, joined: bool) -> Iterator[str]:
    if joined:
        # Version 3 allows one boundary polygon a partfield, and several outer rings in it; version 4 the reverse.
        rings = (line for polygon in partfield.polygons for line in _rings(3, polygon))
        return _holding(2, "PLN", {"A": BOUNDARY, "C": str(partfield.area_m2)}, rings)
    return (line for polygon in partfield.polygons for line in _holding(2, "PLN", {"A": BOUNDARY}, _rings(3, polygon)))


def _task(task: Task) -> Iterator[str]:
    attributes = {
        "A": task.id,
        "B": task.designator,
        "E": task.partfield,
        "G": PLANNED,
        "H": str(task.default_code),
        "I": str(task.position_lost_code),
        "J": str(task.out_of_field_code),
    }
    return _holding(1, "TSK", attributes, _task_parts(task))


def _task_parts(task: Task) -> Iterator[str]:
    for zone in task.zones:
        yield from _holding(2, "TZN", {"A": str(zone.code), "B": zone.designator}, _zone_parts(zone))
    if task.grid is not None:
        yield _grid(task.grid)


def _zone_parts(zone: TreatmentZone) -> Iterator[str]:
    for polygon, area_m2 in zip(zone.polygons, zone.areas_m2, strict=True):
        yield from _holding(3, "PLN", {"A": TREATMENT_ZONE, "C": str(area_m2)}, _rings(4, polygon))
    yield _process(zone.process)


def _process(process: ProcessValue) -> str:
    attributes = {
        "A": f"{process.ddi:04X}",
        "B": str(process.value),
        "C": process.product,
        "E": process.presentation,
    }
    return _empty(3, "PDV", attributes)


def _grid(grid: TaskGrid) -> str:
    cells = grid.cells
    attributes = {
        "A": degrees(cells.south_deg),
        "B": degrees(cells.west_deg),
        "C": degrees(cells.height_deg),
        "D": degrees(cells.width_deg),
        "E": str(cells.columns),
        "F": str(cells.rows),
        "G": grid.filename,
        "H": str(grid.length),
        "I": str(grid.type),
    }
    return _empty(2, "GRD", attributes if grid.code is None else attributes | {"J": str(grid.code)})


def _presentation(presentation: Presentation) -> str:
    attributes = {
        "A": presentation.id,
        "B": str(presentation.offset),
        "C": f"{presentation.scale:.{SCALE_DECIMALS}f}",
        "D": str(presentation.decimals),
        "E": presentation.unit,
    }
    return _empty(1, "VPN", attributes)


def _rings(depth: int, polygon: Polygon) -> Iterator[str]:
    """Outer ring, then holes; the last point of a ring repeats the first."""
    vertices = shapely.get_coordinates(polygon)[:, ::-1]  # north first
    ends = np.cumsum(shapely.get_num_coordinates(shapely.get_rings(polygon))).tolist()
    start, kind = 0, EXTERIOR
    for end in ends:
        yield _ring(depth, kind, vertices[start:end])
        start, kind = end, INTERIOR


def _ring(depth: int, kind: str, vertices: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> str:
    """All lines of a ring at once, by one template: numbers need no escape."""
    number = f"%.{DEGREE_DECIMALS}f"
    point = f'{" " * (depth + 1)}<PNT A="{OTHER_POINT}" C="{number}" D="{number}" />'
    points = "\n".join([point] * len(vertices)) % tuple(vertices.ravel().tolist())
    indent = " " * depth
    return f'{indent}<LSG A="{kind}">\n{points}\n{indent}</LSG>'
