"""What the controller has in its memory: the zone of every cell, none where nothing may be spread."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.zones import Zones

#: zone of what lies beyond the field
BEYOND = -1


@dataclass(frozen=True, slots=True)
class Ground:
    """Zones to drive over.

    Attributes
    ----------
    grid
        Of the cells.
    zone
        Cell vector of zone numbers, 0 where its place lies in an area that gets nothing.
    raster
        (rows, columns) of the same, `BEYOND` outside the field.
    easting_m, northing_m
        Cell vectors of the place that stands for each cell: its centre, or a place inside the field where the centre
        lies beyond it.
    """

    grid: Grid
    zone: IntArray
    raster: IntArray
    easting_m: FloatArray
    northing_m: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone", frozen_ints(self.zone, shape=(self.grid.cells,)))
        object.__setattr__(self, "raster", frozen_ints(self.raster, shape=self.grid.shape))
        for name in ("easting_m", "northing_m"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=self.zone.shape))

    def zone_at(self, easting_m: FloatArray, northing_m: FloatArray) -> IntArray:
        """Zone number at places, `BEYOND` off the field."""
        rows, columns = self.grid.shape
        row = np.floor((self.grid.north_m - northing_m) / self.grid.cell_m).astype(np.int64)
        column = np.floor((easting_m - self.grid.west_m) / self.grid.cell_m).astype(np.int64)
        there = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        found = self.raster[np.where(there, row, 0), np.where(there, column, 0)]
        return np.asarray(np.where(there, found, BEYOND))


def ground_of(zones: Zones, grid: Grid, field: Field) -> Ground:
    """Zones of the cells with the no-spread areas cut out, as a controller knows them."""
    easting, northing = _places(grid, field)
    zone = zones.number.copy()
    if field.no_spread:
        closed = shapely.union_all([place.area for place in field.no_spread])
        shapely.prepare(closed)
        zone[shapely.contains_xy(closed, easting, northing)] = 0
    return Ground(grid, zone, grid.raster(zone, outside=BEYOND), easting, northing)


def _places(grid: Grid, field: Field) -> tuple[FloatArray, FloatArray]:
    """Cell vectors of centres, moved into the field where they lie beyond it."""
    easting, northing = grid.centres()
    cut = np.flatnonzero(grid.cell_area_ha < (1 - 1e-9) * grid.cell_m**2 / 10_000)
    shapely.prepare(field.boundary)
    cut = cut[~shapely.contains_xy(field.boundary, easting[cut], northing[cut])]
    half = grid.cell_m / 2
    boxes = shapely.box(easting[cut] - half, northing[cut] - half, easting[cut] + half, northing[cut] + half)
    inside = shapely.point_on_surface(shapely.intersection(boxes, field.boundary))
    there = ~shapely.is_empty(inside)
    easting[cut[there]], northing[cut[there]] = shapely.get_x(inside[there]), shapely.get_y(inside[there])
    return easting, northing


def axes(heading_deg: float) -> tuple[FloatArray, FloatArray]:
    """Unit vectors (easting, northing) along travel and to the right of it.

    >>> [axis.round(9).tolist() for axis in axes(90.0)]
    [[1.0, 0.0], [0.0, -1.0]]
    """
    turn = math.radians(heading_deg)
    return np.array([math.sin(turn), math.cos(turn)]), np.array([math.cos(turn), -math.sin(turn)])


def held(zone: IntArray) -> IntArray:
    """Zones read along lines, in the order of travel: beyond the field the last one read is held, at first the next.

    >>> held(np.array([[-1, 2, -1, 1]])).tolist()
    [[2, 2, 2, 1]]
    """
    known = zone != BEYOND
    last = np.maximum.accumulate(np.where(known, np.arange(zone.shape[1]), -1), axis=1)
    last = np.where(last < 0, known.argmax(axis=1)[:, None], last)
    filled = np.take_along_axis(zone, last, axis=1)
    return np.where(filled == BEYOND, 0, filled)
