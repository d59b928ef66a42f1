"""Spreading, simulated."""

import math
from dataclasses import replace

import numpy as np
import pytest
import rasterio.features
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio import Affine
from scipy.ndimage import distance_transform_edt
from shapely import MultiPolygon, Point, Polygon

from zonemap.machine.delivery import delivered, drive_of
from zonemap.machine.heading import best_heading
from zonemap.values.arrays import frozen_floats
from zonemap.values.field import Field, NoSpread
from zonemap.values.grid import Grid
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product, Spreader
from zonemap.values.spread_pattern import SpreadPattern
from zonemap.values.zones import Zones

MACHINE = Spreader(swath_m=20.0, speed_m_s=5.0, response_s=4.0, heading_deg=0.0)


def rectangle(width_m, height_m, cell_m=5.0):
    """Field and grid, the south-west corner at (1000, 2000)."""
    field = Field("box", MultiPolygon([shapely.box(1000, 2000, 1000 + width_m, 2000 + height_m)]), "EPSG:32614")
    shape = (round(height_m / cell_m), round(width_m / cell_m))
    return field, Grid(field.crs, 1000.0, 2000.0 + height_m, cell_m, np.full(shape, cell_m**2))


def reaching_past(grid, zones, past_m):
    """Raster of zone numbers with a margin, the nearest zone's up to a distance past the field, and the margin."""
    margin = math.ceil(past_m / grid.cell_m)
    raster = np.pad(grid.raster(zones.number, outside=0), margin)
    far, (row, column) = distance_transform_edt(raster == 0, return_indices=True)
    return np.where(far * grid.cell_m <= past_m, raster[row, column], 0).astype(np.int32), margin


def prescribed(field, grid, zones, rates, *, past_m=60.0):
    """Polygons of zones given by cells, reaching past the boundary, at one rate a zone."""
    raster, margin = reaching_past(grid, zones, past_m)
    west, north = grid.west_m - margin * grid.cell_m, grid.north_m + margin * grid.cell_m
    shapes = rasterio.features.shapes(raster, transform=Affine(grid.cell_m, 0, west, 0, -grid.cell_m, north))
    closed = shapely.union_all([place.area for place in field.no_spread]) if field.no_spread else Polygon()
    found = [(shapely.geometry.shape(shape).difference(closed), int(zone)) for shape, zone in shapes if zone]
    found += [(closed, 0)] if field.no_spread else []
    pieces = [(piece, zone) for area, zone in found for piece in shapely.get_parts(area)]
    application = Application(Product("potash", {}), None, np.array(rates), np.array(rates))
    polygons, number = zip(*pieces, strict=True)
    return Prescription("metric", field.crs, polygons, np.array(number), (application,))


def spread(field, grid, zones, rates, spreader, **how):
    prescription = prescribed(field, grid, zones, rates, **how)
    (delivery,) = delivered(prescription, drive_of(prescription, grid, field, spreader))
    return delivery


def scored(field, grid, zones, rates, spreader):
    prescription = prescribed(field, grid, zones, rates)
    return best_heading(prescription, drive_of(prescription, grid, field, spreader))


def west_and_east(grid, at_m):
    return Zones(np.where(grid.centres()[0] < at_m, 1, 2))


def south_and_north(grid, at_m):
    return Zones(np.where(grid.centres()[1] < at_m, 1, 2))


def changed(spreader, **fields):
    return Spreader(**{name: getattr(spreader, name) for name in Spreader.__dataclass_fields__} | fields)


@pytest.mark.parametrize("heading", [0.0, 33.0, 90.0, 170.0])
@pytest.mark.parametrize("overlap", [0.0, 0.5, 1.0])
def test_one_rate_falls_exactly_but_at_edges_and_turns(heading, overlap):
    field, grid = rectangle(400, 300)
    machine = changed(MACHINE, heading_deg=heading, overlap_share=overlap)
    delivery = spread(field, grid, Zones.whole(grid.cells), [150.0], machine)
    inner = shapely.contains_xy(field.boundary.buffer(-20 - 10 - 0.1 - 20 * math.sqrt(2)), *grid.centres())
    assert delivery.delivered_kg_ha[inner] == pytest.approx(150.0, rel=1e-6)
    assert delivery.relative_error[inner] == pytest.approx(0.0, abs=1e-6)
    assert delivery.share_within(0.10) > inner.mean()


