"""From a prescription to the content of a task file: one task for each product and day."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon, Polygon

from zonemap.errors import OutputError
from zonemap.io.iso11783.cells import Cells, Index
from zonemap.io.iso11783.content import (
    DESIGNATOR_OCTETS,
    LARGEST_CODE,
    NOTHING,
    TASK_FILE,
    Kind,
    Partfield,
    Presentation,
    ProcessValue,
    Task,
    TaskFile,
    TaskGrid,
    TaskProduct,
    TreatmentZone,
    Version,
)
from zonemap.io.iso11783.quantities import Quantity, counts, quantity_of
from zonemap.io.names import cut_text
from zonemap.io.prescription_rows import as_multi, polygons_in_degrees
from zonemap.values.arrays import IntArray
from zonemap.values.prescription import Application, Prescription

#: cell types by grid type: codes are bytes, values are little-endian whole numbers of four bytes
CELL_TYPES: Mapping[int, npt.DTypeLike] = {1: np.dtype("u1"), 2: np.dtype("<i4")}
#: the zone that says which product the values of a grid of type 2 are of
_TEMPLATE = 1


@dataclass(frozen=True, slots=True)
class Numbered:
    """One application with the ids it goes by.

    Attributes
    ----------
    counts
        (zones + 1,) whole numbers by zone number, nothing at 0.
    lost, outside
        Whole numbers where the position is lost, and where no polygon lies.
    """

    application: Application
    quantity: Quantity
    product: str
    presentation: str
    counts: IntArray
    lost: int
    outside: int

    def process(self, value: int) -> ProcessValue:
        """A setpoint of this product."""
        return ProcessValue(self.quantity.ddi, int(value), self.product, self.presentation)


def numbered(prescription: Prescription) -> tuple[Numbered, ...]:
    """Ids of products and presentations in order of first use, and rates as whole numbers.

    Raises
    ------
    OutputError
        When a rate does not fit.
    """
    products: dict[str, str] = {}
    units: dict[str, str] = {}
    elsewhere = np.array([prescription.position_lost_rate_kg_ha, prescription.outside_rate_kg_ha])
    result = []
    for application in prescription.applications:
        name = application.product.name
        quantity = quantity_of(application.product, prescription.units)
        product = products.setdefault(name, f"PDT{len(products) + 1}")
        presentation = units.setdefault(quantity.unit, f"VPN{len(units) + 1}")
        where = f"{TASK_FILE}, {name}"
        by_zone = counts(np.concatenate([[0.0], application.rate_kg_ha]), quantity, where=where)
        lost, outside = counts(elsewhere, quantity, where=where).tolist()
        result.append(Numbered(application, quantity, product, presentation, by_zone, lost, outside))
    return tuple(result)


def task_file(
    field_name: str,
    prescription: Prescription,
    boundary: MultiPolygon | Polygon,
    applications: tuple[Numbered, ...],
    *,
    version: Version,
    kind: Kind,
    cells: Cells | None,
) -> TaskFile:
    """Everything that stands in the XML.

    Raises
    ------
    OutputError
        When there are more zones than codes, a name is blank, or an outline does not survive rounding.
    """
    outlines = polygons_in_degrees(prescription, clockwise=False, where=TASK_FILE)
    names: list[str] = []
    tasks = []
    for number, each in enumerate(applications, start=1):
        names.append(_task_name(each.application, names))
        zones = _zones(each, prescription, outlines, kind)
        zones, lost = _with_a_rate(zones, "position lost", each, each.lost)
        zones, outside = _with_a_rate(zones, "outside", each, each.outside)
        if zones[-1].code > LARGEST_CODE:
            what = f"{zones[-1].code + 1} treatment zones are needed and codes end at {LARGEST_CODE}"
            raise OutputError(TASK_FILE, what, "Write a grid of type 2, or make fewer zones.")
        grid = None if cells is None else _grid(cells, number, kind)
        tasks.append(Task(f"TSK{number}", names[-1], "PFD1", NOTHING, lost, outside, zones, grid))
    partfield = _partfield(field_name, prescription, boundary)
    return TaskFile(version, partfield, _products(applications), tuple(tasks), _presentations(applications))


def cell_values(each: Numbered, prescription: Prescription, polygon_at: Index, *, kind: Kind) -> IntArray:
    """Codes (grid type 1) or whole numbers (type 2) of the cells, in the order of the file."""
    return np.asarray(by_polygon(each, prescription, kind=kind)[polygon_at], dtype=np.int64)


def by_polygon(each: Numbered, prescription: Prescription, *, kind: Kind) -> IntArray:
    """(polygons + 1,) what a cell of each polygon holds, and last what one outside of all holds: index -1."""
    if kind == "grid_2":
        by_zone, outside = each.counts, each.outside
    else:
        by_zone, outside = np.arange(each.counts.size), each.counts.size + bool(each.lost) if each.outside else NOTHING
    return np.concatenate([by_zone[prescription.zone], [outside]])


def grid_type(kind: Kind) -> Literal[1, 2]:
    """Codes of zones, or values."""
    return 1 if kind == "grid_1" else 2


def boundary_in_degrees(prescription: Prescription, boundary: MultiPolygon | Polygon) -> tuple[Polygon, ...]:
    """Parts of the boundary, rounded as the zones are."""
    parts = tuple(as_multi(boundary).geoms)
    alone = Prescription(prescription.units, prescription.crs, parts, np.zeros(len(parts), dtype=np.int64), ())
    return polygons_in_degrees(alone, clockwise=False, where=TASK_FILE)


def _designator(name: str, *, taken: Collection[str] = ()) -> str:
    """A name of at most 32 characters; XML 1.0, section 2.2, has no place for U+FFFE and U+FFFF."""
    for character in name:
        if character in "\ufffe\uffff":
            what = f"the name {name!r} holds U+{ord(character):04X}, which XML cannot hold"
            raise OutputError("field.toml", what, "Remove that character from the name.")
    return cut_text(name, octets=DESIGNATOR_OCTETS, taken=taken)


def _partfield(field_name: str, prescription: Prescription, boundary: MultiPolygon | Polygon) -> Partfield:
    name = _designator(field_name)
    return Partfield("PFD1", name, round(boundary.area), boundary_in_degrees(prescription, boundary))


def _products(applications: tuple[Numbered, ...]) -> tuple[TaskProduct, ...]:
    products: dict[str, TaskProduct] = {}
    for each in applications:
        if each.product not in products:
            taken = [product.designator for product in products.values()]
            name = _designator(each.application.product.name, taken=taken)
            products[each.product] = TaskProduct(each.product, name)
    return tuple(products.values())


def _presentations(applications: tuple[Numbered, ...]) -> tuple[Presentation, ...]:
    shown = {
        each.presentation: Presentation(
            each.presentation, 0, each.quantity.scale, each.quantity.decimals, each.quantity.unit
        )
        for each in applications
    }
    return tuple(shown.values())


def _task_name(application: Application, taken: list[str]) -> str:
    """Day and product: what the operator chooses by."""
    day = "" if application.on is None else f"{application.on.isoformat()} "
    return _designator(f"{day}{application.product.name}", taken=taken)


def _with_a_rate(
    zones: tuple[TreatmentZone, ...], name: str, each: Numbered, value: int
) -> tuple[tuple[TreatmentZone, ...], int]:
    """Zones with one more that has no outline, and its code; the zone of nothing does for a rate of 0."""
    if not value:
        return zones, NOTHING
    code = max(zone.code for zone in zones) + 1
    return (*zones, TreatmentZone(code, name, each.process(value))), code


def _zones(
    each: Numbered, prescription: Prescription, outlines: tuple[Polygon, ...], kind: Kind
) -> tuple[TreatmentZone, ...]:
    """The zone of nothing first, then the others by number; for a grid of type 2 a template instead."""
    nothing = TreatmentZone(NOTHING, "nothing", each.process(0))
    if kind == "grid_2":
        return nothing, TreatmentZone(_TEMPLATE, "values of the grid", each.process(0))
    if kind == "grid_1":
        zones = range(1, each.counts.size)
        return nothing, *(TreatmentZone(zone, f"zone {zone}", each.process(each.counts[zone])) for zone in zones)
    result = []
    for zone in range(each.counts.size):
        inside = np.flatnonzero(prescription.zone == zone)
        polygons = tuple(outlines[number] for number in inside)
        areas = tuple(round(prescription.polygon[number].area) for number in inside)
        name = f"zone {zone}" if zone else "nothing"
        result.append(TreatmentZone(zone, name, each.process(each.counts[zone]), polygons, areas))
    return tuple(result)


def _grid(cells: Cells, number: int, kind: Kind) -> TaskGrid:
    type_ = grid_type(kind)
    length = cells.count * np.dtype(CELL_TYPES[type_]).itemsize
    return TaskGrid(cells, f"GRD{number:05d}", length, type_, _TEMPLATE if kind == "grid_2" else None)
