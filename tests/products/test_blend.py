"""The cheapest blend for all zones, against a search over every composition."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.special import softmax

from zonemap.products.blend import Wanted, cheapest_composition

#: N, P, K in a kg of urea, MAP, potash, 15-15-15 as elements
GIVES = np.array([[0.46, 0.11, 0.0, 0.15], [0.0, 0.227, 0.0, 0.0655], [0.0, 0.0, 0.498, 0.1245]])
PRICE = np.array([0.55, 0.88, 0.50, 0.68])
AREA = np.array([4.0, 7.0, 2.0])
NEED = np.array([[100.0, 12.0, 40.0], [60.0, 18.0, 70.0], [130.0, 5.0, 20.0]])


def cost(share, gives=GIVES, price=PRICE, need=NEED, area=AREA):
    """Money for a blend of shares of mass: every zone's rate is what its worst met need asks for."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(need > 0, need / (gives @ share), 0.0).max(axis=1)
    return float(area @ rate * (price @ share))


def test_no_composition_of_a_fine_grid_is_cheaper():
    found = cheapest_composition(Wanted(GIVES, NEED), PRICE, AREA)
    steps = 60
    grid = [
        np.array([a, b, c, steps - a - b - c]) / steps
        for a, b, c in itertools.product(range(steps + 1), repeat=3)
        if a + b + c <= steps
    ]
    cheapest = min(cost(share) for share in grid)
    assert found.proven
    assert cost(found.share) == pytest.approx(found.cost, rel=1e-6)
    assert found.cost <= cheapest
    # the best point of the grid lies near: the grid is no finer than this
    assert found.cost == pytest.approx(cheapest, rel=0.01)


def test_two_zones_and_two_products_worked_by_hand():
    # One kg of A brings 1 N, of B 1 K, both at price 1. Zone 1 (1 ha) needs 10 N and 30 K, zone 2 (1 ha) 30 N and 10 K.
    # With a share s of A the rates are max(10/s, 30/(1-s)) and max(30/s, 10/(1-s)); for s = 1/2 both are 60: 120 in
    # all. By symmetry and convexity there is no better.
    wanted = Wanted(np.eye(2), np.array([[10.0, 30.0], [30.0, 10.0]]))
    found = cheapest_composition(wanted, np.ones(2), np.ones(2))
    assert found.share == pytest.approx([0.5, 0.5], abs=1e-4)
    assert found.cost == pytest.approx(120.0, rel=1e-8)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_a_general_minimizer_finds_nothing_cheaper(seed):
    rng = np.random.default_rng(seed)
    products, needs, zones = rng.integers(2, 6), rng.integers(1, 4), rng.integers(1, 5)
    gives = rng.uniform(0, 0.5, (needs, products)) * (rng.random((needs, products)) < 0.7)
    gives[:, 0] += 0.05
    price, area = rng.uniform(0.2, 2, products), rng.uniform(1, 9, zones)
    need = rng.uniform(0, 80, (zones, needs))
    found = cheapest_composition(Wanted(gives, need), price, area)
    for _ in range(3):
        start = rng.dirichlet(np.ones(products))
        other = minimize(
            lambda x: cost(softmax(x), gives, price, need, area),
            np.log(start + 1e-3),
            method="Nelder-Mead",
        )
        assert found.cost <= other.fun * (1 + 1e-7)
    assert found.least_cost <= found.cost * (1 + 1e-12)


@pytest.mark.parametrize("most", [1, 2, 3])
def test_the_best_of_so_many_products_by_trying_every_choice(most):
    found = cheapest_composition(Wanted(GIVES, NEED), PRICE, AREA, most_products=most)
    tried = []
    for chosen in itertools.combinations(range(4), most):
        part = cheapest_composition(Wanted(GIVES[:, chosen], NEED), PRICE[list(chosen)], AREA)
        tried += [] if part is None else [part.cost]
    assert np.count_nonzero(found.share) <= most
    assert found.cost == pytest.approx(min(tried), rel=1e-7)


def test_what_must_be_apart_is_apart_at_the_least_cost():
    found = cheapest_composition(Wanted(GIVES, NEED), PRICE, AREA, forbidden=[(0, 1), (0, 3)])
    assert not (found.share[0] > 0 and (found.share[1] > 0 or found.share[3] > 0))
    without_urea = cheapest_composition(Wanted(GIVES[:, 1:], NEED), PRICE[1:], AREA)
    assert found.cost == pytest.approx(without_urea.cost, rel=1e-7)


def test_there_is_no_blend_where_nothing_holds_what_is_needed():
    nothing = GIVES.copy()
    nothing[2] = 0.0
    assert cheapest_composition(Wanted(nothing, NEED), PRICE, AREA) is None
    # potash is all that brings K, and must not be with what brings the rest
    apart = [(2, 0), (2, 1), (2, 3), (3, 0), (3, 1)]
    assert cheapest_composition(Wanted(GIVES[:, :3], NEED), PRICE[:3], AREA, forbidden=apart[:2]) is None