def test_one_rate_falls_exactly_everywhere_where_passes_and_rounds_fit():
    # 120 m less two rounds of 20 m are four passes of 20 m
    field, grid = rectangle(120, 200)
    delivery = spread(field, grid, Zones.whole(grid.cells), [150.0], MACHINE)
    assert delivery.delivered_kg_ha == pytest.approx(150.0, rel=1e-9)
    assert (delivery.passes, delivery.rounds) == (4, 1)
    assert delivery.share_within(0.05) == 1.0
    assert delivery.emitted_kg == pytest.approx(150 * 2.4, rel=1e-9)
    assert delivery.beyond_kg == pytest.approx(0.0, abs=1e-6)


def test_the_rate_follows_a_step_in_the_direction_of_each_pass():
    # north at 5 m/s, 4 s: up to the step nothing has changed, 20 m beyond it 95 % is done; southwards mirrored
    field, grid = rectangle(40, 300)
    zones = south_and_north(grid, 2150.0)
    laid = grid.raster(
        spread(field, grid, zones, [100.0, 200.0], changed(MACHINE, headland_swaths=0)).delivered_kg_ha, outside=0.0
    )
    east, north = grid.raster(grid.centres()[0], outside=0), grid.raster(grid.centres()[1], outside=0)
    away = north - 2150.0
    length = 20 / math.log(20)
    first_pass, second_pass = east < 1020, east > 1020
    northward = 100 + 100 * (1 - np.exp(-np.clip(away, 0, None) / length))
    southward = 200 - 100 * (1 - np.exp(-np.clip(-away, 0, None) / length))
    assert laid[first_pass] == pytest.approx(northward[first_pass], abs=1e-6)
    assert laid[second_pass] == pytest.approx(southward[second_pass], abs=1e-6)


def test_reading_ahead_moves_the_change_by_as_much():
    field, grid = rectangle(40, 300)
    zones = south_and_north(grid, 2150.0)
    machine = changed(MACHINE, headland_swaths=0)
    plain = spread(field, grid, zones, [100.0, 200.0], machine)
    ahead = spread(field, grid, zones, [100.0, 200.0], changed(machine, position_offset_m=5.0, look_ahead_s=1.0))
    rows = grid.raster(plain.delivered_kg_ha, outside=0.0), grid.raster(ahead.delivered_kg_ha, outside=0.0)
    # rows run south: on the first pass, northwards, the same rate falls two rows (10 m) earlier
    assert rows[1][2:50, 0] == pytest.approx(rows[0][:48, 0], abs=1e-6)
    assert rows[1][2:-2, -1] == pytest.approx(rows[0][4:, -1], abs=1e-6)


def test_across_travel_the_pass_decides():
    # zones meet on the line between two passes: no error at all without overlap, in the flanks with it
    field, grid = rectangle(80, 200)
    zones = west_and_east(grid, 1040.0)
    sharp = spread(field, grid, zones, [100.0, 200.0], changed(MACHINE, headland_swaths=0))
    assert sharp.share_within(0.05) == 1.0
    flanked = spread(field, grid, zones, [100.0, 200.0], changed(MACHINE, headland_swaths=0, overlap_share=0.5))
    laid = grid.raster(flanked.delivered_kg_ha, outside=0.0)[0]
    # cells 2.5 m to both sides of the line, in flanks of 10 m: 3 / 4 of the own and 1 / 4 of the other rate
    assert laid[7:9] == pytest.approx([125.0, 175.0], rel=1e-6)
    # the outer flanks have no neighbour: 3 / 4 and, 7.5 m in, all
    assert laid[:2] == pytest.approx([75.0, 100.0], rel=1e-6)


