"""Parallel passes, driven back and forth, and rounds along the outline before them.

Assumed: nothing is thrown ahead of or behind the spreader; it opens and closes at once where its line enters and leaves
what is to be spread (the middle of the swath decides), and the rate behind the closed gate goes on following the map,
the rate outside among it; the rounds lose nothing in corners.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.machine.ground import Ground, axes
from zonemap.machine.route import Route
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.spread_pattern import SpreadPattern

#: steps along a line to a cell: the zone is read so often, what the rate does within a step is exact
_STEPS_A_CELL = 4
#: a part of the field narrower than a swath is driven by itself from this share of a square swath on
_LEAST_NECK = 0.1


@dataclass(frozen=True, slots=True)
class _Crossings:
    """Where lines enter and leave an area, as places along the lines, by line and place.

    Attributes
    ----------
    line, along_m
        (crossings,) an even number for each line.
    """

    line: IntArray
    along_m: FloatArray

    def inside(self, line: IntArray, along_m: FloatArray, *, span_m: float) -> FloatArray:
        """1 where a place on a line lies in the area, 0 elsewhere; all places lie within 0 ... `span_m`."""
        passed = np.searchsorted(self.line * span_m + self.along_m, line * span_m + along_m, side="right")
        return np.asarray(passed % 2, dtype=np.float64)


def straight_passes(
    ground: Ground,
    area: MultiPolygon,
    *,
    heading_deg: float,
    swath_m: float,
    pattern: SpreadPattern,
    lead_m: float,
) -> Route:
    """Passes one swath apart over an area, every other one the other way.

    There are as many as cover the area; what they cover beyond it is shared by its two sides.

    Parameters
    ----------
    lead_m
        How far ahead of where the product falls the map is read.
    """
    travel, right = axes(heading_deg)
    cells = np.column_stack([ground.easting_m, ground.northing_m])
    along, across = cells @ travel, cells @ right
    side = ground.grid.cell_m
    first, span = float(along.min()) - side, float(along.max() - along.min()) + 2 * side
    step = side / _STEPS_A_CELL
    steps = math.ceil(span / step)
    span = steps * step
    middle = _lines(shapely.get_coordinates(area) @ right, swath_m)
    sense = np.where(np.arange(middle.size) % 2 == 0, 1.0, -1.0)

    reading = (np.arange(steps) + 0.5) * step + lead_m
    reading = first + np.where(sense[:, None] > 0, reading, span - reading)
    east, north = (reading * travel[axis] + middle[:, None] * right[axis] for axis in (0, 1))
    zone = ground.zone_at(east, north)

    crossings = _crossings(area, travel, right, middle, first)
    hits = _hits(along - first, across, middle, crossings, pattern=pattern, swath_m=swath_m, span_m=span)
    cell, line, weight = hits
    place = np.where(sense[line] > 0, along[cell] - first, span - (along[cell] - first)) / step
    near, far = crossings.along_m[::2], crossings.along_m[1::2]
    of = crossings.line[::2]
    forth = sense[of] > 0
    ends = [
        np.outer(first + end, travel) + np.outer(middle[of], right)
        for end in (np.where(forth, near, far), np.where(forth, far, near))
    ]
    return Route(
        step_m=np.full(middle.size, step),
        zone=zone,
        cell=cell,
        line=line,
        place=place,
        weight=weight,
        opened=np.where(forth, near, span - far) / step,
        closed=np.where(forth, far, span - near) / step,
        open_line=of,
        track=tuple(LineString(line) for line in np.stack(ends, axis=1)),
    )


def _lines(across_m: FloatArray, swath_m: float) -> FloatArray:
    """Distances across of as many lines as cover what reaches so far."""
    least, most = float(across_m.min()), float(across_m.max())
    count = max(math.ceil((most - least) / swath_m - 1e-6), 1)
    return np.asarray((least + most) / 2 + (np.arange(count) - (count - 1) / 2) * swath_m)


def _crossings(
    area: MultiPolygon, travel: FloatArray, right: FloatArray, middle: FloatArray, first_m: float
) -> _Crossings:
    """Where lines at distances across cross the rings of an area; a vertex on a line belongs to one of its sides."""
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.get_parts(area))]
    start, end = (np.concatenate([ring[part] for ring in rings]) for part in (slice(-1), slice(1, None)))
    start_across, end_across = start @ right, end @ right
    line, edge = np.nonzero((start_across <= middle[:, None]) != (end_across <= middle[:, None]))
    share = (middle[line] - start_across[edge]) / (end_across[edge] - start_across[edge])
    along = start[edge] @ travel + share * ((end[edge] - start[edge]) @ travel) - first_m
    order = np.lexsort((along, line))
    return _Crossings(line[order], along[order])


def _hits(
    along_m: FloatArray,
    across_m: FloatArray,
    middle: FloatArray,
    crossings: _Crossings,
    *,
    pattern: SpreadPattern,
    swath_m: float,
    span_m: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Cells, the lines that throw on them, and the share of the rate that they throw there."""
    nearest = np.floor((across_m - middle[0]) / swath_m + 0.5).astype(np.int64)
    reach = math.floor(pattern.reach_m / swath_m + 0.5)
    parts = []
    for beside in range(-reach, reach + 1):
        line = nearest + beside
        cell = np.flatnonzero((line >= 0) & (line < middle.size))
        line = line[cell]
        sense = np.where(line % 2 == 0, 1.0, -1.0)
        weight = swath_m * pattern.density((across_m[cell] - middle[line]) * sense)
        weight *= crossings.inside(line, along_m[cell], span_m=span_m)
        hit = weight > 0
        parts.append((cell[hit], line[hit], weight[hit]))
    cells, lines, weights = (np.concatenate(column) for column in zip(*parts, strict=True))
    return cells, lines, weights


