"""Places of two sets: paired one to one, never beyond the distance."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.geostat.pairing import default_distance_m, pair_places, spacing_m
from zonemap.values.basis import Basis
from zonemap.values.samples import Measurements


def measured(sites, names=None):
    n = len(sites)
    sites = np.array(sites, dtype=float).reshape(n, 2)
    names = tuple(names or (f"s{k}" for k in range(n)))
    ones, none = np.ones(n), np.zeros(n, dtype=bool)
    return Measurements("K", "%", Basis("tissue"), names, *sites.T, ones, ones, ones * np.nan, 0.1, none)


places = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=25, unique=True)


@given(places, places, st.floats(1, 40))
def test_every_place_is_in_one_pair_at_most_and_no_pair_is_too_wide(first, second, within_m):
    pairs = pair_places(measured(first), measured(second, [f"t{k}" for k in range(len(second))]), within_m=within_m)

    assert len(set(pairs.first.tolist())) == len(set(pairs.second.tolist())) == pairs.first.size
    apart = np.hypot(*(np.array(first)[pairs.first] - np.array(second)[pairs.second]).T)
    np.testing.assert_allclose(pairs.distance_m, apart)
    assert np.all(apart <= within_m)


@given(places, places, st.floats(1, 40))
def test_no_two_places_that_could_be_a_pair_are_both_left_alone(first, second, within_m):
    pairs = pair_places(measured(first), measured(second, [f"t{k}" for k in range(len(second))]), within_m=within_m)

    lonely = np.delete(np.array(first, float), pairs.first, axis=0)
    others = np.delete(np.array(second, float), pairs.second, axis=0)
    for place in lonely:
        assert not np.any(np.hypot(*(others - place).T) < within_m - 1e-9)


@given(places)
def test_a_set_pairs_with_itself_place_by_place(sites):
    one = measured(sites)

    pairs = pair_places(one, one, within_m=5.0)

    np.testing.assert_array_equal(pairs.first, np.arange(len(sites)))
    np.testing.assert_array_equal(pairs.second, np.arange(len(sites)))


def test_one_name_wins_over_a_nearer_place():
    first, second = measured([(0, 0)], ["A"]), measured([(1, 0), (4, 0)], ["B", "A"])

    assert pair_places(first, second, within_m=5).second.tolist() == [1]
    assert pair_places(first, second, within_m=3).second.tolist() == [0]


def test_nothing_near_is_no_pair():
    assert pair_places(measured([(0, 0)]), measured([(100, 0)]), within_m=30).first.size == 0


def test_the_default_is_a_third_of_the_spacing_of_the_denser_set():
    wide, dense = measured([(0, 0), (90, 0), (180, 0)]), measured([(0, 0), (30, 0), (60, 0)])

    assert spacing_m(wide) == 90
    assert default_distance_m(wide, dense) == default_distance_m(dense, wide) == pytest.approx(10)
    assert spacing_m(measured([(0, 0)])) == np.inf