@settings(max_examples=25)
@given(
    st.lists(st.floats(0, 400), min_size=3, max_size=3),
    st.floats(0.0, 8.0),
    st.floats(-10, 10),
    st.floats(0, 3),
    st.integers(0, 1),
    st.randoms(use_true_random=False),
)
def test_what_falls_on_the_field_is_what_leaves_the_machine(rates, response, offset, ahead, rounds, chance):
    # passes and rounds fit the field, the pattern has sharp edges: nothing can fall beyond it
    field, grid = rectangle(120, 200)
    blocks = np.array([[chance.randint(1, 3) for _ in range(4)] for _ in range(5)])
    number = blocks.repeat(8, axis=0).repeat(6, axis=1).ravel()
    if set(number.tolist()) != {1, 2, 3}:
        number[:3] = 1, 2, 3
    machine = changed(
        MACHINE, response_s=response, position_offset_m=offset, look_ahead_s=ahead, headland_swaths=rounds
    )
    delivery = spread(field, grid, Zones(number), rates, machine)
    # cells are sampled in their middle: what is left is how the rate bends within a cell, and the corners of the round;
    # three hundred chance fields were off by 0.2 % of a field at the highest rate at most, with a round by 0.3 %
    assert delivery.delivered_kg == pytest.approx(delivery.emitted_kg, abs=1e-6 + 0.005 * max(rates) * 2.4)
    assert delivery.delivered_kg_ha.min() >= min(rates) - 1e-6
    assert delivery.delivered_kg_ha.max() <= max(rates) + 1e-6


@settings(max_examples=15)
@given(st.floats(0, 180), st.floats(0, 1), st.lists(st.floats(50, 400), min_size=2, max_size=2))
def test_turning_field_zones_and_heading_half_around_turns_what_falls(heading, overlap, rates):
    field, grid = rectangle(200, 150)
    zones = south_and_north(grid, 2060.0)
    turned_zones = Zones(zones.number[::-1])
    machine = changed(MACHINE, overlap_share=overlap)
    plain = spread(field, grid, zones, rates, changed(machine, heading_deg=heading))
    turned = spread(field, grid, turned_zones, rates, changed(machine, heading_deg=heading + 180))
    inner = shapely.contains_xy(field.boundary.buffer(-21), *grid.centres())
    # rounds start elsewhere; cells at the very end of a pass may fall to either side of it
    differ = np.abs(plain.delivered_kg_ha[::-1] - turned.delivered_kg_ha) > 1e-3 * max(rates)
    assert np.mean(differ & inner) < 0.01


def test_an_even_number_of_passes_is_the_same_the_other_way():
    field, grid = rectangle(80, 200)
    zones = south_and_north(grid, 2090.0)
    machine = changed(MACHINE, headland_swaths=0)
    south_first = spread(field, grid, zones, [100.0, 250.0], machine)
    north_first = spread(field, grid, zones, [100.0, 250.0], changed(machine, heading_deg=180.0))
    assert south_first.delivered_kg_ha == pytest.approx(north_first.delivered_kg_ha, abs=1e-6)


def _plainly(field, grid, zones, rates, spreader, *, dt):
    """One pass after the other, one cell after the other, the rate by small steps of time; no round."""
    turn = math.radians(spreader.heading_deg)
    travel, right = (math.sin(turn), math.cos(turn)), (math.cos(turn), -math.sin(turn))
    corners = list(field.boundary.geoms[0].exterior.coords)[:-1]
    across = [east * right[0] + north * right[1] for east, north in corners]
    along = [east * travel[0] + north * travel[1] for east, north in corners]
    swath, flank = spreader.swath_m, spreader.overlap_share * spreader.swath_m
    count = math.ceil((max(across) - min(across)) / swath - 1e-6)
    middle = (max(across) + min(across)) / 2
    raster, margin = reaching_past(grid, zones, 60.0)
    tau = spreader.response_s / math.log(20)
    lead = spreader.position_offset_m + spreader.look_ahead_s * spreader.speed_m_s
    laid = np.zeros(grid.cells)
    for line in range(count):
        offset = middle + (line - (count - 1) / 2) * swath
        sense = 1 if line % 2 == 0 else -1
        start = min(along) - 10 if sense > 0 else max(along) + 10
        steps = int((max(along) - min(along) + 20) / spreader.speed_m_s / dt)
        places, flow, rate = [], [], None
        for step in range(steps):
            place = start + sense * step * dt * spreader.speed_m_s
            ahead = place + sense * lead
            east = ahead * travel[0] + offset * right[0]
            north = ahead * travel[1] + offset * right[1]
            row = math.floor((grid.north_m - north) / grid.cell_m) + margin
            column = math.floor((east - grid.west_m) / grid.cell_m) + margin
            asked = rates[raster[row, column] - 1] if raster[row, column] else 0.0
            rate = asked if rate is None else rate + (asked - rate) * dt / tau
            places.append(place)
            flow.append(rate)
        order = np.argsort(places)
        for cell, (east, north) in enumerate(zip(*grid.centres(), strict=True)):
            place = east * travel[0] + north * travel[1]
            beside = abs(east * right[0] + north * right[1] - offset)
            foot = Point(place * travel[0] + offset * right[0], place * travel[1] + offset * right[1])
            share = min(max((swath / 2 + flank / 2 - beside) / flank, 0.0), 1.0)
            if share > 0 and field.boundary.contains(foot):
                laid[cell] += share * np.interp(place, np.array(places)[order], np.array(flow)[order])
    return laid


