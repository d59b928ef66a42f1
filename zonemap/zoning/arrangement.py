"""Faces between lines: the way to a coverage without gaps or overlaps.

All lines are noded together on one fine grid, the faces between them are labelled, and faces of one label are joined.
Neighbours then share their vertices by construction.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from zonemap.values.arrays import BoolArray, FloatArray, IntArray

#: a one-dimensional array of shapely geometries
Geometries: TypeAlias = npt.NDArray[np.object_]


def faces_between(*geometries: Geometries, snap_m: float, lines: Geometries | None = None) -> Geometries:
    """Faces into which the edges of all the polygons, and lines, cut the plane, outermost face left out.

    Vertices are rounded to a grid of `snap_m`, and edges that pass through a vertex' grid cell run through the vertex.

    References
    ----------
    Hobby 1999, Practical segment intersection with finite precision output, Computational Geometry 13:199-214.
    """
    rings = shapely.get_rings(shapely.get_parts(np.concatenate(geometries)))
    noded = shapely.union_all(rings if lines is None else np.concatenate([rings, lines]), grid_size=snap_m)
    return shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))


def position_in(faces: Geometries, areas: Geometries, *, snap_m: float) -> IntArray:
    """Position of the first area in which each face lies, -1 for none.

    Every edge of the areas must be an edge of the arrangement, so that one inner point of a face speaks for all of it.
    """
    inner = shapely.STRtree(shapely.point_on_surface(faces))
    area, point = inner.query(areas, predicate="dwithin", distance=np.full(len(areas), snap_m))
    position = np.full(len(faces), len(areas), dtype=np.int64)
    np.minimum.at(position, point, area)
    return np.where(position < len(areas), position, -1)


def mean_width(areas: Geometries) -> FloatArray:
    """Twice the area over the perimeter, m: the width of a long strip."""
    return np.asarray(2 * shapely.area(areas) / shapely.length(areas))


def connected(faces: Geometries, label: IntArray) -> tuple[Geometries, IntArray]:
    """Join faces of one label along their common edges: single polygons and their labels, sorted by label."""
    each = np.unique(label)
    parts = [shapely.get_parts(shapely.coverage_union_all(faces[label == one])) for one in each]
    return np.concatenate(parts), np.repeat(each, [len(part) for part in parts])


def absorb(faces: Geometries, label: IntArray, sliver: BoolArray) -> IntArray:
    """Labels in which slivers took that of the neighbour with the longest common edge.

    The largest face of every label keeps it, so that no label vanishes; so does a face without a neighbour.
    """
    area, pending = shapely.area(faces), sliver.copy()
    for each in np.unique(label):
        pending[np.flatnonzero(label == each)[np.argmax(area[label == each])]] = False
    if not pending.any():
        return label
    one, other, length = common_edges(faces)
    label, waiting = label.copy(), np.flatnonzero(pending)
    while waiting.size:
        settled = []
        for face in waiting:
            beside = np.flatnonzero((one == face) & ~pending[other])
            if beside.size:
                label[face] = label[other[beside[np.argmax(length[beside])]]]
                settled.append(face)
        if not settled:
            break
        pending[settled] = False
        waiting = np.flatnonzero(pending)
    return label


def in_order(polygon: Geometries, zone: IntArray) -> IntArray:
    """Positions by zone, then from north to south, then from west to east."""
    west, south, _, north = shapely.bounds(polygon).T
    return np.lexsort((south, west, -north, zone))


def is_coverage(areas: Geometries, *, area_m2: float, within_m2: float) -> bool:
    """Whether the areas are valid, share their edges exactly, and add up to `area_m2` but for `within_m2`."""
    whole = abs(float(shapely.area(areas).sum()) - area_m2) <= within_m2
    return whole and bool(shapely.is_valid(areas).all()) and edges_match(areas)


def edges_match(areas: Geometries) -> bool:
    """Whether valid areas share their edges exactly, node by node, and none overlaps another.

    Where a hole touches the outer ring at a vertex of a third area, GEOS takes an edge of that area for one inside the
    first. Triangles have no holes: of the areas cut into triangles between their own vertices it says the truth.
    """
    if shapely.coverage_is_valid(areas):
        return True
    return bool(shapely.coverage_is_valid(shapely.get_parts(shapely.constrained_delaunay_triangles(areas))))


def common_edges(faces: Geometries) -> tuple[IntArray, IntArray, FloatArray]:
    """Pairs of faces with a common edge, each both ways, and the length they share."""
    rings, face = shapely.get_rings(faces, return_index=True)
    point, ring = shapely.get_coordinates(rings, return_index=True)
    along = ring[1:] == ring[:-1]
    start, end, owner = point[:-1][along], point[1:][along], face[ring[:-1][along]]
    turned = (start[:, 0] > end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] > end[:, 1]))
    edge = np.where(turned[:, None], np.hstack([end, start]), np.hstack([start, end]))
    order = np.lexsort(edge.T)
    edge, owner = edge[order], owner[order]
    twin = np.flatnonzero((edge[1:] == edge[:-1]).all(axis=1))
    length = np.hypot(edge[twin, 2] - edge[twin, 0], edge[twin, 3] - edge[twin, 1])
    pairs = np.concatenate([owner[twin] * len(faces) + owner[twin + 1], owner[twin + 1] * len(faces) + owner[twin]])
    pair, of_pair = np.unique(pairs, return_inverse=True)
    shared = np.bincount(of_pair.reshape(-1), weights=np.tile(length, 2))
    return np.asarray(pair // len(faces)), np.asarray(pair % len(faces)), np.asarray(shared)