@dataclass(frozen=True, slots=True)
class Headland:
    """What is driven along the outline, and what is left for the passes."""

    rounds: tuple[Route, ...]
    left: MultiPolygon


def headland(
    ground: Ground,
    boundary: MultiPolygon,
    *,
    rounds: int,
    swath_m: float,
    pattern: SpreadPattern,
    lead_m: float,
) -> Headland:
    """Rounds along all outlines, also those of holes, with the field to the right.

    A field too small for them has none. Parts too narrow for a round are left to the
    passes, whose lines decide how much of them is reached.
    """
    outline = boundary.simplify(ground.grid.cell_m / 4)
    left = _many(outline.buffer(-rounds * swath_m)) if rounds else MultiPolygon()
    if left.is_empty:
        return Headland((), boundary)
    driven = tuple(
        route
        for number in range(rounds)
        if (route := _round(ground, outline, (number + 0.5) * swath_m, swath_m=swath_m, pattern=pattern, lead_m=lead_m))
    )
    necks = outline.difference(outline.buffer(-swath_m / 2).buffer(0.75 * swath_m))
    wide_enough = [part for part in _many(necks).geoms if part.area > _LEAST_NECK * swath_m**2]
    return Headland(driven, _many(shapely.union_all([left, *wide_enough])))


def _many(area: BaseGeometry) -> MultiPolygon:
    """Polygons of a geometry, as one."""
    parts = [part for part in shapely.get_parts(area) if isinstance(part, Polygon) and not part.is_empty]
    return MultiPolygon(parts)


def _round(
    ground: Ground, outline: BaseGeometry, inset_m: float, *, swath_m: float, pattern: SpreadPattern, lead_m: float
) -> Route | None:
    """One round at a distance from the outline, one line a ring."""
    inner = shapely.orient_polygons(_many(outline.buffer(-inset_m)), exterior_cw=True)
    rings = [LineString(ring.coords) for ring in shapely.get_rings(shapely.get_parts(inner))]
    if not rings:
        return None
    length = shapely.length(rings)
    steps = max(math.ceil(length.max() / (ground.grid.cell_m / _STEPS_A_CELL)), 1)
    step_m = length / steps
    place = (np.arange(steps) + 0.5) * step_m[:, None] + lead_m
    where = shapely.line_interpolate_point(np.array(rings, dtype=object)[:, None], place % length[:, None])
    zone = ground.zone_at(shapely.get_x(where), shapely.get_y(where))
    cell, line, weight = _beside(ground, outline, rings, inset_m, swath_m=swath_m, pattern=pattern)
    points = shapely.points(ground.easting_m[cell], ground.northing_m[cell])
    along = shapely.line_locate_point(np.array(rings, dtype=object)[line], points)
    count = len(rings)
    return Route(
        step_m=step_m,
        zone=zone,
        cell=cell,
        line=line,
        place=along / step_m[line],
        weight=weight,
        opened=np.zeros(count),
        closed=np.full(count, float(steps)),
        open_line=np.arange(count),
        track=tuple(rings),
    )


def _beside(
    ground: Ground,
    outline: BaseGeometry,
    rings: list[LineString],
    inset_m: float,
    *,
    swath_m: float,
    pattern: SpreadPattern,
) -> tuple[IntArray, IntArray, FloatArray]:
    """Cells on which a round throws, the ring that is nearest, and the share of the rate that it throws there."""
    points = np.asarray(shapely.points(ground.easting_m, ground.northing_m), dtype=object)
    deep = outline.buffer(-inset_m - pattern.reach_m)
    shapely.prepare(deep)
    cell = np.flatnonzero(~shapely.contains_xy(deep, ground.easting_m, ground.northing_m))
    edge = outline.boundary
    depth = shapely.distance(points[cell], edge)
    shapely.prepare(outline)
    depth = np.where(shapely.intersects(outline, points[cell]), depth, -depth)
    weight = swath_m * pattern.density(depth - inset_m)
    cell, weight = cell[weight > 0], weight[weight > 0]
    tree = shapely.STRtree(rings)
    line = np.asarray(tree.nearest(points[cell]), dtype=np.int64)
    # where the field is too narrow for this round the nearest ring may be far off
    away = shapely.distance(points[cell], np.array(rings, dtype=object)[line])
    near = away <= math.sqrt(2) * pattern.reach_m + ground.grid.cell_m
    return cell[near], line[near], weight[near]