@pytest.mark.parametrize(("heading", "offset"), [(0.0, 3.0), (90.0, -4.0), (30.0, 2.0), (137.0, 0.0)])
def test_a_slow_plain_loop_lays_down_the_same(heading, offset):
    field, grid = rectangle(100, 80)
    number = np.where(grid.centres()[0] < 1040, 1, np.where(grid.centres()[1] < 2035, 2, 3))
    rates = [100.0, 180.0, 60.0]
    machine = changed(
        MACHINE, heading_deg=heading, overlap_share=0.4, headland_swaths=0, position_offset_m=offset, look_ahead_s=0.5
    )
    fast = spread(field, grid, Zones(number), rates, machine).delivered_kg_ha
    slow = _plainly(field, grid, Zones(number), rates, machine, dt=0.004)
    # the fast one reads the map every quarter of a cell: a change comes up to 0.625 m early or late, in 6.7 m of
    # response
    largest_step = 120.0
    assert np.abs(fast - slow).max() < largest_step * 0.7 / (20 / math.log(20))
    assert np.abs(fast - slow).mean() < 1.0


def test_nothing_is_meant_for_places_closed_to_spreading_and_what_falls_there_is_told():
    field, grid = rectangle(200, 200)
    pond = MultiPolygon([shapely.box(1080, 2080, 1120, 2120)])
    field = Field(field.name, field.boundary, field.crs, (NoSpread("pond", pond),))
    zones = Zones.whole(grid.cells)
    at_once = spread(field, grid, zones, [100.0], changed(MACHINE, response_s=0.0, headland_swaths=0))
    slow = spread(field, grid, zones, [100.0], changed(MACHINE, headland_swaths=0))
    assert at_once.on_no_spread_kg == pytest.approx(0.0, abs=1e-9)
    # two passes of 20 m by hand: each closes along exp(-s / l): 100 kg/ha x 20 m x l (1 - exp(-40 / l)), l = 6.676 m
    assert slow.on_no_spread_kg == pytest.approx(2 * 100 * 20 * 6.676 * (1 - math.exp(-40 / 6.676)) / 1e4, rel=0.03)
    assert np.isnan(slow.relative_error).sum() == 64
    assert slow.intended_kg == pytest.approx(100 * (4.0 - 0.16))
    assert slow.share_within(0.1) < at_once.share_within(0.1) == 1.0


def test_rounds_can_be_left_out_or_doubled_and_a_small_field_has_none():
    field, grid = rectangle(200, 200)
    zones = Zones.whole(grid.cells)
    by_rounds = {n: spread(field, grid, zones, [100.0], changed(MACHINE, headland_swaths=n)) for n in (0, 1, 2)}
    assert [by_rounds[n].rounds for n in (0, 1, 2)] == [0, 1, 2]
    assert [by_rounds[n].passes for n in (0, 1, 2)] == [10, 8, 6]
    small, small_grid = rectangle(30, 60)
    delivery = spread(small, small_grid, Zones.whole(small_grid.cells), [100.0], MACHINE)
    assert delivery.rounds == 0
    assert any("too small for a round" in note.text for note in delivery.notes)


