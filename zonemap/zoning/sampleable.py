"""Cells in which a sample may be taken: in the field, out of no-spread areas, off the edge where there is room."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.values.arrays import BoolArray, FloatArray, IntArray, frozen_bools
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.zoning.cells import square_cells

#: cells that a field is covered by: finer ones move a place by less than a hundredth of the spacing of 60
_ABOUT = 5_000
#: cells in the box around a field, far parts of which make it large
_MOST_IN_BOX = 1_500_000
#: a cell on the edge may be taken where no better one is within so many cells
_REACH = 3


@dataclass(frozen=True, slots=True)
class Sampleable:
    """Cells over what of a field may be sampled.

    Attributes
    ----------
    grid
        Its areas are those of the field less its no-spread areas.
    whole
        Cell vector: whether a cell lies in that area altogether.
    allowed
        Cell vector: whether a sample may be taken at its centre.
    """

    grid: Grid
    whole: BoolArray
    allowed: BoolArray

    def __post_init__(self) -> None:
        for name in ("whole", "allowed"):
            object.__setattr__(self, name, frozen_bools(getattr(self, name), shape=(self.grid.cells,)))

    @property
    def centres(self) -> FloatArray:
        """(cells, 2) easting and northing of every cell's centre, m."""
        return np.column_stack(self.grid.centres())

    def cell_at(self, places: FloatArray) -> IntArray:
        """(n,) numbers of the cells that hold (n, 2) places; -1 where none does."""
        number = self.grid.raster(np.arange(self.grid.cells), outside=-1)
        column = np.floor((places[:, 0] - self.grid.west_m) / self.grid.cell_m).astype(np.int64)
        row = np.floor((self.grid.north_m - places[:, 1]) / self.grid.cell_m).astype(np.int64)
        rows, columns = self.grid.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        return np.where(inside, number[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)], -1)


def sampleable_cells(field: Field, *, cell_m: float | None = None) -> Sampleable:
    """Lay cells over a field and say which may be sampled.

    A cell is taken when it and its neighbours lie wholly inside; where no such cell is within three cells, one that
    itself lies inside; where there is none of those either, one whose centre does.

    Parameters
    ----------
    cell_m
        Side of a cell, m; ``None`` makes about 5,000.

    Raises
    ------
    InputError
        When nothing of the field may be sampled.
    """
    from scipy.ndimage import binary_dilation, binary_erosion

    free = free_area(field)
    grid = square_cells(replace(field, boundary=free), cell_m=cell_m, about=_about(free))
    eight = np.ones((3, 3), dtype=bool)
    whole = grid.field_area_m2 >= grid.cell_m**2 * (1 - 1e-9)
    inner = binary_erosion(whole, eight)
    shapely.prepare(free)
    centred = grid.raster(shapely.contains_xy(free, *grid.centres()).astype(np.uint8), outside=0) > 0
    taken = inner
    for next_best in (whole, centred):
        taken = taken | (next_best & ~binary_dilation(taken, eight, iterations=_REACH))
    allowed = taken[grid.inside]
    if not allowed.any():
        what = f"no cell of {grid.cell_m:g} m has its centre in what may be sampled"
        raise InputError(f"field '{field.name}'", what, "Check the boundary and the no-spread areas.")
    return Sampleable(grid, whole[grid.inside], allowed)


def free_area(field: Field) -> MultiPolygon:
    """The field less its no-spread areas.

    Raises
    ------
    InputError
        When nothing is left.
    """
    closed = shapely.union_all([place.area for place in field.no_spread])
    free = _polygons(field.boundary.difference(closed)) if field.no_spread else field.boundary
    if free.area <= 0:
        what = "nothing of it is left beside the no-spread areas"
        raise InputError(f"field '{field.name}'", what, "Make the no-spread areas smaller, or correct the boundary.")
    return free


def _polygons(geometry: BaseGeometry) -> MultiPolygon:
    """Polygons of a geometry, lines and points dropped."""
    return MultiPolygon([part for part in shapely.get_parts(geometry) if isinstance(part, Polygon) and part.area > 0])


def _about(free: MultiPolygon) -> int:
    """How many cells to aim for: fewer where parts far apart would make too large a raster."""
    west, south, east, north = free.bounds
    box = max((east - west) * (north - south), free.area)
    return max(min(_ABOUT, math.floor(_MOST_IN_BOX * free.area / box)), 1)
