import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import assume, given, reject, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, affinity

from zonemap.errors import InputError
from zonemap.values.field import Field
from zonemap.values.zones import Outlines, Zones
from zonemap.zoning.cells import square_cells
from zonemap.zoning.outline import moved_share, outline_zones, single_parts

WEST, SOUTH = 500_000.0, 4_000_000.0


def multi(geometry):
    """Polygons of a geometry as one multipolygon."""
    return MultiPolygon([part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon" and part.area > 0])


def field_of(geometry):
    return Field("test", multi(affinity.translate(geometry, WEST, SOUTH)), "EPSG:32614")


def zones_over(grid, number_at):
    """Zones by a function of cell centres, as m from the corner of the tests' coordinates."""
    east, north = grid.centres()
    return Zones(np.unique(number_at(east - WEST, north - SOUTH), return_inverse=True)[1] + 1)


def check_coverage(areas, boundary, *, within=1e-6):
    areas = np.array(areas, dtype=object)
    assert shapely.is_valid(areas).all()
    # GEOS is wrong about a hole that touches its outer ring at a vertex of a third area; triangles have no holes
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(areas))
    assert shapely.coverage_is_valid(areas) or shapely.coverage_is_valid(triangles)
    assert shapely.area(areas).sum() == pytest.approx(boundary.area, rel=within)
    assert shapely.union_all(areas).symmetric_difference(boundary).area <= within * boundary.area


# Halves and whole numbers put edges and corners of fields on edges and corners of cells; any other number does not.
offset = st.one_of(st.integers(-16, 16).map(lambda n: n / 2), st.floats(-8, 8))
length = st.one_of(st.integers(1, 24).map(lambda n: n / 2), st.floats(0.01, 12), st.sampled_from([1e-2, 1e-4, 1e-6]))


@st.composite
def shapes(draw):
    x, y, w, h = draw(offset), draw(offset), draw(length), draw(length)
    shape = (
        shapely.Point(x, y).buffer(max(w, h) / 2) if draw(st.integers(0, 3)) == 0 else shapely.box(x, y, x + w, y + h)
    )
    return affinity.rotate(shape, draw(st.sampled_from([0, 0, 45, 30, 17.3])))


@st.composite
def zoned_fields(draw):
    """Fields with holes, slivers, islands, necks and parts smaller than a cell, and zones in patches or in disorder."""
    pieces, holes = draw(st.lists(shapes(), min_size=1, max_size=5)), draw(st.lists(shapes(), max_size=3))
    try:
        field = field_of(shapely.difference(shapely.union_all(pieces), shapely.union_all(holes)))
    except shapely.errors.GEOSException:
        # the geometry library cannot overlay these pieces: there is no field to test with
        reject()
    assume(field.boundary.area >= 1 and field.boundary.is_valid)
    grid = square_cells(field, cell_m=draw(st.sampled_from([0.5, 1.0, 2.5])))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    patch = draw(st.sampled_from([1, 1, 5]))
    rows, columns = (-(-n // patch) for n in grid.shape)
    patches = rng.integers(0, draw(st.integers(1, 4)), size=(rows, columns))
    raster = patches.repeat(patch, axis=0).repeat(patch, axis=1)[: grid.shape[0], : grid.shape[1]]
    # A zone that has no more of the field than rounding is refused, see the test of that.
    held = np.bincount(raster[grid.inside], weights=grid.cell_area_ha * 1e4)
    assume(held[held > 0].min() > 1e-4)
    return field, grid, Zones(np.unique(raster[grid.inside], return_inverse=True)[1] + 1)


@settings(deadline=None, max_examples=150)
@given(zoned_fields(), st.booleans(), st.sampled_from([0.05, 1.0]))
def test_outlines_cover_the_field_without_gap_or_overlap(case, smooth, most_moved):
    field, grid, zones = case

    outlines = outline_zones(zones, grid, field, smooth=smooth, most_moved=most_moved)

    assert outlines.zone == tuple(range(1, zones.count + 1))
    check_coverage(outlines.area, field.boundary)
    # Crumbs under a thousandth of a cell, at most one a cell, go to a neighbour with or without smoothing.
    crumbs = 1e-3 * grid.cells * grid.cell_m**2 / field.boundary.area
    assert moved_share(outlines, zones, grid, field) <= max(most_moved if smooth else 0.0, crumbs)


@settings(deadline=None, max_examples=100)
@given(zoned_fields(), st.lists(shapes(), max_size=2))
def test_single_parts_cover_the_field_and_keep_off_the_closed_areas(case, closed_shapes):
    field, grid, zones = case
    closed = [multi(affinity.translate(shape, WEST, SOUTH).intersection(field.boundary)) for shape in closed_shapes]
    closed = [area for area in closed if not area.is_empty]
    outlines = outline_zones(zones, grid, field)

    polygons, zone = single_parts(outlines, closed)

    assert all(polygon.geom_type == "Polygon" for polygon in polygons)
    check_coverage(polygons, field.boundary, within=2e-5)
    shut = shapely.union_all(closed) if closed else shapely.Point()
    off = shapely.union_all([polygon for polygon, number in zip(polygons, zone, strict=True) if number == 0])
    # Strips with less than 3 cm of mean width (twice the area over the perimeter) change hands, and an edge of an
    # outline or of a closed area borders two of them at most.
    edges_m = sum(area.length for area in (*outlines.area, *closed))
    assert off.symmetric_difference(shut).area <= 0.03 * edges_m


@settings(deadline=None, max_examples=20)
@given(zoned_fields())
def test_the_same_zones_give_the_same_outlines_to_the_last_digit(case):
    field, grid, zones = case

    one, other = (single_parts(outline_zones(zones, grid, field), []) for _ in range(2))

    assert [polygon.wkb for polygon in one[0]] == [polygon.wkb for polygon in other[0]]
    np.testing.assert_array_equal(one[1], other[1])


def test_cells_are_outlined_as_by_hand():
    field = field_of(shapely.box(0, 0, 4, 2))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, _: np.where(east < 1, 1, 2))

    outlines = outline_zones(zones, grid, field, smooth=False)

    assert outlines.area[0].equals(affinity.translate(shapely.box(0, 0, 1, 2), WEST, SOUTH))
    assert outlines.area[1].equals(affinity.translate(shapely.box(1, 0, 4, 2), WEST, SOUTH))
    np.testing.assert_allclose(outlines.area_ha, [2e-4, 6e-4])


def test_a_staircase_becomes_a_smooth_edge_that_moves_little():
    field = field_of(shapely.box(0, 0, 100, 100))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, north: np.where(north < 20 + 0.55 * east, 1, 2))

    steps, smooth = (outline_zones(zones, grid, field, smooth=smooth) for smooth in (False, True))

    # The straight edge is 114 m long; the staircase follows 100 columns and 55 rows.
    edge_m = [shapely.intersection(*outlines.area).length for outlines in (steps, smooth)]
    assert edge_m[0] == pytest.approx(155, abs=2)
    assert edge_m[1] < 125
    assert len(smooth.area[0].geoms[0].exterior.coords) < len(steps.area[0].geoms[0].exterior.coords) / 2
    assert 0 < moved_share(smooth, zones, grid, field) < 0.005


def test_smoothing_that_moves_too_much_is_not_done():
    field = field_of(shapely.box(0, 0, 30, 30))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, north: np.where(north < 0.8 * east, 1, 2))

    assert 0 < moved_share(outline_zones(zones, grid, field, most_moved=0.5), zones, grid, field) < 0.5
    assert moved_share(outline_zones(zones, grid, field, most_moved=0.0), zones, grid, field) == pytest.approx(
        0, abs=1e-9
    )


