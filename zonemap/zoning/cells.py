"""Square cells over a field, with the exact area of the field in each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.field import Field
from zonemap.values.grid import Grid

#: an array of shapely polygons
Boxes: TypeAlias = npt.NDArray[np.object_]

#: cell sides offered when the user names none, m
_SIDES_M = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0)
#: cells along a block: whole blocks inside or outside the field need no geometry of their own
_BLOCK = 16


def square_cells(field: Field, *, cell_m: float | None = None, about: int = 25_000, most: int = 4_000_000) -> Grid:
    """Lay square cells over a field, corners on whole multiples of the side.

    Parameters
    ----------
    cell_m
        Side of a cell, m; ``None`` takes the round side that gives nearest to `about` cells.
    about
        How many cells to aim for when `cell_m` is not given.
    most
        Refuse above this many cells in the field's bounding box.

    Raises
    ------
    InputError
        When the side is not a positive number, or there would be more than `most` cells.
    """
    side = _round_side(math.sqrt(field.boundary.area / about)) if cell_m is None else cell_m
    where = f"field '{field.name}'"
    if not (math.isfinite(side) and side > 0):
        raise InputError(where, f"a cell cannot be {side:g} m wide", "Set cell_m to a positive number of metres.")
    west, south, east, north = field.boundary.bounds
    first_column, last_column = math.floor(west / side), math.ceil(east / side)
    first_row, last_row = math.floor(south / side), math.ceil(north / side)
    rows, columns = last_row - first_row, last_column - first_column
    if rows * columns > most:
        mend = f"Set cell_m to {_round_side(side * math.sqrt(rows * columns / most), up=True):g} or more."
        raise InputError(where, f"{rows * columns:,} cells of {side:g} m are more than {most:,}", mend)
    areas = _areas_m2(field, west_m=first_column * side, north_m=last_row * side, side=side, shape=(rows, columns))
    return Grid(field.crs, first_column * side, last_row * side, side, areas)


def _round_side(side: float, *, up: bool = False) -> float:
    """Return the listed side nearest in ratio, or the next one up."""
    if up:
        return next((s for s in _SIDES_M if s >= side), math.ceil(side / 100) * 100.0)
    return min(_SIDES_M, key=lambda s: abs(math.log(s / side)))


def _areas_m2(field: Field, *, west_m: float, north_m: float, side: float, shape: tuple[int, int]) -> FloatArray:
    """Area of the field in every cell: blocks and cells wholly inside count in full, cells on the edge are cut."""
    block_rows, block_columns = (-(-n // _BLOCK) for n in shape)
    row, column = (index.ravel() * _BLOCK for index in np.indices((block_rows, block_columns)))
    inside, edge = _inside_and_edge(field, _boxes(row, column, west_m, north_m, side, cells=_BLOCK))
    of_block = np.zeros(block_rows * block_columns)
    of_block[inside] = side**2
    area = of_block.reshape(block_rows, block_columns).repeat(_BLOCK, axis=0).repeat(_BLOCK, axis=1)
    within_row, within_column = (index.ravel() for index in np.indices((_BLOCK, _BLOCK)))
    row = np.add.outer(row[edge], within_row).ravel()
    column = np.add.outer(column[edge], within_column).ravel()
    boxes = _boxes(row, column, west_m, north_m, side)
    inside, edge = _inside_and_edge(field, boxes)
    area[row[inside], column[inside]] = side**2
    area[row[edge], column[edge]] = shapely.area(shapely.intersection(boxes[edge], field.boundary))
    return area[: shape[0], : shape[1]]


def _inside_and_edge(field: Field, boxes: Boxes) -> tuple[IntArray, IntArray]:
    """Positions of the boxes wholly inside the field, and of those its edge may cross."""
    tree = shapely.STRtree(boxes)
    inside = np.sort(tree.query(field.boundary, predicate="contains_properly"))
    touched = np.sort(tree.query(field.boundary, predicate="intersects"))
    return inside, np.setdiff1d(touched, inside, assume_unique=True)


def _boxes(row: IntArray, column: IntArray, west_m: float, north_m: float, side: float, *, cells: int = 1) -> Boxes:
    """Return squares of `cells` by `cells` whose north-west cell is given."""
    west, north = west_m + column * side, north_m - row * side
    return shapely.box(west, north_m - (row + cells) * side, west_m + (column + cells) * side, north)


def area_of_cells(areas: Sequence[BaseGeometry] | Boxes, grid: Grid) -> tuple[IntArray, IntArray]:
    """Find the area in which each cell's centre lies, the first of several, the nearest where it lies in none.

    Returns
    -------
    IntArray, IntArray
        Cell vector of positions in `areas`, and the numbers of the cells whose centre lies in none.
    """
    easting_m, northing_m = grid.centres()
    position = np.full(grid.cells, len(areas), dtype=np.int64)
    number = grid.raster(np.arange(grid.cells), outside=-1)
    for area, inner in reversed(list(enumerate(areas))):
        near = number[_around(inner, grid)]
        near = near[near >= 0]
        shapely.prepare(inner)
        position[near[shapely.intersects_xy(inner, easting_m[near], northing_m[near])]] = area
    missed = np.flatnonzero(position == len(areas))
    if missed.size:
        position[missed] = shapely.STRtree(list(areas)).nearest(shapely.points(easting_m[missed], northing_m[missed]))
    return position, missed


def _around(area: BaseGeometry, grid: Grid) -> tuple[slice, slice]:
    """Rows and columns of the cells whose centres may lie in an area."""
    if area.is_empty:
        return slice(0), slice(0)
    west, south, east, north = area.bounds
    first_row, first_column = (grid.north_m - north) / grid.cell_m, (west - grid.west_m) / grid.cell_m
    last_row, last_column = (grid.north_m - south) / grid.cell_m, (east - grid.west_m) / grid.cell_m
    return (
        slice(max(math.floor(first_row) - 1, 0), max(math.ceil(last_row) + 1, 0)),
        slice(max(math.floor(first_column) - 1, 0), max(math.ceil(last_column) + 1, 0)),
    )
