"""Places that cover a field, against derived positions, another library, and laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.cluster import KMeans

from zonemap.geostat.coverage import beside, cover, mean_squared_distance

AXIS = np.arange(20) * 10.0 + 5.0
SQUARE = np.column_stack([axis.ravel() for axis in np.meshgrid(AXIS, AXIS)])
EVEN = np.ones(len(SQUARE))


def test_four_places_cover_a_square_from_the_middle_of_its_quarters():
    # Derived: of 200 m by 200 m the quarters' centres lie at 50 and 150 m.
    np.testing.assert_allclose(cover(SQUARE, EVEN, count=4), [[50, 50], [150, 50], [50, 150], [150, 150]])


def test_the_last_place_goes_to_the_quarter_that_is_not_covered_yet():
    there = np.array([[50.0, 50.0], [150.0, 50.0], [50.0, 150.0]])

    np.testing.assert_allclose(cover(SQUARE, EVEN, count=1, fixed=there), [[150, 150]])


def test_a_field_is_covered_as_well_as_by_another_library():
    rng = np.random.default_rng(8)
    cells = SQUARE[np.hypot(*(SQUARE - 60).T) > 45]
    area = rng.uniform(0.5, 1.0, len(cells))

    ours = mean_squared_distance(cells, area, cover(cells, area, count=13))

    theirs = KMeans(13, n_init=50, random_state=0).fit(cells, sample_weight=area).inertia_ / area.sum()
    assert ours <= 1.02 * theirs


@given(st.integers(1, 25), st.integers(0, 9))
def test_every_place_is_the_middle_of_the_cells_nearest_to_it(count, seed):
    rng = np.random.default_rng(seed)
    cells, area = rng.uniform(0, 100, (60, 2)), rng.uniform(0.1, 1, 60)

    places = cover(cells, area, count=count, seed=seed)

    nearest = np.hypot(*(cells[:, None] - places).transpose(2, 0, 1)).argmin(axis=1)
    assert places.shape == (count, 2)
    for number, place in enumerate(places):
        mine = nearest == number
        np.testing.assert_allclose(place, np.average(cells[mine], axis=0, weights=area[mine]))


def test_as_many_places_as_cells_are_the_cells():
    cells = SQUARE[:30]

    np.testing.assert_allclose(cover(cells, EVEN[:30], count=30), cells)


def test_more_places_than_cells_are_refused():
    with pytest.raises(ValueError, match="31 places cannot cover 30 cells"):
        cover(SQUARE[:30], EVEN[:30], count=31)


@given(st.integers(1, 40), st.integers(0, 9))
def test_pairs_stand_at_their_distance_in_cells_of_their_own(count, seed):
    places = np.array([[55.0, 55.0], [145.0, 55.0], [105.0, 145.0]])

    base, cell = beside(places, SQUARE, distance_m=20.0, count=count, seed=seed)

    assert len(set(cell.tolist())) == count
    of_each = np.bincount(base, minlength=3)
    assert of_each.max() - of_each.min() <= 1
    if count <= 12:  # each place has four cells at 20 m
        np.testing.assert_allclose(np.hypot(*(SQUARE[cell] - places[base]).T), 20.0)


def test_pairs_lie_in_all_directions():
    places = np.array([[105.0, 105.0]])
    away = [SQUARE[beside(places, SQUARE, distance_m=30.0, count=1, seed=seed)[1][0]] - places[0] for seed in range(60)]

    assert {(int(np.sign(east)), int(np.sign(north))) for east, north in away} >= {(1, 0), (-1, 0), (0, 1), (0, -1)}
