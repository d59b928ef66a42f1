import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import label

from zonemap.errors import InputError
from zonemap.values.grid import Grid
from zonemap.values.zones import Features, Zones
from zonemap.zoning.workable import as_they_are, merge_small, smooth_labels


def grid_of(raster, area_m2=None):
    """Grid of 100 m cells whose field is where the raster is not 0; a cell is 1 ha."""
    inside = np.asarray(raster) > 0
    return Grid("EPSG:32614", 0.0, 0.0, 100.0, np.where(inside, 1e4, 0.0) if area_m2 is None else area_m2)


def zones_of(raster):
    raster = np.asarray(raster)
    return Zones(raster[raster > 0])


def features_of(values):
    return Features(("K",), np.asarray(values, dtype=float)[:, None])


def merged(raster, feature_of_zone, **minimum):
    grid, zones = grid_of(raster), zones_of(raster)
    features = features_of([feature_of_zone[zone] for zone in zones.number])
    return grid.raster(merge_small(zones, grid, features, **minimum).number, outside=0).tolist()


def test_a_crumb_joins_the_neighbour_most_like_it():
    raster = [[1, 1, 1, 1], [1, 3, 2, 2], [2, 2, 2, 2]]

    assert merged(raster, {1: 0.0, 2: 10.0, 3: 6.0}, minimum_area_ha=2.0) == [[1, 1, 1, 1], [1, 2, 2, 2], [2, 2, 2, 2]]
    assert merged(raster, {1: 0.0, 2: 10.0, 3: 4.0}, minimum_area_ha=2.0) == [[1, 1, 1, 1], [1, 1, 2, 2], [2, 2, 2, 2]]


def test_a_piece_as_large_as_the_minimum_stays():
    raster = [[1, 1, 2, 3, 3]]

    assert merged(raster, {1: 0.0, 2: 1.0, 3: 9.0}, minimum_area_ha=1.0) == raster


def test_only_the_small_piece_of_a_zone_is_merged():
    raster = [[1, 1, 2, 1], [1, 1, 2, 2], [1, 1, 2, 2]]

    assert merged(raster, {1: 0.0, 2: 9.0}, minimum_area_ha=2.0) == [[1, 1, 2, 2], [1, 1, 2, 2], [1, 1, 2, 2]]


def test_cells_that_meet_at_a_corner_only_are_two_pieces():
    raster = [[2, 1, 1], [1, 2, 1], [1, 1, 1]]

    assert merged(raster, {1: 0.0, 2: 9.0}, minimum_area_ha=2.0) == [[1, 1, 1], [1, 1, 1], [1, 1, 1]]


def test_smallest_pieces_go_first_and_grow_together():
    # The single 2 goes first and joins 3, which is then large enough; had the two 3 gone first, they would be 4.
    raster = [[1, 1, 1, 2, 3, 3, 4, 4, 4]]

    assert merged(raster, {1: 0.0, 2: 5.0, 3: 6.0, 4: 7.0}, minimum_area_ha=3.0) == [[1, 1, 1, 2, 2, 2, 3, 3, 3]]


def test_a_bridge_joins_the_pieces_on_both_sides():
    # The 2 in the middle becomes 1, and two pieces of 2 ha are one of 5 ha: none is small any more.
    raster = [[1, 1, 2, 1, 1], [3, 3, 3, 3, 3]]

    assert merged(raster, {1: 0.0, 2: 1.0, 3: 9.0}, minimum_area_ha=3.0) == [[1, 1, 1, 1, 1], [2, 2, 2, 2, 2]]


def test_parts_of_a_field_are_never_merged_across():
    raster = [[1, 0, 2, 2], [0, 0, 2, 2], [3, 0, 2, 2]]

    assert merged(raster, {1: 0.0, 2: 1.0, 3: 2.0}, minimum_area_ha=5.0) == raster


def test_a_small_part_becomes_one_zone():
    raster = [[1, 2, 0, 1, 1, 1, 2, 2, 2]]

    assert merged(raster, {1: 0.0, 2: 1.0}, minimum_area_ha=3.0)[0][:2] in ([1, 1], [2, 2])


def test_a_zone_that_vanishes_leaves_no_gap():
    raster = [[1, 1, 1, 2, 3, 3, 3]]

    assert merged(raster, {1: 0.0, 2: 1.0, 3: 9.0}, minimum_area_ha=2.0) == [[1, 1, 1, 1, 2, 2, 2]]


def test_the_share_of_the_field_counts_where_no_area_is_given():
    raster = [[1] * 7 + [2] + [1] * 2]

    assert merged(raster, {1: 0.0, 2: 9.0}, minimum_share=0.1) == raster
    assert merged(raster, {1: 0.0, 2: 9.0}, minimum_share=0.11) == [[1] * 10]


def test_without_features_the_larger_neighbour_takes_the_crumb():
    raster = [[1, 1, 2, 3, 3, 3]]
    grid, zones = grid_of(raster), zones_of(raster)

    found = merge_small(zones, grid, Features((), np.empty((6, 0))), minimum_area_ha=2.0)

    assert found.number.tolist() == [1, 1, 2, 2, 2, 2]


def plain_merge(raster, area_m2, value, minimum_ha):
    """Find all pieces, merge the smallest small one, and begin again."""
    raster = raster.copy()
    while True:
        pieces = [
            found == number
            for zone in np.unique(raster[raster > 0])
            for found, many in [label(raster == zone)]
            for number in range(1, many + 1)
        ]
        area = [area_m2[piece].sum() / 1e4 for piece in pieces]
        mean = [np.average(value[piece], weights=area_m2[piece]) for piece in pieces]
        touching = [
            [other for other in range(len(pieces)) if touch(pieces[one], pieces[other])] for one in range(len(pieces))
        ]
        small = [one for one in range(len(pieces)) if area[one] < minimum_ha and touching[one]]
        if not small:
            return raster
        one = min(small, key=lambda k: area[k])
        other = min(touching[one], key=lambda k: abs(mean[k] - mean[one]))
        raster[pieces[one]] = raster[pieces[other]][0]


