import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon

from zonemap.errors import InputError
from zonemap.values.field import Field
from zonemap.zoning.cells import square_cells

WEST, SOUTH = 500_000.0, 4_000_000.0


def field(*polygons):
    return Field("test", MultiPolygon(list(polygons)), "EPSG:32614")


def plain_loop(boundary, grid):
    """Area of the field in every cell, one intersection a cell."""
    rows, columns = grid.shape
    area = np.zeros((rows, columns))
    for row in range(rows):
        for column in range(columns):
            west, north = grid.west_m + column * grid.cell_m, grid.north_m - row * grid.cell_m
            area[row, column] = boundary.intersection(
                shapely.box(west, north - grid.cell_m, west + grid.cell_m, north)
            ).area
    return area


def test_a_rectangle_off_the_grid_is_cut_as_by_hand():
    # 10 m x 6 m from (1, 1) in cells of 4 m: columns hold 3, 4, 3 m of it, rows from the north 3 and 3 m.
    box = shapely.box(WEST + 1, SOUTH + 1, WEST + 11, SOUTH + 7)

    grid = square_cells(field(box), cell_m=4.0)

    assert (grid.west_m, grid.north_m, grid.shape) == (WEST, SOUTH + 8, (2, 3))
    np.testing.assert_allclose(grid.field_area_m2, [[9, 12, 9], [9, 12, 9]], rtol=1e-9)


def test_cells_inside_a_large_field_and_its_holes_agree_with_a_plain_loop():
    disc = shapely.Point(WEST + 3, SOUTH - 7).buffer(95).difference(shapely.Point(WEST + 20, SOUTH).buffer(31))

    grid = square_cells(field(disc), cell_m=3.0)

    assert min(grid.shape) > 48  # several blocks across
    np.testing.assert_allclose(grid.field_area_m2, plain_loop(disc, grid), atol=1e-6)


boxes = st.tuples(st.floats(0, 30), st.floats(0, 30), st.floats(0.01, 20), st.floats(0.01, 20))


@settings(deadline=None, max_examples=40)
@given(st.lists(boxes, min_size=1, max_size=4), st.sampled_from([0.7, 1.0, 2.5, 10.0]))
def test_areas_of_cells_add_up_to_the_field(corners, cell_m):
    union = shapely.union_all([shapely.box(WEST + x, SOUTH + y, WEST + x + w, SOUTH + y + h) for x, y, w, h in corners])
    boundary = union if isinstance(union, MultiPolygon) else MultiPolygon([union])

    grid = square_cells(Field("test", boundary, "EPSG:32614"), cell_m=cell_m)

    assert grid.cell_area_ha.sum() * 1e4 == pytest.approx(boundary.area, rel=1e-6)
    assert grid.field_area_m2.max() <= cell_m**2 * (1 + 1e-6)
    np.testing.assert_allclose(grid.field_area_m2, plain_loop(boundary, grid), atol=1e-6)


def test_without_a_side_there_are_about_as_many_cells_as_asked_for():
    grid = square_cells(field(shapely.box(WEST, SOUTH, WEST + 800, SOUTH + 800)))  # 640,000 m2 / 25,000 = 25.6 m2

    assert grid.cell_m == 5.0
    assert grid.cells == 160 * 160


def test_cell_corners_lie_on_whole_multiples_of_the_side():
    grid = square_cells(field(shapely.box(WEST + 1.3, SOUTH + 2.9, WEST + 50, SOUTH + 60)), cell_m=2.5)

    assert grid.west_m % 2.5 == 0
    assert grid.north_m % 2.5 == 0


def test_too_many_cells_are_refused_with_a_side_that_fits():
    wide = field(shapely.box(WEST, SOUTH, WEST + 10_000, SOUTH + 10_000))

    with pytest.raises(InputError, match="Set cell_m to 5 or more"):
        square_cells(wide, cell_m=1.0)

    assert square_cells(wide, cell_m=5.0).cells == 4_000_000


@pytest.mark.parametrize("side", [0.0, -1.0, float("nan"), float("inf")])
def test_a_side_that_is_no_length_is_refused(side):
    with pytest.raises(InputError, match="Set cell_m to a positive number"):
        square_cells(field(shapely.box(WEST, SOUTH, WEST + 10, SOUTH + 10)), cell_m=side)


def test_a_field_smaller_than_a_cell_is_one_cell():
    grid = square_cells(field(shapely.box(WEST + 1, SOUTH + 1, WEST + 2, SOUTH + 3)), cell_m=10.0)

    assert grid.cells == 1
    assert grid.field_area_m2.sum() == pytest.approx(2.0)
