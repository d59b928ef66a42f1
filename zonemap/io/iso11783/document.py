"""A task file as XML (ISO 11783-10, annex D): elements and attributes in one fixed order."""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree.ElementTree import Element, SubElement, indent, tostring

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
    TaskProduct,
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


def document(file: TaskFile) -> bytes:
    """XML in UTF-8; the same values give the same bytes."""
    root = Element(
        ROOT,
        {
            "VersionMajor": str(file.version),
            "VersionMinor": "3",
            "ManagementSoftwareManufacturer": "zonemap",
            "ManagementSoftwareVersion": __version__,
            "DataTransferOrigin": OFFICE,
        },
    )
    _partfield(root, file.partfield, joined=file.version == 3)
    for product in file.products:
        _product(root, product)
    for task in file.tasks:
        _task(root, task)
    for presentation in file.presentations:
        _presentation(root, presentation)
    indent(root, space=" ")
    # the library's own declaration has single quotes
    text: str = tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()


def degrees(value: float) -> str:
    """Plain decimals, never an exponent."""
    return f"{value:.{DEGREE_DECIMALS}f}"


def _partfield(root: Element, partfield: Partfield, *, joined: bool) -> None:
    element = SubElement(root, "PFD", {"A": partfield.id, "C": partfield.designator, "D": str(partfield.area_m2)})
    if joined:
        # Version 3 allows one boundary polygon a partfield, and several outer rings in it; version 4 the reverse.
        outline = SubElement(element, "PLN", {"A": BOUNDARY, "C": str(partfield.area_m2)})
        for polygon in partfield.polygons:
            _rings(outline, polygon)
        return
    for polygon in partfield.polygons:
        _rings(SubElement(element, "PLN", {"A": BOUNDARY}), polygon)


def _product(root: Element, product: TaskProduct) -> None:
    SubElement(root, "PDT", {"A": product.id, "B": product.designator})


def _task(root: Element, task: Task) -> None:
    element = SubElement(
        root,
        "TSK",
        {
            "A": task.id,
            "B": task.designator,
            "E": task.partfield,
            "G": PLANNED,
            "H": str(task.default_code),
            "I": str(task.position_lost_code),
            "J": str(task.out_of_field_code),
        },
    )
    for zone in task.zones:
        _zone(element, zone)
    if task.grid is not None:
        _grid(element, task.grid)


def _zone(task: Element, zone: TreatmentZone) -> None:
    element = SubElement(task, "TZN", {"A": str(zone.code), "B": zone.designator})
    for polygon, area_m2 in zip(zone.polygons, zone.areas_m2, strict=True):
        _rings(SubElement(element, "PLN", {"A": TREATMENT_ZONE, "C": str(area_m2)}), polygon)
    _process(element, zone.process)


def _process(zone: Element, process: ProcessValue) -> None:
    SubElement(
        zone,
        "PDV",
        {"A": f"{process.ddi:04X}", "B": str(process.value), "C": process.product, "E": process.presentation},
    )


def _grid(task: Element, grid: TaskGrid) -> None:
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
    SubElement(task, "GRD", attributes if grid.code is None else attributes | {"J": str(grid.code)})


def _presentation(root: Element, presentation: Presentation) -> None:
    SubElement(
        root,
        "VPN",
        {
            "A": presentation.id,
            "B": str(presentation.offset),
            "C": f"{presentation.scale:.{SCALE_DECIMALS}f}",
            "D": str(presentation.decimals),
            "E": presentation.unit,
        },
    )


def _rings(outline: Element, polygon: Polygon) -> None:
    """Outer ring, then holes; the last point of a ring repeats the first."""
    _ring(outline, EXTERIOR, shapely.get_coordinates(polygon.exterior).tolist())
    for hole in polygon.interiors:
        _ring(outline, INTERIOR, shapely.get_coordinates(hole).tolist())


def _ring(outline: Element, kind: str, vertices: Iterable[tuple[float, float]]) -> None:
    ring = SubElement(outline, "LSG", {"A": kind})
    for east, north in vertices:
        SubElement(ring, "PNT", {"A": OTHER_POINT, "C": degrees(north), "D": degrees(east)})
