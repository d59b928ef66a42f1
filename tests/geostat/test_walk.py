"""Short paths, against every order there is and against laws of the plane."""

from itertools import permutations

import numpy as np
import shapely
from hypothesis import given
from hypothesis import strategies as st

from zonemap.geostat.walk import path_length_m, short_path


def test_paths_of_seven_places_are_hardly_longer_than_the_shortest():
    rng = np.random.default_rng(1)
    ratios = []
    for _ in range(40):
        places = rng.uniform(0, 100, (7, 2))
        least = min(path_length_m(places[list(order)]) for order in permutations(range(7)) if order[0] < order[-1])
        ratios.append(path_length_m(places[short_path(places)]) / least)

    assert max(ratios) < 1.1
    assert np.mean(ratios) < 1.005


def test_a_path_of_many_places_is_near_the_length_that_the_shortest_is_known_to_have():
    # Beardwood, Halton & Hammersley (1959): the shortest tends to 0.7124 sqrt(n A) (the constant by later work, from
    # memory)
    places = np.random.default_rng(0).uniform(0, 1000, (1000, 2))

    length = path_length_m(places[short_path(places)])

    assert 0.98 < length / (0.7124 * np.sqrt(1000 * 1000.0**2)) < 1.1


@given(st.integers(0, 40), st.integers(0, 2**32 - 1))
def test_a_path_passes_every_place_once_and_never_crosses_itself(count, seed):
    places = np.random.default_rng(seed).uniform(0, 100, (count, 2))

    order = short_path(places)

    assert sorted(order.tolist()) == list(range(count))
    if count > 1:
        # where two pieces cross, turning the part between them round is shorter (the triangle's inequality)
        assert shapely.LineString(places[order]).is_simple
        assert places[order[0], 1] <= places[order[-1], 1]


def test_places_upon_one_another_are_passed_too():
    assert sorted(short_path(np.zeros((5, 2))).tolist()) == list(range(5))
