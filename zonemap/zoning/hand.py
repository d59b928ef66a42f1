"""Zones by hand: cells of drawn zones, and zones merged, split and moved."""

from __future__ import annotations

import numpy as np
import shapely

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.hand import DrawnZones, MergeZones, MoveCells, SplitZone, ZoneEdit
from zonemap.values.zones import Zones
from zonemap.zoning.cells import area_of_cells


def cells_of_drawn(drawn: DrawnZones, grid: Grid) -> tuple[Zones, tuple[str, ...], float]:
    """Zones of the cells by where their centres lie; a cell in none takes the nearest, in several the first.

    Returns
    -------
    Zones, tuple of str, float
        Zones, what the file calls each of them (those without a cell are left out), and the share of the field's area
        that lay in none.

    Raises
    ------
    InputError
        When no cell lies in any.
    """
    first, missed = area_of_cells(drawn.area, grid)
    if missed.size == grid.cells:
        raise InputError("field.toml, zones", "no drawn zone lies in the field", "Check the file and its crs.")
    share = float(grid.cell_area_ha[missed].sum() / grid.cell_area_ha.sum())
    return Zones.closed_up(first), tuple(drawn.label[zone] for zone in np.unique(first)), share


def edited(zones: Zones, grid: Grid, edit: ZoneEdit, *, where: str) -> Zones:
    """Apply one change; numbers close up where a zone vanishes.

    Raises
    ------
    InputError
        When it names a zone that is not there, or changes nothing.
    """
    if isinstance(edit, MergeZones):
        number = _merged(zones, edit, where=where)
    elif isinstance(edit, SplitZone):
        number = _split(zones, grid, edit, where=where)
    else:
        number = _moved(zones, grid, edit, where=where)
    return Zones.closed_up(number)


def _merged(zones: Zones, edit: MergeZones, *, where: str) -> IntArray:
    for number in edit.zones:
        _refuse_unknown(zones, number, where=f"{where}, merge")
    return np.where(np.isin(zones.number, edit.zones), min(edit.zones), zones.number)


def _split(zones: Zones, grid: Grid, edit: SplitZone, *, where: str) -> IntArray:
    _refuse_unknown(zones, edit.zone, where=f"{where}, split")
    mine = np.flatnonzero(zones.number == edit.zone)
    easting, northing = (axis[mine] for axis in grid.centres())
    right = _right_of(np.asarray(edit.line.coords), np.column_stack([easting, northing]))
    if right.all() or not right.any():
        what = f"the line leaves zone {edit.zone} on one side"
        raise InputError(f"{where}, line", what, "Draw it through the zone.")
    number = np.array(zones.number)
    number[mine[right]] = zones.count + 1
    return number


def _right_of(line: FloatArray, places: FloatArray) -> FloatArray:
    """Whether places lie to the right of a line, its first and last stretch going on for ever."""
    start, end = line[:-1], line[1:]
    along = end - start
    length = np.square(along).sum(axis=1)
    from_start = places[:, None] - start
    part = (from_start * along).sum(axis=2) / length
    least, most = np.zeros(len(start)), np.ones(len(start))
    least[0], most[-1] = -np.inf, np.inf
    off = from_start - np.clip(part, least, most)[..., None] * along
    nearest = np.square(off).sum(axis=2).argmin(axis=1)
    way, place = along[nearest], from_start[np.arange(len(places)), nearest]
    return np.asarray(way[:, 0] * place[:, 1] - way[:, 1] * place[:, 0] < 0)


def _moved(zones: Zones, grid: Grid, edit: MoveCells, *, where: str) -> IntArray:
    _refuse_unknown(zones, edit.to, where=f"{where}, move_to", new=True)
    easting, northing = grid.centres()
    shapely.prepare(edit.area)
    inside = shapely.intersects_xy(edit.area, easting, northing)
    if not inside.any():
        raise InputError(where, "no cell lies in the area", "Check its coordinates.")
    return np.where(inside, edit.to, zones.number)


def _refuse_unknown(zones: Zones, number: int, *, where: str, new: bool = False) -> None:
    most = zones.count + new
    if not 1 <= number <= most:
        raise InputError(where, f"there is no zone {number}", f"Name one from 1 to {most}.")
