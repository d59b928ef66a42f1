"""Whether areas share their edges, on drawings small enough to see."""

import numpy as np
import pytest
import shapely
from shapely import Polygon, box

from zonemap.zoning.arrangement import edges_match


def areas(*polygons):
    return np.array(polygons, dtype=object)


def test_a_hole_that_touches_the_outer_ring_at_a_third_areas_vertex_is_no_fault():
    # All meet at (0, 0): the ring of the first, its hole filled by the second, and the third beside the ring. By hand:
    # the first and third share the edge (0, 0)-(0, 2) and nothing else, so no two overlap and no edge is half shared.
    hole = [(0, 0), (1, 0), (1, -1), (0, -1)]
    ring = [(-1, -3), (4, -3), (4, 2), (0, 2), (0, 0), (-0.3, -1.5)]
    drawing = areas(Polygon(ring, [hole]), Polygon(hole), Polygon([(0, 0), (0, 2), (-1, 2), (-0.3, 1.5)]))

    assert shapely.is_valid(drawing).all()
    assert shapely.area(drawing).sum() == pytest.approx(shapely.union_all(drawing).area)
    assert edges_match(drawing)


@pytest.mark.parametrize(
    "faulty",
    [
        (box(0, 0, 1, 1), box(1, 0, 2, 0.5), box(1, 0.5, 2, 1)),  # no node where the two on the right meet the left
        (box(0, 0, 1, 1), box(0.9, 0, 2, 1)),
        (box(0, 0, 3, 3), box(1, 1, 2, 2)),
    ],
)
def test_missing_nodes_and_overlaps_are_seen(faulty):
    assert not edges_match(areas(*faulty))