def test_a_slanted_edge_is_missed_on_one_side_of_a_pass_and_overshot_on_the_other():
    # a right triangle without a round: passes end where their middle leaves it
    triangle = Field("t", MultiPolygon([shapely.Polygon([(0, 0), (400, 0), (0, 400)])]), "EPSG:32614")
    areas = np.zeros((80, 80))
    for row in range(80):
        for column in range(80):
            box = shapely.box(5 * column, 400 - 5 * (row + 1), 5 * column + 5, 400 - 5 * row)
            areas[row, column] = box.intersection(triangle.boundary).area
    grid = Grid(triangle.crs, 0.0, 400.0, 5.0, frozen_floats(areas, shape=(None, None)))
    machine = changed(MACHINE, headland_swaths=0)
    delivery = spread(triangle, grid, Zones.whole(grid.cells), [100.0], machine, past_m=120.0)
    # by hand: 20 passes each miss a triangle of half of 10 m x 10 m on the field and overshoot one like it
    missed = (delivery.delivered_kg_ha == 0) & (grid.cell_area_ha > 0)
    assert delivery.emitted_kg == pytest.approx(100 * 8.0, rel=1e-9)
    assert grid.cell_area_ha[missed].sum() == pytest.approx(20 * 0.005, rel=0.3)


def test_a_measured_pattern_is_normalised_to_the_rate():
    field, grid = rectangle(400, 300)
    pans = SpreadPattern([-20.0, -10.0, 0.0, 10.0, 20.0], [0.0, 3.0, 4.0, 3.0, 0.0])
    machine = changed(MACHINE, pattern=pans)
    delivery = spread(field, grid, Zones.whole(grid.cells), [150.0], machine)
    inner = grid.raster(delivery.delivered_kg_ha, outside=0.0)[20:40, 20:60]
    # 40 cells of 5 m: ten whole swaths
    assert inner.mean() == pytest.approx(150.0, rel=2e-3)
    assert inner.std() > 1.0


def test_without_a_strip_past_the_boundary_the_rate_has_to_rise_at_every_pass():
    # the controller reads 0 before the field: s metres in, 1 - exp(-s / l) of the rate is there, l = 20 m / ln 20
    field, grid = rectangle(40, 300)
    machine = changed(MACHINE, headland_swaths=0)
    bare = spread(field, grid, Zones.whole(grid.cells), [100.0], machine, past_m=0.0)
    laid, north = (grid.raster(each, outside=0.0) for each in (bare.delivered_kg_ha, grid.centres()[1]))
    length = 20 / math.log(20)
    assert laid[:, 0] == pytest.approx(100 * (1 - np.exp(-(north[:, 0] - 2000) / length)), abs=1e-6)
    assert laid[:, -1] == pytest.approx(100 * (1 - np.exp(-(2300 - north[:, -1]) / length)), abs=1e-6)
    # by hand: 15.4 m at the start of each pass are off by more than a tenth: three of 60 cells of 5 m
    assert bare.share_within(0.10) == pytest.approx(57 / 60)
    reaching = spread(field, grid, Zones.whole(grid.cells), [100.0], machine)
    assert reaching.share_within(0.10) == 1.0


def test_outside_of_all_polygons_the_stated_rate_is_read():
    field, grid = rectangle(40, 300)
    bare = prescribed(field, grid, Zones.whole(grid.cells), [100.0], past_m=0.0)
    stated = replace(bare, outside_rate_kg_ha=100.0)
    (delivery,) = delivered(stated, drive_of(stated, grid, field, changed(MACHINE, headland_swaths=0)))
    assert delivery.delivered_kg_ha == pytest.approx(100.0, rel=1e-9)


def test_a_polygon_that_joined_its_neighbour_is_driven_at_its_neighbours_rate():
    # cells say zone 2 in the middle, the file's only polygon says zone 1
    field, grid = rectangle(120, 200)
    whole = prescribed(field, grid, Zones.whole(grid.cells), [100.0, 300.0])
    (delivery,) = delivered(whole, drive_of(whole, grid, field, MACHINE))
    assert delivery.intended_kg_ha == pytest.approx(100.0)
    assert delivery.delivered_kg_ha == pytest.approx(100.0, rel=1e-9)


