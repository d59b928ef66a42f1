"""Zones by hand, against what a pencil on squared paper gives."""

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, box

from zonemap.errors import InputError
from zonemap.values.grid import Grid
from zonemap.values.hand import DrawnZones, MergeZones, MoveCells, SplitZone
from zonemap.values.zones import Zones
from zonemap.zoning.hand import cells_of_drawn, edited

#: four rows of six cells of 10 m, the corner at (0, 0) in the southwest
GRID = Grid("EPSG:32614", 0.0, 40.0, 10.0, np.full((4, 6), 100.0))
HALVES = Zones(np.tile(np.repeat([1, 2], 3), 4))


def raster(zones):
    return GRID.raster(zones.number, outside=0).tolist()


def test_cells_take_the_drawn_zone_their_centre_lies_in_and_the_nearest_where_it_lies_in_none():
    drawn = DrawnZones(("light", "heavy"), (box(0, 0, 20, 40), box(30, 0, 60, 40)))
    zones, labels, missed = cells_of_drawn(drawn, GRID)
    assert labels == ("light", "heavy")
    assert missed == pytest.approx(1 / 6)
    assert raster(zones)[0] in ([1, 1, 1, 2, 2, 2], [1, 1, 2, 2, 2, 2])


def test_of_overlapping_zones_the_first_holds_and_zones_beyond_the_field_are_left_out():
    drawn = DrawnZones(("a", "far", "b"), (box(0, 0, 40, 40), box(900, 0, 990, 40), box(20, 0, 60, 40)))
    zones, labels, missed = cells_of_drawn(drawn, GRID)
    assert (labels, missed) == (("a", "b"), 0.0)
    assert raster(zones) == [[1, 1, 1, 1, 2, 2]] * 4


def test_zones_that_miss_the_field_are_refused():
    with pytest.raises(InputError, match="Check the file and its crs"):
        cells_of_drawn(DrawnZones(("a",), (box(900, 0, 990, 40),)), GRID)


def test_merging_closes_up_the_numbers():
    quarters = Zones(np.tile([1, 1, 2, 2, 3, 3], 4))
    assert raster(edited(quarters, GRID, MergeZones((2, 1)), where="w")) == [[1, 1, 1, 1, 2, 2]] * 4


def test_a_split_gives_the_right_hand_side_the_last_number():
    northward = LineString([(40, -5), (40, 50)])
    assert raster(edited(HALVES, GRID, SplitZone(2, northward), where="w")) == [[1, 1, 1, 2, 3, 3]] * 4
    assert raster(edited(HALVES, GRID, SplitZone(2, northward.reverse()), where="w")) == [[1, 1, 1, 3, 2, 2]] * 4


def test_a_line_that_stops_short_goes_on_as_it_began():
    short = LineString([(40, 18), (40, 22)])
    assert raster(edited(HALVES, GRID, SplitZone(2, short), where="w")) == [[1, 1, 1, 2, 3, 3]] * 4


def test_a_bent_line_splits_along_its_bend():
    bent = LineString([(-5, 20), (10, 20), (10, 50)])  # eastward, then north: right is south, then east
    whole = Zones.whole(24)
    assert raster(edited(whole, GRID, SplitZone(1, bent), where="w")) == [
        [1, 2, 2, 2, 2, 2],
        [1, 2, 2, 2, 2, 2],
        [2, 2, 2, 2, 2, 2],
        [2, 2, 2, 2, 2, 2],
    ]


def test_cells_of_an_area_move_to_a_zone_or_a_new_one():
    corner = MultiPolygon([box(0, 20, 20, 40)])
    assert raster(edited(HALVES, GRID, MoveCells(corner, 2), where="w"))[:2] == [[2, 2, 1, 2, 2, 2]] * 2
    assert raster(edited(HALVES, GRID, MoveCells(corner, 3), where="w"))[:2] == [[3, 3, 1, 2, 2, 2]] * 2


@pytest.mark.parametrize(
    ("edit", "mend"),
    [
        (MergeZones((1, 5)), "Name one from 1 to 2"),
        (SplitZone(4, LineString([(0, 0), (1, 1)])), "Name one from 1 to 2"),
        (SplitZone(2, LineString([(15, 0), (15, 40)])), "Draw it through the zone"),
        (MoveCells(MultiPolygon([box(0, 0, 20, 20)]), 4), "Name one from 1 to 3"),
        (MoveCells(MultiPolygon([box(900, 0, 920, 20)]), 1), "Check its coordinates"),
    ],
)
def test_a_change_that_cannot_be_made_is_refused(edit, mend):
    with pytest.raises(InputError, match=mend):
        edited(HALVES, GRID, edit, where="field.toml, zone_edit 1")
