"""Zones wide enough for the machine: for its swath across, and along for the time the rate takes to change."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from zonemap.values.arrays import BoolArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.zones import Zones

#: a pass gives narrow cells away, which may leave others narrow; after so many what is left is let be
_MOST_PASSES = 6


def widen(zones: Zones, grid: Grid, *, across_m: float, along_m: float, heading_deg: float) -> Zones:
    """Give cells of zones too narrow for a rectangle of the machine to the nearest zone that is wide enough.

    A zone keeps the cells that some rectangle, lying wholly in the zone or beyond the field, covers (an opening in the
    sense of mathematical morphology). A zone that no rectangle fits into vanishes.

    Parameters
    ----------
    across_m, along_m
        Sides of the rectangle across and along the line of travel; below a cell they ask for nothing.
    heading_deg
        Direction of travel, clockwise from north.

    References
    ----------
    Serra 1982, Image Analysis and Mathematical Morphology, Academic Press, ch. II (openings; from memory).
    """
    from scipy.ndimage import distance_transform_edt

    steps = list(_rectangle(across_m / grid.cell_m, along_m / grid.cell_m, heading_deg))
    if not steps or zones.count == 1:
        return zones
    reach = 2 + sum(max(abs(row), abs(column)) for row, column in steps)
    raster = np.pad(grid.raster(zones.number, outside=0), reach)
    outside = raster == 0
    for _ in range(_MOST_PASSES):
        core = np.zeros_like(raster)
        for number in np.unique(raster[~outside]):
            mine = raster == number
            core[mine & _opened(mine | outside, steps)] = number
        narrow = ~outside & (core == 0)
        if not core.any() or not narrow.any():
            break
        nearest = distance_transform_edt(core == 0, return_distances=False, return_indices=True)
        raster = np.where(narrow, core[tuple(nearest)], raster)
    inner = raster[reach:-reach, reach:-reach]
    return Zones(np.unique(inner[grid.inside], return_inverse=True)[1].reshape(-1) + 1)


def _rectangle(across: float, along: float, heading_deg: float) -> Iterator[tuple[int, int]]:
    """Shifts (rows, columns) whose two-point sets add up to a rectangle of cells.

    A line of n cells is the sum of the sets {0, s} for shifts s of 1, 2, 4 ... steps.
    """
    turn = math.radians(heading_deg)
    travel = (-math.cos(turn), math.sin(turn))
    sideways = (math.sin(turn), math.cos(turn))
    slanted = False
    for length, (down, right) in ((along, travel), (across, sideways)):
        left = max(math.ceil(length - 1e-9) - 1, 0)
        slanted |= left > 0 and min(abs(down), abs(right)) > 1e-9
        step = 1
        while left > 0:
            taken = min(step, left)
            yield round(taken * down), round(taken * right)
            left, step = left - taken, 2 * step
    if slanted:
        # two slanted lines of cells leave every other cell of their sum out
        yield 0, 1


def _opened(mask: BoolArray, steps: list[tuple[int, int]]) -> BoolArray:
    """Cells that the sum of the two-point sets covers somewhere inside the mask."""
    eroded = mask
    for row, column in steps:
        eroded = eroded & _shifted(eroded, -row, -column)
    opened = eroded
    for row, column in steps:
        opened = opened | _shifted(opened, row, column)
    return opened


def _shifted(mask: BoolArray, rows: int, columns: int) -> BoolArray:
    """Mask moved down and right, around the edges: the margin is wide enough that nothing comes back in."""
    return np.roll(mask, (rows, columns), axis=(0, 1))


def narrow_cells(zones: Zones, grid: Grid, *, across_m: float, along_m: float, heading_deg: float) -> IntArray:
    """Numbers of the cells that no rectangle of the machine covers within their zone or beyond the field."""
    steps = list(_rectangle(across_m / grid.cell_m, along_m / grid.cell_m, heading_deg))
    if not steps:
        return np.empty(0, dtype=np.int64)
    reach = 2 + sum(max(abs(row), abs(column)) for row, column in steps)
    raster = np.pad(grid.raster(zones.number, outside=0), reach)
    covered = np.zeros(raster.shape, dtype=bool)
    for number in range(1, zones.count + 1):
        mine = raster == number
        covered |= mine & _opened(mine | (raster == 0), steps)
    return np.flatnonzero(~covered[reach:-reach, reach:-reach][grid.inside])