def test_a_machine_without_a_swath_is_not_driven():
    field, grid = rectangle(100, 100)
    prescription = prescribed(field, grid, Zones.whole(grid.cells), [100.0])
    drive = drive_of(prescription, grid, field, Spreader())
    assert delivered(prescription, drive) == ()
    assert best_heading(prescription, drive) is None


def test_what_was_not_stated_is_said():
    field, grid = rectangle(200, 100)
    delivery = spread(field, grid, Zones.whole(grid.cells), [100.0], Spreader(swath_m=20.0))
    said = " ".join(note.text for note in delivery.notes)
    assert "heading_deg: not stated" in said
    assert "change at once" in said
    wide = spread(
        field, grid, Zones.whole(grid.cells), [100.0], Spreader(20.0, pattern=SpreadPattern([-10, 0, 10], [0, 1, 0]))
    )
    assert any("58%" in note.text and "lose yield" in note.text for note in wide.notes)


def test_the_best_heading_runs_along_narrow_zones():
    # strips of 40 m from south-west to north-east, their edges between two passes: along them the rate changes least
    field, grid = rectangle(400, 400)
    east, north = grid.centres()
    strip = np.floor((east - north + 1000) / math.sqrt(2) / 40).astype(int) % 2 + 1
    scores = scored(field, grid, Zones(strip), [100.0, 200.0], MACHINE)
    assert scores.best_deg == 45.0
    assert scores.heading_deg.tolist() == [*range(0, 31, 15), 35, 40, 45, 50, 55, *range(60, 180, 15)]
    by_heading = dict(zip(scores.heading_deg.tolist(), scores.share_within_10.tolist(), strict=True))
    assert by_heading[45.0] > by_heading[135.0] + 0.1


def test_of_equal_headings_the_one_with_fewer_passes_is_best_then_the_smaller_angle():
    # one rate, whole passes both ways, no rounds: long passes are fewer
    field, grid = rectangle(200, 100)
    machine = changed(MACHINE, headland_swaths=0)
    scores = scored(field, grid, Zones.whole(grid.cells), [100.0], machine)
    assert scores.best_deg == 90.0
    square, square_grid = rectangle(200, 200)
    scores = scored(square, square_grid, Zones.whole(square_grid.cells), [100.0], machine)
    assert scores.best_deg == 0.0


def test_cells_whose_middle_lies_beyond_the_field_get_what_falls_on_their_part():
    # 122 m across: the last column of cells holds strips of 2 m of the field
    field = Field("strip", MultiPolygon([shapely.box(0, 0, 122, 200)]), "EPSG:32614")
    areas = np.full((40, 25), 25.0)
    areas[:, -1] = 10.0
    grid = Grid(field.crs, 0.0, 200.0, 5.0, areas)
    delivery = spread(field, grid, Zones.whole(grid.cells), [100.0], MACHINE)
    last = grid.raster(delivery.delivered_kg_ha, outside=0.0)[:, -1]
    assert last == pytest.approx(100.0)


def test_a_hole_is_driven_round_and_gets_nothing():
    outline = shapely.box(0, 0, 400, 400).difference(shapely.box(160, 160, 240, 240))
    field = Field("ring", MultiPolygon([outline]), "EPSG:32614")
    areas = np.full((80, 80), 25.0)
    areas[32:48, 32:48] = 0.0
    grid = Grid(field.crs, 0.0, 400.0, 5.0, areas)
    delivery = spread(field, grid, Zones.whole(grid.cells), [100.0], MACHINE)
    # two rings of one round, and passes that stop on both sides of the hole and its round of 120 m: six of eighteen
    assert delivery.rounds == 1
    assert delivery.passes == 18
    assert len(delivery.track) == 2 + 18 + 6
    # rows and columns fit: what is off is in the corners of the rounds
    assert delivery.share_within(0.05) > 0.99
    assert delivery.emitted_kg == pytest.approx(100 * field.area_ha, rel=0.01)


