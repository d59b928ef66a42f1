"""Zones that reach past the boundary, so that a controller does not fall to nothing at the headland."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.zoning.arrangement import (
    Geometries,
    absorb,
    connected,
    edges_match,
    faces_between,
    in_order,
    mean_width,
    position_in,
)

#: the grid of `single_parts`: its vertices stay where they are
_SNAP_M = 1e-6
#: pieces closer than this to the outermost edge are on it
_TOUCHING_M = 1e-3
#: parts narrower than this do not survive coordinates in degrees
_SLIVER_M = 0.03
#: corners of the outer edge are rounded by so many pieces a quarter of a circle
QUARTER_SEGMENTS = 8
#: Zones are told apart outside by the nearest of places along their edges: so many to the distance of the extension,
#: at most so many in all, and one so close to every end that the line between two zones begins at their common vertex.
_PLACES, _MOST_PLACES, _END_M = 4, 20_000, 0.01


def reach_past(
    polygons: Sequence[Polygon],
    zone: IntArray,
    *,
    by_m: float,
    closed: MultiPolygon | None = None,
    close_holes: bool = False,
) -> tuple[tuple[Polygon, ...], IntArray, FloatArray]:
    """Extend the outer polygons past the outermost edge of the field; each place goes to the nearest zone.

    Nothing reaches into holes, and what lies in a no-spread area, or nearest to one, is zone 0.

    Parameters
    ----------
    polygons, zone
        A valid coverage of the field and its zone numbers, vertices on the grid of `single_parts`.
    by_m
        How far to reach, m; 0 for no extension.
    closed
        No-spread areas as they lie outside the field.
    close_holes
        Make polygons of zone 0 of the holes.

    Returns
    -------
    polygons
        A valid coverage, in the order of `single_parts`; polygons of one zone that meet outside are joined.
    zone
        Their zone numbers.
    inside_ha
        (polygons,) area inside the field; 0 for a no-spread area that lies outside it.

    Raises
    ------
    InputError
        When no valid coverage comes out.
    """
    piece = np.array(polygons, dtype=object)
    whole = shapely.coverage_union_all(piece)
    filled = shapely.union_all(shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(whole))))
    # what does not touch the outermost edge stays as it is: its vertices are on the grid already
    outer = _near(piece, filled, within_m=_TOUCHING_M)
    part, part_zone = _extended(piece[outer], zone[outer], filled, by_m, MultiPolygon() if closed is None else closed)
    hole = _polygons(shapely.difference(filled, whole)) if close_holes else part[:0]
    part = np.concatenate([part, piece[~outer], hole])
    part_zone = np.concatenate([part_zone, zone[~outer], np.zeros(len(hole), dtype=np.int64)])
    inside_ha = _inside_ha(piece, part)
    # of parts that lie outside altogether, only those stay that say where nothing may be spread
    kept = (inside_ha > 0) | ((part_zone == 0) & (mean_width(part) >= _SLIVER_M))
    part, part_zone, inside_ha = shapely.normalize(part[kept]), part_zone[kept], inside_ha[kept]
    if not (shapely.is_valid(part).all() and edges_match(part)):
        mend = "Write another distance, or leave it out."
        raise InputError("field.toml, prescription, extend_edge", "the zones cannot be extended without gaps", mend)
    order = in_order(part, part_zone)
    return tuple(part[order]), part_zone[order], inside_ha[order]


def _extended(
    piece: Geometries, zone: IntArray, filled: BaseGeometry, by_m: float, closed: MultiPolygon
) -> tuple[Geometries, IntArray]:
    """Pieces on the edge joined with what lies nearest to them outside, and zone 0 where it is closed."""
    ring = _polygons(shapely.difference(shapely.buffer(filled, by_m, quad_segs=QUARTER_SEGMENTS), filled))
    if not len(ring):
        return piece, zone
    shut = _polygons(shapely.intersection(closed, MultiPolygon(ring.tolist())))
    places = _places_of(piece, zone, filled, by_m=by_m)
    faces = faces_between(piece, ring, shut, lines=places.between(ring), snap_m=_SNAP_M)
    label = np.concatenate([zone, np.zeros(len(shut), dtype=np.int64)])
    position = position_in(faces, np.concatenate([piece, shut]), snap_m=_SNAP_M)
    label = np.where(position >= 0, label[position], places.nearest(faces))
    known = (position >= 0) | (position_in(faces, ring, snap_m=_SNAP_M) >= 0)
    part, label = connected(faces[known], label[known])
    return connected(part, absorb(part, label, mean_width(part) < _SLIVER_M))


def _inside_ha(piece: Geometries, part: Geometries) -> FloatArray:
    """(parts,) area of the pieces in each part."""
    of_piece = position_in(piece, part, snap_m=_SNAP_M)
    return np.asarray(np.bincount(of_piece, weights=shapely.area(piece), minlength=len(part)) / 10_000)


@dataclass(frozen=True, slots=True)
class _Places:
    """Places along the outermost edge of the field, and the zone of each."""

    at: FloatArray
    zone: IntArray

    def nearest(self, faces: Geometries) -> IntArray:
        """Zone of the place nearest to a point within each face."""
        from scipy.spatial import KDTree

        inner = shapely.get_coordinates(shapely.point_on_surface(faces))
        return np.asarray(self.zone[KDTree(self.at).query(inner)[1]])

    def between(self, ring: Geometries) -> Geometries:
        """Lines in the ring of which two zones are equally far (edges of a Voronoi diagram)."""
        from scipy.spatial import Voronoi

        if not len(ring) or len(np.unique(self.zone)) == 1:
            return np.empty(0, dtype=object)
        west, south = corner = np.floor(self.at.min(axis=0))  # near 0 the digits suffice for places a centimetre apart
        reach = 10 * float(np.ptp(self.at, axis=0).max())
        # four places far away, so that no edge in the ring runs to infinity
        far = reach * np.array([[-1.0, -1.1], [1.0, -1.2], [1.1, 1.0], [-1.2, 1.3]])
        diagram = Voronoi(np.concatenate([self.at - corner, far]))
        zone = np.concatenate([self.zone, np.full(len(far), -1)])
        ends = np.array(diagram.ridge_vertices)
        two = zone[diagram.ridge_points]
        border = (two[:, 0] != two[:, 1]) & (two >= 0).all(axis=1) & (ends >= 0).all(axis=1)
        lines = shapely.linestrings(diagram.vertices[ends[border]] + (west, south))
        parts = shapely.get_parts(shapely.intersection(shapely.multilinestrings(lines), MultiPolygon(ring.tolist())))
        return np.asarray(parts[shapely.length(parts) > 0])


def _places_of(piece: Geometries, zone: IntArray, filled: BaseGeometry, *, by_m: float) -> _Places:
    start, end, owner = _outer_edges(piece, filled)
    place, of_edge = _along(start, end, by_m=by_m)
    return _Places(place, zone[owner[of_edge]])


def _outer_edges(piece: Geometries, filled: BaseGeometry) -> tuple[FloatArray, FloatArray, IntArray]:
    """Edges of the pieces on the outermost edge of the field: both ends, and the piece."""
    rings, owner = shapely.get_rings(piece, return_index=True)
    point, ring = shapely.get_coordinates(rings, return_index=True)
    along = ring[1:] == ring[:-1]
    start, end, owner = point[:-1][along], point[1:][along], owner[ring[:-1][along]]
    middle = shapely.points((start + end) / 2)
    both = _near(shapely.points(start), filled, within_m=_SNAP_M) & _near(middle, filled, within_m=_SNAP_M)
    return start[both], end[both], owner[both]


def _near(geometries: Geometries, filled: BaseGeometry, *, within_m: float) -> BoolArray:
    """Whether each lies within a distance of the outermost edge."""
    point, ring = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(filled)), return_index=True)
    along = ring[1:] == ring[:-1]
    edges = np.asarray(shapely.linestrings(np.stack([point[:-1][along], point[1:][along]], axis=1)), dtype=object)
    near = np.zeros(len(geometries), dtype=bool)
    near[shapely.STRtree(edges).query(geometries, predicate="dwithin", distance=within_m)[0]] = True
    return near


def _along(start: FloatArray, end: FloatArray, *, by_m: float) -> tuple[FloatArray, IntArray]:
    """Places along edges, the outermost equally close to both ends, and the edge of each."""
    length = np.hypot(*(end - start).T)
    step = max(by_m / _PLACES, float(length.sum()) / _MOST_PLACES)
    gap = np.minimum(_END_M, length / 4)
    count = np.ceil((length - 2 * gap) / step).astype(np.int64) + 1
    edge = np.repeat(np.arange(len(length)), count)
    within = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    share = np.where(count[edge] > 1, within / np.maximum(count[edge] - 1, 1), 0.5)
    along = (gap[edge] + share * (length - 2 * gap)[edge]) / length[edge]
    return np.asarray(start[edge] + along[:, None] * (end - start)[edge]), edge


def _polygons(geometry: BaseGeometry) -> Geometries:
    """Polygons of a geometry that have an area."""
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return np.array([part for part in parts if isinstance(part, Polygon) and part.area > 0], dtype=object)
