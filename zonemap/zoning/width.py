"""Zones wide enough for the machine: for its swath across, and along for the time the rate takes to change."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

import numpy as np

from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.zones import Features, Zones

#: a pass gives narrow cells away, which may leave others narrow; after so many what is left is let be
_MOST_PASSES = 12


def widen(
    zones: Zones, grid: Grid, features: Features, *, across_m: float, along_m: float, heading_deg: float
) -> Zones:
    """Give cells of zones too narrow for a rectangle of the machine to the zone near by that is most like them.

    A zone keeps the cells that some rectangle, lying wholly in the zone or beyond the field, covers (an opening in the
    sense of mathematical morphology). A zone that no rectangle fits into vanishes.

    Parameters
    ----------
    features
        What cells are alike in: most alike is the zone whose mean features are nearest to the cell's.
    across_m, along_m
        Sides of the rectangle across and along the line of travel; below a cell they ask for nothing.
    heading_deg
        Direction of travel, clockwise from north.

    References
    ----------
    Serra 1982, Image Analysis and Mathematical Morphology, Academic Press, ch. II (openings; from memory).
    """
    steps = list(_rectangle(across_m / grid.cell_m, along_m / grid.cell_m, heading_deg))
    if not steps or zones.count == 1:
        return zones
    reach = 2 + sum(max(abs(row), abs(column)) for row, column in steps)
    raster = np.pad(grid.raster(zones.number, outside=0), reach)
    unlike = _unlike(zones, grid, features)
    outside, fewest, best = raster == 0, math.inf, raster
    alike = partial(_most_alike, steps=steps, unlike=unlike, grid=grid)
    for done in range(_MOST_PASSES):
        core = _cores(raster, steps)
        narrow = ~outside & (core == 0)
        count = int(np.count_nonzero(narrow))
        if count < fewest:
            fewest, best = count, raster
        if count == 0 or not core.any():
            break
        # what is most alike may stay narrow: from half way on what is nearest
        for give in (alike, _to_nearest, _given_away)[2 * done // _MOST_PASSES :]:
            moved = give(raster, core, narrow)
            if not np.array_equal(moved, raster):
                break
        raster = moved
    inner = best[reach:-reach, reach:-reach]
    return Zones.closed_up(inner[grid.inside])


def _cores(raster: IntArray, steps: list[tuple[int, int]]) -> IntArray:
    """Zone number where a rectangle covers the cell within its zone or beyond the field, 0 elsewhere."""
    core, outside = np.zeros_like(raster), raster == 0
    for number in _numbers(raster):
        mine = raster == number
        core[mine & _opened(mine | outside, steps)] = number
    return core


def _numbers(raster: IntArray) -> IntArray:
    """Zone numbers that occur, rising."""
    count = np.bincount(raster.ravel())
    return 1 + np.flatnonzero(count[1:])


def _unlike(zones: Zones, grid: Grid, features: Features) -> FloatArray:
    """(zones, cells) squared distance of every cell's features from the mean features of every zone."""
    index, area = zones.number - 1, grid.cell_area_ha
    of_zone = np.bincount(index, weights=area)
    unlike = np.zeros((zones.count, index.size))
    for column in features.value.T:
        mean = np.bincount(index, weights=area * column) / of_zone
        unlike += np.square(column - mean[:, None])
    return unlike


def _most_alike(
    raster: IntArray,
    core: IntArray,
    narrow: BoolArray,
    *,
    steps: list[tuple[int, int]],
    unlike: FloatArray,
    grid: Grid,
) -> IntArray:
    """Narrow cells in the zone most like them of those with a core within a rectangle; in the nearest's if none has."""
    margin = (raster.shape[0] - grid.shape[0]) // 2
    row, column = np.nonzero(narrow)
    cell = grid.raster(np.arange(grid.cells), outside=0)[row - margin, column - margin]
    least = np.full(row.size, np.inf)
    zone = np.zeros(row.size, dtype=raster.dtype)
    for number in _numbers(core):
        near = core == number
        for down, right in steps:
            near = near | _shifted(near, down, right) | _shifted(near, -down, -right)
        cost = np.where(near[row, column], unlike[number - 1, cell], np.inf)
        zone = np.where(cost < least, number, zone)
        least = np.minimum(least, cost)
    lonely = np.isinf(least)
    if lonely.any():
        zone[lonely] = _nearest(core)[row[lonely], column[lonely]]
    moved = raster.copy()
    moved[row, column] = zone
    return moved


def _to_nearest(raster: IntArray, core: IntArray, narrow: BoolArray) -> IntArray:
    """Narrow cells in the zone of the nearest core."""
    return np.where(narrow, _nearest(core), raster)


def _given_away(raster: IntArray, core: IntArray, narrow: BoolArray) -> IntArray:
    """Narrow cells in the zone of the nearest core of another zone; where there is none, of their own."""
    given = raster.copy()
    for number in np.unique(raster[narrow]):
        others = np.where(core == number, 0, core)
        if others.any():
            given = np.where(narrow & (raster == number), _nearest(others), given)
    return given


def _nearest(core: IntArray) -> IntArray:
    from scipy.ndimage import distance_transform_edt

    place = distance_transform_edt(core == 0, return_distances=False, return_indices=True)
    return np.asarray(core[tuple(place)])


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
    """Mask moved down and right; what comes in is False: the margin is wide enough that it does not matter."""
    moved = np.zeros_like(mask)
    moved[_to(rows), _to(columns)] = mask[_to(-rows), _to(-columns)]
    return moved


def _to(shift: int) -> slice:
    """Places that something is moved to by a shift; the opposite shift gives those it comes from."""
    return slice(shift, None) if shift >= 0 else slice(None, shift)


def narrow_cells(zones: Zones, grid: Grid, *, across_m: float, along_m: float, heading_deg: float) -> IntArray:
    """Numbers of the cells that no rectangle of the machine covers within their zone or beyond the field."""
    steps = list(_rectangle(across_m / grid.cell_m, along_m / grid.cell_m, heading_deg))
    if not steps:
        return np.empty(0, dtype=np.int64)
    reach = 2 + sum(max(abs(row), abs(column)) for row, column in steps)
    raster = np.pad(grid.raster(zones.number, outside=0), reach)
    core = _cores(raster, steps)
    return np.flatnonzero(core[reach:-reach, reach:-reach][grid.inside] == 0)