def test_the_share_moved_is_what_lies_in_another_zones_cells():
    field = field_of(shapely.box(0, 0, 4, 1))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, _: np.where(east < 2, 1, 2))
    shifted = [affinity.translate(shapely.box(*ends), WEST, SOUTH) for ends in [(0, 0, 2.5, 1), (2.5, 0, 4, 1)]]

    share = moved_share(Outlines((1, 2), tuple(multi(area) for area in shifted)), zones, grid, field)

    assert share == pytest.approx(0.5 / 4)


def test_holes_islands_and_parts_are_kept():
    # A lake with an island in it, and a detached part smaller than a cell.
    lake = shapely.Point(50, 50).buffer(20).difference(shapely.Point(50, 50).buffer(6))
    field = field_of(shapely.union_all([shapely.box(0, 0, 100, 100).difference(lake), shapely.box(120, 10, 121, 11)]))
    grid = square_cells(field, cell_m=2.0)
    zones = zones_over(grid, lambda east, _: np.where(east < 50, 1, 2))

    outlines = outline_zones(zones, grid, field)

    check_coverage(outlines.area, field.boundary)
    assert len(shapely.get_parts(shapely.union_all(outlines.area))) == 3


def test_a_neck_of_one_cell_stays_whole():
    # Two squares of zone 2 joined by a corridor one cell wide.
    field = field_of(shapely.box(0, 0, 60, 20))
    grid = square_cells(field, cell_m=1.0)
    ends = lambda east: (east < 20) | (east > 40)  # noqa: E731 - a shape, read at a glance
    zones = zones_over(
        grid, lambda east, north: np.where((ends(east) & (abs(north - 10) < 8)) | (north // 1 == 10), 2, 1)
    )

    outlines = outline_zones(zones, grid, field)

    assert len(outlines.area[1].geoms) == 1


def test_a_zone_of_one_cell_keeps_an_outline():
    field = field_of(shapely.box(0, 0, 30, 30))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, north: np.where((east // 1 == 12) & (north // 1 == 7), 1, 2))

    outlines = outline_zones(zones, grid, field)

    assert outlines.area_ha[0] * 1e4 == pytest.approx(1, abs=0.5)


def test_a_zone_with_no_more_of_the_field_than_rounding_is_refused():
    field = field_of(shapely.box(0, 0, 10 + 3e-9, 10))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, _: np.where(east < 10, 1, 2))
    assert zones.count == 2

    with pytest.raises(InputError, match="Merge small zones"):
        outline_zones(zones, grid, field)


def test_closed_areas_are_cut_out_as_zone_0():
    # 100 m x 100 m in two halves; a closed square of 20 m lies astride the edge between them.
    field = field_of(shapely.box(0, 0, 100, 100))
    grid = square_cells(field, cell_m=5.0)
    zones = zones_over(grid, lambda east, _: np.where(east < 50, 1, 2))
    closed = multi(affinity.translate(shapely.box(40, 40, 60, 60), WEST, SOUTH))

    polygons, zone = single_parts(outline_zones(zones, grid, field), [closed])

    assert zone.tolist() == [0, 1, 2]
    np.testing.assert_allclose([polygon.area for polygon in polygons], [400, 4800, 4800], rtol=1e-6)


def test_overlapping_closed_areas_and_those_beyond_the_field_count_once():
    field = field_of(shapely.box(0, 0, 10, 10))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, _: np.ones_like(east))
    squares = [shapely.box(-5, -5, 4, 4), shapely.box(2, 2, 6, 6), shapely.box(50, 50, 60, 60)]
    closed = [multi(affinity.translate(square, WEST, SOUTH)) for square in squares]

    polygons, zone = single_parts(outline_zones(zones, grid, field), closed)

    # 4 x 4 and 4 x 4 share 2 x 2: 28 of 100 m2.
    assert zone.tolist() == [0, 1]
    assert polygons[0].area == pytest.approx(28)
    check_coverage(polygons, field.boundary)


def test_a_field_closed_altogether_has_zone_0_only():
    field = field_of(shapely.box(0, 0, 10, 10))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, _: np.where(east < 5, 1, 2))

    polygons, zone = single_parts(outline_zones(zones, grid, field), [field.boundary])

    assert zone.tolist() == [0]
    assert polygons[0].area == pytest.approx(100)


def test_strips_too_narrow_for_degrees_go_to_the_neighbour():
    field = field_of(shapely.box(0, 0, 10, 10))
    grid = square_cells(field, cell_m=1.0)
    zones = zones_over(grid, lambda east, _: np.ones_like(east))
    almost = multi(affinity.translate(shapely.box(0.01, 0, 4, 10), WEST, SOUTH))

    polygons, zone = single_parts(outline_zones(zones, grid, field), [almost])

    assert zone.tolist() == [0, 1]
    assert polygons[0].area == pytest.approx(40)


def test_polygons_come_by_zone_then_from_the_north_then_from_the_west():
    field = field_of(shapely.box(0, 0, 30, 20))
    grid = square_cells(field, cell_m=5.0)
    zones = zones_over(grid, lambda east, north: 1 + (east // 10 + north // 10) % 2)

    polygons, zone = single_parts(outline_zones(zones, grid, field, smooth=False), [])

    corner = [(zone[k], polygon.bounds[3] - SOUTH, polygon.bounds[0] - WEST) for k, polygon in enumerate(polygons)]
    assert corner == [(1, 20, 10), (1, 10, 0), (1, 10, 20), (2, 20, 0), (2, 20, 20), (2, 10, 10)]


def test_outlines_that_overlap_are_refused():
    one, other = (
        multi(affinity.translate(shapely.box(*corners), WEST, SOUTH)) for corners in [(0, 0, 6, 9), (4, 0, 9, 9)]
    )

    with pytest.raises(InputError, match="Repair the polygons"):
        single_parts(Outlines((1, 2), (one, other)), [])


@pytest.mark.parametrize("seed", range(6))
def test_vertices_stay_shared_and_polygons_valid_in_degrees_of_seven_decimals(seed):
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    radius = 300 * (1 + 0.15 * np.sin(2 * angle + rng.uniform(0, 6))) + rng.normal(scale=4, size=40)
    field = field_of(shapely.Polygon(np.column_stack([400 + radius * np.cos(angle), 400 + radius * np.sin(angle)])))
    grid = square_cells(field, cell_m=5.0)
    wave = rng.uniform(60, 150)
    zones = zones_over(grid, lambda east, north: np.digitize(np.sin(east / wave) + np.cos(north / wave), [-0.7, 0.4]))
    well = multi(affinity.translate(shapely.Point(640, 400), WEST, SOUTH).buffer(45).intersection(field.boundary))
    polygons, _ = single_parts(outline_zones(zones, grid, field), [well])
    degrees = pyproj.Transformer.from_crs(field.crs, "EPSG:4326", always_xy=True)

    written = shapely.transform(
        np.array(polygons, dtype=object), lambda xy: np.round(np.column_stack(degrees.transform(*xy.T)), 7)
    )

    assert shapely.is_valid(written).all()
    assert shapely.coverage_is_valid(written)