def test_a_neck_too_narrow_for_a_round_is_spread_by_the_passes():
    # two squares joined by a strip of 15 m, one swath is 20 m; the pass at 90 m covers 80 to 100 m
    outline = shapely.union_all(
        [shapely.box(0, 0, 200, 200), shapely.box(0, 400, 200, 600), shapely.box(85, 200, 100, 400)]
    )
    field = Field("neck", MultiPolygon([outline]), "EPSG:32614")
    areas = np.zeros((120, 40))
    areas[:40] = areas[80:] = 25.0
    areas[40:80, 17:20] = 25.0
    grid = Grid(field.crs, 0.0, 600.0, 5.0, areas)
    delivery = spread(field, grid, Zones.whole(grid.cells), [100.0], MACHINE)
    neck = grid.raster(delivery.delivered_kg_ha, outside=0.0)[48:72, 17:20]
    assert neck == pytest.approx(100.0, rel=1e-6)


def test_a_round_is_driven_clockwise_and_follows_its_zones_with_the_same_lag():
    # the outer band of 20 m: along its north side the machine goes east, along its south side west
    field, grid = rectangle(400, 200)
    delivery = spread(field, grid, west_and_east(grid, 1200.0), [100.0, 200.0], MACHINE)
    laid = grid.raster(delivery.delivered_kg_ha, outside=0.0)
    away = grid.raster(grid.centres()[0], outside=0.0)[0] - 1200.0
    length = 20 / math.log(20)
    eastward = 100 + 100 * (1 - np.exp(-np.clip(away, 0, None) / length))
    westward = 200 - 100 * (1 - np.exp(-np.clip(-away, 0, None) / length))
    straight = slice(8, -8)
    # a step along the round is as long as goes into it without a rest, so the change comes up to one late or early
    for row in range(4):
        assert laid[row, straight] == pytest.approx(eastward[straight], abs=100 * 1.25 / length)
        assert laid[-1 - row, straight] == pytest.approx(westward[straight], abs=100 * 1.25 / length)
    assert laid[0, 41] < 170.0 < laid[-1, 41]


def test_what_is_thrown_to_the_right_falls_into_the_field_on_a_round_and_to_one_side_on_passes():
    field, grid = rectangle(400, 200)
    right = SpreadPattern([0.0, 1e-3, 20.0, 20.001], [0.0, 1.0, 1.0, 0.0])
    delivery = spread(field, grid, Zones.whole(grid.cells), [100.0], changed(MACHINE, pattern=right))
    laid = grid.raster(delivery.delivered_kg_ha, outside=0.0)
    # the round's line is 10 m in: nothing falls outside it, all of it 10 to 30 m in
    assert laid[:2, 20:60] == pytest.approx(0.0)
    # passes go north, then south, 20 m apart: between the first two both throw, between the next two none does
    middle = laid[20, 4:20]
    assert middle == pytest.approx(np.repeat([100.0, 200.0, 0.0, 200.0, 0.0], [2, 4, 4, 4, 2]), abs=0.2)


def test_what_one_pass_over_a_step_emits_is_that_of_the_hand_calculation():
    # 20 m wide, 150 m at 100 and 150 m at 200 kg/ha, less what the slow rise holds back: 100 x l, l = 20 m / ln 20
    field, grid = rectangle(20, 300)
    zones = south_and_north(grid, 2150.0)
    delivery = spread(field, grid, zones, [100.0, 200.0], changed(MACHINE, headland_swaths=0))
    length = 20 / math.log(20)
    assert delivery.emitted_kg == pytest.approx(20 * (150 * 100 + 150 * 200 - 100 * length) / 1e4, rel=1e-9)


def test_reading_ahead_moves_the_change_on_a_round_too():
    # 10 m ahead: what falls on the north side, driven eastwards, is what fell two cells farther east
    field, grid = rectangle(400, 200)
    zones = west_and_east(grid, 1200.0)
    rows = [
        grid.raster(spread(field, grid, zones, [100.0, 200.0], machine).delivered_kg_ha, outside=0.0)
        for machine in (MACHINE, changed(MACHINE, position_offset_m=10.0))
    ]
    # one step of 1.25 m early or late in 6.68 m of response, of a change by 100
    late = 100 * 1.25 / (20 / math.log(20))
    assert rows[1][0, 8:-10] == pytest.approx(rows[0][0, 10:-8], abs=late)
    assert rows[1][-1, 10:-8] == pytest.approx(rows[0][-1, 8:-10], abs=late)
