"""Outlines of zones: smooth edges that cover the field without gap or overlap."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.errors import InputError
from zonemap.values.arrays import IntArray
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.zones import Outlines, Zones
from zonemap.zoning.arrangement import (
    Geometries,
    absorb,
    connected,
    faces_between,
    in_order,
    is_coverage,
    mean_width,
    position_in,
)
from zonemap.zoning.cells import area_of_cells

#: Simplification of zone edges, in cells: corners that cut off a triangle of less than the square of it go (Visvalingam
#: & Whyatt 1993, Line generalisation by repeated elimination of points, Cartographic Journal 30:46-51). At 1.5 cells a
#: staircase loses three quarters of its corners, and 0.17-0.19 of a cell changes hands per cell of edge, evenly: zones
#: of simulated smooth fields (40,000 cells, 2 to 6 zones) kept their area within 0.5 % (measured).
_TOLERANCE_CELLS = 1.5
#: faces below this share of a cell go to a neighbour
_SLIVER_CELLS = 1e-3
#: Grids to which vertices are rounded: far below any survey, far above the last digit of a northing. The second is
#: coarser, so that areas clipped to the boundary as it was read meet the boundary as it was rounded.
_SNAPS_M, _SNAP_PARTS_M = (1e-7, 1e-6, 1e-5, 1e-4), 1e-6


def outline_zones(zones: Zones, grid: Grid, field: Field, *, smooth: bool = True, most_moved: float = 0.05) -> Outlines:
    """Outlines of all zones, cut to the field: a valid coverage of it, edges and vertices shared exactly.

    Parameters
    ----------
    smooth
        Round off the staircase of the cells between zones. The field's own boundary is never simplified.
    most_moved
        Largest share of the field's area that smoothing may move between zones; beyond it, or where a smooth edge
        would make a zone vanish, the edges of the cells are kept.

    Returns
    -------
    Outlines
        Every zone has an outline. Vertices are rounded to 1e-7 m, where that tangles to at most 1e-4 m.

    Raises
    ------
    InputError
        When a zone holds so little of the field that it has no outline, or the field's boundary is not valid.
    """
    if zones.count == 1:
        # nothing to draw: a field of one zone is its own outline
        return Outlines((1,), (field.boundary,))
    piece, number = _cell_pieces(zones, grid)
    if smooth:
        smoothed = shapely.coverage_simplify(piece, _TOLERANCE_CELLS, simplify_boundary=False)
        areas = _cut_to_field(_in_metres(smoothed, grid), number, zones.count, grid, field)
        cells = _in_metres(piece, grid)
        if areas is not None and _moved_share(areas, cells, number, field) <= most_moved:
            return _outlines(areas)
    areas = _cut_to_field(_in_metres(piece, grid), number, zones.count, grid, field)
    if areas is None:
        mend = "Merge small zones (minimum_area_ha), or repair the boundary where it crosses or touches itself."
        raise InputError(f"field '{field.name}'", "the zones cannot be outlined without gaps", mend)
    return _outlines(areas)


def zones_as_drawn(outlines: Outlines, grid: Grid) -> Zones:
    """Zone in whose outline each cell's centre lies, or to which it is nearest."""
    part, of_part = shapely.get_parts(np.array(outlines.area, dtype=object), return_index=True)
    position, _ = area_of_cells(part, grid)
    return Zones.closed_up(np.array(outlines.zone)[of_part[position]])


def moved_share(outlines: Outlines, zones: Zones, grid: Grid, field: Field) -> float:
    """Share of the field's area that lies in another outline than its cell's zone."""
    piece, number = _cell_pieces(zones, grid)
    return _moved_share(np.array(outlines.area, dtype=object), _in_metres(piece, grid), number, field)


