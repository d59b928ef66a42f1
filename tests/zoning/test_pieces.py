"""Small polygons join their neighbours: every result can be drawn on squared paper."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from zonemap.errors import InputError
from zonemap.zoning.arrangement import connected
from zonemap.zoning.pieces import join_small

E, N = 500_000.0, 4_650_000.0


def place(west, south, east, north):
    """Return a rectangle in metres from the corner of the tests' coordinates."""
    return box(E + west, N + south, E + east, N + north)


def coverage(*labelled):
    """Polygons of a coverage with all the nodes their neighbours need."""
    areas = np.array([area for area, _ in labelled], dtype=object)
    zone = np.array([zone for _, zone in labelled])
    noded = shapely.node(shapely.multilinestrings(shapely.get_rings(areas)))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    inner = shapely.point_on_surface(faces)
    of_face = [next(z for area, z in zip(areas, zone, strict=True) if area.contains(point)) for point in inner]
    part, label = connected(faces, np.array(of_face))
    return tuple(part), label


def areas_of(polygons, zone):
    return sorted((int(z), round(p.area)) for p, z in zip(polygons, zone, strict=True))


def test_a_small_piece_joins_the_neighbour_with_the_longest_common_edge():
    # A patch of 30 x 10 m between zone 1 below (30 m of common edge), zone 2 above (30 m, less 5 m for zone 3).
    polygons, zone = coverage(
        (place(0, 0, 100, 50), 1), (place(0, 50, 30, 60), 4), (place(30, 50, 100, 60), 1),
        (place(0, 60, 25, 100), 2), (place(25, 60, 100, 100), 3),
    )  # fmt: skip
    joined = join_small(polygons, zone, minimum_ha=0.05)

    # zone 1 shares 30 m below and 10 m to the east
    assert areas_of(*joined) == [(1, 5_000 + 300 + 700), (2, 1_000), (3, 3_000)]
    assert shapely.coverage_is_valid(np.array(joined[0], dtype=object))


def test_pieces_of_one_zone_that_a_small_piece_kept_apart_become_one():
    polygons, zone = coverage((place(0, 0, 40, 50), 1), (place(40, 0, 45, 50), 2), (place(45, 0, 100, 50), 1))

    joined = join_small(polygons, zone, minimum_ha=0.03)

    assert areas_of(*joined) == [(1, 5_000)]


def test_no_spread_pieces_neither_join_nor_are_joined():
    # The small piece of zone 2 touches nothing but a no-spread strip and stays.
    polygons, zone = coverage((place(0, 0, 50, 50), 1), (place(50, 0, 60, 50), 0), (place(60, 0, 62, 50), 2))

    joined = join_small(polygons, zone, minimum_ha=0.2)

    assert areas_of(*joined) == [(0, 500), (1, 2_500), (2, 100)]


def test_a_cap_joins_the_smallest_first_and_no_zones_last():
    patches = [place(10, 10, 20, 20), place(30, 10, 50, 30), place(60, 10, 66, 16)]
    around = shapely.difference(place(0, 0, 100, 50), shapely.union_all(patches))
    part, zone = (around, *patches), np.array([1, 2, 2, 3])

    joined = join_small(part, zone, most=3)

    # the smallest of all is zone 3's only piece; the smaller piece of zone 2 goes
    assert areas_of(*joined) == [(1, 5_000 - 400 - 36), (2, 400), (3, 36)]
    with pytest.raises(InputError, match="Write most_polygons = 3 or more"):
        join_small(part, zone, most=2)


@st.composite
def checkered(draw):
    """Squares of a board in zones at random, zone 0 among them."""
    rows, columns = draw(st.integers(2, 6)), draw(st.integers(2, 6))
    label = draw(st.lists(st.integers(0, 3), min_size=rows * columns, max_size=rows * columns))
    squares = [place(10 * c, 10 * r, 10 * c + 10, 10 * r + 10) for r in range(rows) for c in range(columns)]
    part, zone = connected(np.array(squares, dtype=object), np.array(label))
    return tuple(part), zone


@settings(deadline=None, max_examples=60)
@given(checkered(), st.sampled_from([0.005, 0.015, 0.035, 0.1]))
def test_joining_keeps_a_valid_coverage_of_the_same_place(case, minimum_ha):
    polygons, zone = case

    joined, joined_zone = join_small(polygons, zone, minimum_ha=minimum_ha)

    assert all(polygon.geom_type == "Polygon" for polygon in joined)
    assert shapely.coverage_is_valid(np.array(joined, dtype=object))
    assert sum(polygon.area for polygon in joined) == pytest.approx(sum(polygon.area for polygon in polygons))
    # no-spread pieces are what they were
    before = {polygon.normalize().wkt for polygon, number in zip(polygons, zone, strict=True) if number == 0}
    after = {polygon.normalize().wkt for polygon, number in zip(joined, joined_zone, strict=True) if number == 0}
    assert before == after
    # what is still too small has no other zone beside it, and no two polygons of one zone share an edge
    for one, number in zip(joined, joined_zone, strict=True):
        beside = [
            z for other, z in zip(joined, joined_zone, strict=True)
            if other is not one and one.intersection(other).length > 1e-6
        ]  # fmt: skip
        assert number not in beside
        assert number == 0 or one.area >= minimum_ha * 1e4 - 1e-6 or not any(beside)


@settings(deadline=None, max_examples=40)
@given(checkered(), st.integers(1, 12))
def test_a_cap_holds_or_is_refused_and_no_zone_is_lost(case, most):
    polygons, zone = case
    # connected squares can always come down to one polygon a zone and no-spread piece, unless those cut them apart
    apart = len(shapely.get_parts(shapely.coverage_union_all(np.array(polygons, dtype=object)[zone > 0])))
    least = len(set(zone) - {0}) + int(np.sum(zone == 0))
    if most < least:
        with pytest.raises(InputError, match=r"Write most_polygons = \d+ or more"):
            join_small(polygons, zone, most=most)
        return
    if apart > 1:
        return

    joined, joined_zone = join_small(polygons, zone, most=most)

    assert len(joined) <= most
    assert set(joined_zone) == set(zone)
    assert shapely.coverage_is_valid(np.array(joined, dtype=object))
