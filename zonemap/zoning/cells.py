"""Square cells over a field, with the exact area of the field in each."""

from __future__ import annotations

import math

import numpy as np
import shapely

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray
from zonemap.values.field import Field
from zonemap.values.grid import Grid

#: cell sides offered when the user names none, m
_SIDES_M = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0)


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
        When there would be more than `most` cells, or no cell's worth of field.
    """
    area_m2 = field.boundary.area
    side = cell_m if cell_m is not None else _round_side(math.sqrt(area_m2 / about))
    west, south, east, north = field.boundary.bounds
    first_column, last_column = math.floor(west / side), math.ceil(east / side)
    first_row, last_row = math.floor(south / side), math.ceil(north / side)
    rows, columns = last_row - first_row, last_column - first_column
    if rows * columns > most:
        mend = f"Set cell_m to {_round_side(side * math.sqrt(rows * columns / most), up=True):g} or more."
        raise InputError(
            f"field '{field.name}'", f"{rows * columns:,} cells of {side:g} m are more than {most:,}", mend
        )
    areas = _areas_m2(field, west_m=first_column * side, north_m=last_row * side, side=side, shape=(rows, columns))
    return Grid(field.crs, first_column * side, last_row * side, side, areas)


def _round_side(side: float, *, up: bool = False) -> float:
    """Return the listed side nearest in ratio, or the next one up."""
    if up:
        return next((s for s in _SIDES_M if s >= side), math.ceil(side / 100) * 100.0)
    return min(_SIDES_M, key=lambda s: abs(math.log(s / side)))


def _areas_m2(field: Field, *, west_m: float, north_m: float, side: float, shape: tuple[int, int]) -> FloatArray:
    """Area of the field in every cell: cells wholly inside are told by the prepared geometry, the rest are cut."""
    rows, columns = shape
    west = west_m + np.arange(columns) * side
    south = north_m - (np.arange(rows) + 1) * side
    box_west, box_south = np.meshgrid(west, south)
    boxes = shapely.box(box_west.ravel(), box_south.ravel(), box_west.ravel() + side, box_south.ravel() + side)
    tree = shapely.STRtree(boxes)
    area = np.zeros(rows * columns)
    area[tree.query(field.boundary, predicate="contains_properly")] = side**2
    touched = np.unique(tree.query(field.boundary, predicate="intersects"))
    edge = touched[area[touched] == 0]
    area[edge] = shapely.area(shapely.intersection(boxes[edge], field.boundary))
    return area.reshape(shape)