def touch(one, other):
    if (one & other).any():
        return False
    return bool(
        (one[1:] & other[:-1]).any()
        or (one[:-1] & other[1:]).any()
        or (one[:, 1:] & other[:, :-1]).any()
        or (one[:, :-1] & other[:, 1:]).any()
    )


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(1, 7), st.integers(1, 7), st.integers(1, 4), st.floats(0.3, 8))
def test_merging_agrees_with_a_plain_loop(seed, rows, columns, count, minimum_ha):
    rng = np.random.default_rng(seed)
    area_m2 = rng.uniform(2e3, 1e4, size=(rows, columns)) * (rng.random((rows, columns)) > 0.2)
    area_m2[0, 0] = 5e3
    raster = np.where(area_m2 > 0, rng.integers(1, count + 1, size=(rows, columns)), 0)
    raster[area_m2 > 0] = np.unique(raster[area_m2 > 0], return_inverse=True)[1] + 1
    value = rng.normal(size=(rows, columns))
    grid = grid_of(raster, area_m2)

    found = merge_small(zones_of(raster), grid, features_of(value[grid.inside]), minimum_area_ha=minimum_ha)

    expected = plain_merge(raster, area_m2, value, minimum_ha)[grid.inside]
    np.testing.assert_array_equal(found.number, np.unique(expected, return_inverse=True)[1] + 1)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(0, 20))
def test_no_piece_is_left_small_unless_it_fills_its_part(seed, minimum_ha):
    rng = np.random.default_rng(seed)
    raster = np.where(rng.random((15, 15)) > 0.3, rng.integers(1, 4, size=(15, 15)), 0)
    raster[0, :3] = [1, 2, 3]
    grid = grid_of(raster)
    features = features_of(rng.normal(size=grid.cells))

    zones = merge_small(zones_of(raster), grid, features, minimum_area_ha=minimum_ha)

    result = grid.raster(zones.number, outside=0)
    part, _ = label(result > 0)
    for zone in range(1, zones.count + 1):
        piece, many = label(result == zone)
        for number in range(1, many + 1):
            mine = piece == number
            fills = mine.sum() == (part == part[mine][0]).sum()
            assert mine.sum() >= minimum_ha or fills
    again = merge_small(zones, grid, features, minimum_area_ha=minimum_ha)
    np.testing.assert_array_equal(again.number, zones.number)


def test_a_minimum_of_nothing_changes_nothing():
    raster = np.random.default_rng(1).integers(1, 4, size=(9, 9))

    assert merged(raster, {1: 0.0, 2: 1.0, 3: 2.0}, minimum_area_ha=0.0) == raster.tolist()


@pytest.mark.parametrize("minimum", [{"minimum_area_ha": -1.0}, {"minimum_share": float("nan")}])
def test_a_minimum_that_is_no_size_is_refused(minimum):
    with pytest.raises(InputError, match="Write 0 or more"):
        merged([[1, 2]], {1: 0.0, 2: 1.0}, **minimum)


def test_the_majority_smooths_a_ragged_edge_and_a_speck():
    raster = np.array([[1, 1, 1, 2, 2], [1, 1, 2, 2, 2], [1, 1, 1, 2, 2], [1, 1, 1, 2, 1], [1, 1, 1, 2, 2]])
    grid = grid_of(raster)

    smooth = grid.raster(smooth_labels(zones_of(raster), grid).number, outside=0)

    assert smooth.tolist() == [[1, 1, 1, 2, 2], [1, 1, 1, 2, 2], [1, 1, 1, 2, 2], [1, 1, 1, 2, 2], [1, 1, 1, 2, 2]]


def plain_majority(raster, count):
    """Nine votes a cell, counted one by one."""
    smooth = raster.copy()
    rows, columns = raster.shape
    for row, column in zip(*np.nonzero(raster), strict=True):
        window = raster[max(row - 1, 0) : min(row + 2, rows), max(column - 1, 0) : min(column + 2, columns)]
        votes = np.bincount(window.ravel(), minlength=count + 1)[1:]
        if votes.max() > votes[raster[row, column] - 1]:
            smooth[row, column] = np.argmax(votes) + 1
    return smooth


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9), st.integers(1, 9), st.integers(1, 5))
def test_the_majority_agrees_with_a_plain_count(seed, rows, columns, count):
    rng = np.random.default_rng(seed)
    raster = rng.integers(0, count + 1, size=(rows, columns))
    raster[0, 0] = 1
    raster[raster > 0] = np.unique(raster[raster > 0], return_inverse=True)[1] + 1
    grid = grid_of(raster)

    found = smooth_labels(zones_of(raster), grid, passes=1)

    expected = plain_majority(raster, count)[grid.inside]
    np.testing.assert_array_equal(found.number, np.unique(expected, return_inverse=True)[1] + 1)


def test_majority_passes_come_before_merging():
    raster = [[1, 1, 1, 1], [1, 2, 1, 1], [1, 1, 1, 1]]

    assert merged(raster, {1: 0.0, 2: 9.0}, minimum_area_ha=0.0, majority_passes=1) == [[1] * 4] * 3


def test_zones_can_be_left_as_they_are():
    raster = [[1, 2]]
    zones = zones_of(raster)

    assert as_they_are(zones, grid_of(raster), features_of([0.0, 1.0])) is zones
