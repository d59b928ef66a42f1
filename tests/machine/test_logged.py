"""Logs laid out on the ground."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon

from zonemap.machine.logged import footprints_of, joined, laid_on, length_driven_m
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.spread import PointLog, PolygonLog


def box(width_m=240.0, height_m=240.0, cell_m=5.0):
    """Field and grid, the south-west corner at (0, 0)."""
    field = Field("box", MultiPolygon([shapely.box(0, 0, width_m, height_m)]), "EPSG:32614")
    shape = (round(height_m / cell_m), round(width_m / cell_m))
    return field, Grid(field.crs, 0.0, height_m, cell_m, np.full(shape, cell_m**2))


def up_and_down(swath_m=24.0, step_m=8.0, passes=10, length_m=240.0):
    """Places of parallel passes from the west on, every other one southwards."""
    along = np.arange(step_m / 2, length_m, step_m)
    lines = [
        np.column_stack([np.full(along.size, swath_m * (n + 0.5)), along if n % 2 == 0 else along[::-1]])
        for n in range(passes)
    ]
    return np.vstack(lines)


def log_of(at, rate=100.0, **more):
    return PointLog("log", at[:, 0], at[:, 1], np.broadcast_to(rate, len(at)), **more)


def laid(log, *, swath_m=24.0, field_and_grid=None):
    field, grid = field_and_grid or box()
    return laid_on(footprints_of(log, swath_m=swath_m, cell_m=grid.cell_m), grid, field)


@pytest.mark.parametrize("step_m", [0.5, 2.0, 8.0, 12.0])
def test_passes_a_swath_apart_cover_every_cell_once(step_m):
    found = laid(log_of(up_and_down(step_m=step_m)))

    np.testing.assert_allclose(found.rate_kg_ha, 100.0, rtol=1e-9)
    np.testing.assert_allclose(found.covered, 1.0, rtol=1e-9)
    assert found.total_kg == pytest.approx(576)


def test_a_slanted_pass_is_as_wide_as_its_swath():
    # A pass at 3-4-5: 100 m of ground, 20 m wide, in the middle of the field.
    along = np.arange(2.0, 100, 4)
    at = np.column_stack([60 + 0.6 * along, 60 + 0.8 * along])
    field, grid = box()

    found = laid(log_of(at), swath_m=20.0)

    rectangle = shapely.LineString([(60, 60), (120, 140)]).buffer(10, cap_style="flat")
    assert found.covered @ grid.cell_area_ha == pytest.approx(rectangle.area / 10_000)
    easting, northing = grid.centres()
    inner = shapely.contains_xy(rectangle.buffer(-4), easting, northing)
    outer = ~shapely.contains_xy(rectangle.buffer(4), easting, northing)
    np.testing.assert_allclose(found.covered[inner], 1.0)
    assert not found.covered[outer].any()
    assert field.area_ha == pytest.approx(5.76)


def test_rates_lie_where_they_were_logged():
    # Peer: a plain loop over cells, each with the record whose rectangle holds its centre.
    at = up_and_down()
    rate = np.random.default_rng(3).uniform(50, 150, len(at))
    field, grid = box(cell_m=8.0)

    found = laid_on(footprints_of(log_of(at, rate), swath_m=24.0, cell_m=8.0), grid, field)

    for cell, (x, y) in enumerate(zip(*grid.centres(), strict=True)):
        [record] = np.flatnonzero((np.abs(at[:, 0] - x) < 12) & (np.abs(at[:, 1] - y) < 4))
        assert found.rate_kg_ha[cell] == pytest.approx(rate[record])


def test_what_is_driven_twice_gets_twice_as_much():
    at = up_and_down()
    again = at[at[:, 0] < 24]

    field, grid = box(cell_m=8.0)

    found = laid(log_of(np.vstack([at, again])), field_and_grid=(field, grid))

    west = grid.centres()[0] < 24
    np.testing.assert_allclose(found.rate_kg_ha, np.where(west, 200.0, 100.0))
    np.testing.assert_allclose(found.covered, np.where(west, 2.0, 1.0))


def test_a_gap_in_the_records_is_not_covered():
    at = up_and_down()
    kept = at[~((at[:, 0] == 12) & (at[:, 1] > 60) & (at[:, 1] < 180))]

    field, grid = box(cell_m=8.0)

    found = laid(log_of(kept), field_and_grid=(field, grid))

    easting, northing = grid.centres()
    gap = (easting < 24) & (northing > 66) & (northing < 174)
    assert not found.covered[gap].any()
    assert found.covered[~(easting < 24)].min() == pytest.approx(1)


def test_turns_between_passes_cover_nothing():
    # Passes that end 40 m inside the field, logged without a break while the machine turns to the next.
    at = up_and_down(step_m=12.0)
    inner = at[(at[:, 1] > 40) & (at[:, 1] < 200)]

    found = laid(log_of(inner))

    _, grid = box()
    northing = grid.centres()[1]
    assert not found.covered[(northing < 30) | (northing > 210)].any()
    assert found.covered.max() == pytest.approx(1)


@pytest.mark.parametrize("stated", [96.0, 192.0, 300.0])
def test_stated_areas_say_how_much_fell(stated):
    at = up_and_down()
    rate = np.random.default_rng(4).uniform(50, 150, len(at))

    found = laid(log_of(at, rate, area_m2=np.full(len(at), stated)))

    _, grid = box()
    assert found.total_kg == pytest.approx(rate.sum() * stated / 10_000)
    assert found.rate_kg_ha @ grid.cell_area_ha == pytest.approx(found.total_kg)


_PLACE = st.floats(-100, 340).map(lambda x: round(x, 1))


@given(
    st.lists(st.tuples(_PLACE, _PLACE, st.floats(0, 500), st.floats(0, 2000)), min_size=1, max_size=25),
    st.sampled_from([3.0, 24.0, 60.0]),
    st.booleans(),
)
def test_no_mass_is_lost_or_made_whatever_the_log(records, swath_m, states_areas):
    # Law: with areas the total is sum(rate x area); what lies on a field that holds everything is that total.
    at = np.array([record[:2] for record in records])
    rate, area = (np.array([record[n] for record in records]) for n in (2, 3))
    log = log_of(at, rate, area_m2=area if states_areas else None)
    field = Field("wide", MultiPolygon([shapely.box(-800, -800, 1040, 1040)]), "EPSG:32614")
    grid = Grid(field.crs, -800.0, 1040.0, 40.0, np.full((46, 46), 1600.0))

    footprints = footprints_of(log, swath_m=swath_m, cell_m=5.0)
    found = laid_on(footprints, grid, field)

    if states_areas:
        assert footprints.total_kg == pytest.approx(float(rate @ area) / 10_000, rel=1e-9, abs=1e-9)
    assert found.rate_kg_ha @ grid.cell_area_ha == pytest.approx(footprints.total_kg, rel=1e-6, abs=1e-9)
    assert np.isfinite(found.rate_kg_ha).all()
    assert (found.covered >= 0).all()


def test_polygons_lie_where_they_are_drawn():
    # A triangle of half a square: 100 kg/ha on 100 m by 100 m / 2.
    triangle = shapely.Polygon([(20, 20), (120, 20), (20, 120)])
    field, grid = box()

    log = PolygonLog("log", (triangle,), np.array([100.0]))
    found = laid_on(footprints_of(log, swath_m=1.0, cell_m=5.0), grid, field)

    assert found.total_kg == pytest.approx(50)
    assert found.rate_kg_ha @ grid.cell_area_ha == pytest.approx(50)
    cut = np.isclose(found.covered, 0.5)
    assert np.count_nonzero(cut) == 20
    assert np.count_nonzero(np.isclose(found.covered, 1.0)) == 190


@given(st.lists(st.tuples(st.floats(-60, 300), st.floats(-60, 300)), min_size=3, max_size=9), st.booleans())
def test_shares_of_cells_agree_with_intersections(places, hole):
    # Peer: GEOS's overlay, cell by cell, for polygons of any shape, with and without a hole.
    hull = shapely.MultiPoint(np.round(places, 1)).convex_hull
    star = shapely.make_valid(shapely.Polygon(np.round(places, 1)), method="structure", keep_collapsed=False)
    area = hull.difference(hull.centroid.buffer(15)) if hole else star
    parts = [part for part in shapely.get_parts(area) if part.geom_type == "Polygon" and part.area > 0]
    field, grid = box(cell_m=20.0)

    log = PolygonLog("log", (MultiPolygon(parts),), np.array([100.0]))
    found = laid_on(footprints_of(log, swath_m=1.0, cell_m=20.0), grid, field)

    easting, northing = grid.centres()
    cells = shapely.box(easting - 10, northing - 10, easting + 10, northing + 10)
    expected = shapely.area(shapely.intersection(cells, MultiPolygon(parts))) / 400
    np.testing.assert_allclose(found.covered, expected, atol=1e-9)


def test_cells_that_the_boundary_cuts_count_with_what_is_inside():
    field = Field("cut", MultiPolygon([shapely.box(0, 0, 12, 20)]), "EPSG:32614")
    area = np.tile([25.0, 25.0, 10.0], (4, 1))
    grid = Grid(field.crs, 0.0, 20.0, 5.0, area)

    log = PolygonLog("log", (shapely.box(0, 0, 15, 20),), np.array([100.0]))
    found = laid_on(footprints_of(log, swath_m=1.0, cell_m=5.0), grid, field)

    np.testing.assert_allclose(found.rate_kg_ha, 100.0)
    assert found.total_kg - found.rate_kg_ha @ grid.cell_area_ha == pytest.approx(100 * 60 / 10_000)


def test_the_way_driven_leaves_gaps_out():
    # 10 passes of 30 records 8 m apart: 29 steps each
    assert length_driven_m(log_of(up_and_down())) == pytest.approx(10 * 29 * 8)


def test_records_of_several_logs_follow_one_another():
    first, second = (footprints_of(log_of(up_and_down(), rate), swath_m=24.0, cell_m=5.0) for rate in (40.0, 60.0))
    field, grid = box()

    np.testing.assert_allclose(laid_on(joined([first, second]), grid, field).rate_kg_ha, 100.0)
