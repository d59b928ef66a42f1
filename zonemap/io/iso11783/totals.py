"""Product totals added up again from task data as it was read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import shapely
from shapely import Polygon

from zonemap.io.iso11783.build import Numbered
from zonemap.io.iso11783.cells import Cells
from zonemap.io.iso11783.content import Written
from zonemap.io.prescription_rows import WGS84
from zonemap.values.arrays import FloatArray
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription

#: difference from the plan above which a grid says so
NOTED_DIFFERENCE = 0.001


@dataclass(frozen=True, slots=True)
class TaskTotal:
    """One product on one day: kg of the plan's polygons, of the task data, and of the polygons past the boundary."""

    product: str
    on: date | None
    planned_kg: float
    written_kg: float
    beyond_kg: float = 0.0

    @property
    def difference(self) -> float:
        """Written less planned, as a share of what was planned; 0 where nothing was planned and written."""
        if self.planned_kg == self.written_kg:
            return 0.0
        return (self.written_kg - self.planned_kg) / self.planned_kg if self.planned_kg else float("inf")


def added_up(written: Written, applications: tuple[Numbered, ...], prescription: Prescription) -> tuple[TaskTotal, ...]:
    """Sum of rate x area over cells or polygons; areas on the ground, in the working CRS."""
    grounds: dict[Cells, FloatArray] = {}
    areas: dict[tuple[Polygon, ...], float] = {}  # tasks of one file mostly share their outlines
    totals = []
    for task, each in zip(written.file.tasks, applications, strict=True):
        setpoint = {zone.code: zone.process.value for zone in task.zones}
        if task.grid is None:
            for polygons in {zone.polygons for zone in task.zones} - areas.keys():
                areas[polygons] = _area_m2(polygons, prescription.crs)
            sums = sum(zone.process.value * areas[zone.polygons] for zone in task.zones)
        else:
            # the grids of one file are mostly one grid: measure it once
            if task.grid.cells not in grounds:
                grounds[task.grid.cells] = task.grid.cells.ground_m2(prescription.crs)
            value = written.cells[task.grid.filename]
            setpoints = value if task.grid.type == 2 else _by_code(setpoint)[value]
            sums = float(setpoints @ grounds[task.grid.cells])
        kg = sums / each.quantity.counts_per_kg_ha / 10_000
        planned = prescription.polygons_kg(each.application)
        beyond = prescription.beyond_kg(each.application)
        totals.append(TaskTotal(each.application.product.name, each.application.on, planned, kg, beyond))
    return tuple(totals)


def difference_notes(totals: tuple[TaskTotal, ...], *, where: str) -> tuple[Note, ...]:
    """A warning for each total that square cells change by more than a thousandth."""
    return tuple(
        Note(
            "warning",
            f"{where}: the cells of {total.product} add up to {total.written_kg:,.1f} kg, the plan to"
            f" {total.planned_kg:,.1f} kg ({total.difference:+.2%}): cells follow the outlines in steps."
            " Write zones as polygons, or smaller cells, where that is too much.",
        )
        for total in totals
        if abs(total.difference) > NOTED_DIFFERENCE
    )


def _by_code(setpoint: Mapping[int, int]) -> FloatArray:
    by_code = np.full(256, np.nan)
    by_code[list(setpoint)] = list(setpoint.values())
    return by_code


def _area_m2(polygons: tuple[Polygon, ...], crs: str) -> float:
    """Of polygons in degrees, on the ground."""
    from pyproj import Transformer

    if not polygons:
        return 0.0
    to_metres = Transformer.from_crs(WGS84, crs, always_xy=True)

    def project(vertices: FloatArray) -> FloatArray:
        return np.column_stack(to_metres.transform(vertices[:, 0], vertices[:, 1]))

    return float(shapely.area(shapely.transform(np.array(polygons, dtype=object), project)).sum())