def single_parts(
    outlines: Outlines, areas: Sequence[MultiPolygon], *, sliver_m: float = 0.03
) -> tuple[tuple[Polygon, ...], IntArray]:
    """Split outlines into single polygons, areas where nothing may be spread cut out as zone 0.

    Parameters
    ----------
    areas
        No-spread areas; they may overlap one another and reach beyond the field.
    sliver_m
        Pieces narrower than this go to the neighbour with the longest common edge: they would not survive coordinates
        in degrees with seven decimals.

    Returns
    -------
    polygons
        A valid coverage of the field, sorted by zone, then from north to south, then from west to east.
    zone
        (polygons,) zone number; 0 where nothing may be spread. A zone that lies wholly in no-spread areas has none.

    Raises
    ------
    InputError
        When no valid coverage comes out, because an area is not a valid polygon.
    """
    zone_part, of_part = shapely.get_parts(np.array(outlines.area, dtype=object), return_index=True)
    closed = shapely.get_parts(np.array(list(areas), dtype=object))
    faces = faces_between(zone_part, closed, snap_m=_SNAP_PARTS_M)
    position = position_in(faces, zone_part, snap_m=_SNAP_PARTS_M)
    faces, position = faces[position >= 0], position[position >= 0]
    label = np.where(
        position_in(faces, closed, snap_m=_SNAP_PARTS_M) >= 0, 0, np.array(outlines.zone)[of_part[position]]
    )
    part, label = connected(faces, label)
    polygon, zone = connected(part, absorb(part, label, mean_width(part) < sliver_m))
    polygon = shapely.normalize(polygon)
    rounding_m2 = _SNAP_PARTS_M * float(shapely.length(zone_part).sum())
    if not is_coverage(polygon, area_m2=float(shapely.area(zone_part).sum()), within_m2=rounding_m2):
        mend = "Repair the polygons where they cross or touch themselves."
        raise InputError("no_spread", "the areas cannot be cut out of the zones without gaps", mend)
    order = in_order(polygon, zone)
    return tuple(polygon[order]), zone[order]


def _outlines(areas: Geometries) -> Outlines:
    return Outlines(tuple(range(1, len(areas) + 1)), tuple(areas))


def _cell_pieces(zones: Zones, grid: Grid) -> tuple[Geometries, IntArray]:
    """Polygons around side-connected cells of one zone, in cells (column, row) from the grid's corner, and their zone.

    Cells outside the field take the zone of the nearest cell, with one more cell all around: edges between zones then
    run on beyond the field and never end a hair short of its boundary. Vertices lie at every cell corner, so that
    neighbours share them.
    """
    from rasterio.features import shapes
    from scipy.ndimage import distance_transform_edt

    raster = np.pad(grid.raster(zones.number, outside=0), 1)
    nearest = distance_transform_edt(raster == 0, return_distances=False, return_indices=True)
    filled = raster[tuple(nearest)].astype(np.int32)
    found = list(shapes(filled, connectivity=4))
    piece = np.array([shapely.geometry.shape(outline) for outline, _ in found], dtype=object)
    # Interpolated corners miss the whole number in the last digit; rounded, they are exact.
    corners = shapely.transform(shapely.segmentize(piece, 1.0), np.rint)
    return shapely.transform(corners, lambda corner: corner - 1), np.array([zone for _, zone in found], dtype=np.int64)


def _in_metres(piece: Geometries, grid: Grid) -> Geometries:
    """Return polygons in cells as polygons in the working CRS."""
    corner, step = np.array([grid.west_m, grid.north_m]), np.array([grid.cell_m, -grid.cell_m])
    return np.asarray(shapely.transform(piece, lambda cells: corner + cells * step))


def _cut_to_field(piece: Geometries, number: IntArray, count: int, grid: Grid, field: Field) -> Geometries | None:
    """(count,) zones within the field; ``None`` when one has no area or they are not a valid coverage.

    Where a vertex lies within a rounding of a cell's edge the finest grid can tangle the faces: then a coarser one is
    tried.
    """
    tried = (_cut_on_grid(piece, number, count, grid, field, snap_m=snap_m) for snap_m in _SNAPS_M)
    return next((areas for areas in tried if areas is not None), None)


def _cut_on_grid(
    piece: Geometries, number: IntArray, count: int, grid: Grid, field: Field, *, snap_m: float
) -> Geometries | None:
    boundary = np.array([field.boundary], dtype=object)
    faces = faces_between(piece, boundary, snap_m=snap_m)
    faces = faces[position_in(faces, boundary, snap_m=snap_m) >= 0]
    label = number[position_in(faces, piece, snap_m=snap_m)]
    if len(np.unique(label)) < count:
        return None
    part, label = connected(faces, label)
    label = absorb(part, label, shapely.area(part) < _SLIVER_CELLS * grid.cell_m**2)
    areas = _by_zone(*connected(part, label))
    area_m2 = field.boundary.area
    return areas if is_coverage(areas, area_m2=area_m2, within_m2=1e-6 * area_m2) else None


def _by_zone(part: Geometries, zone: IntArray) -> Geometries:
    """(count,) one multipolygon a zone from single polygons sorted by zone."""
    return np.asarray(shapely.multipolygons(part, indices=zone - 1))


def _moved_share(areas: Geometries, piece: Geometries, number: IntArray, field: Field) -> float:
    cells = _by_zone(*connected(piece, number))
    kept = shapely.area(shapely.intersection(areas, cells)).sum()
    return max(0.0, 1.0 - float(kept) / field.boundary.area)
