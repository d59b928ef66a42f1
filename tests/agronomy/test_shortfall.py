"""Season shortfall: exact, convex, falling."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from zonemap.agronomy.shortfall import first_short_day, shortfall_curve
from zonemap.values.need import Demand

START = date(2026, 5, 1)
DAILY = st.lists(st.floats(0, 20), min_size=1, max_size=40)


def demand(daily, response=None):
    return Demand("K", START, np.array(daily), np.ones(len(daily)) if response is None else np.array(response), "")


def by_plain_loop(daily, response, supply, skip=0):
    return sum(max(0.0, d - supply * f) for d, f in list(zip(daily, response, strict=True))[skip:])


@given(DAILY, st.floats(0, 25), st.integers(0, 45), st.randoms(use_true_random=False))
def test_it_equals_a_plain_sum_over_the_days(daily, supply, skip, random):
    response = [random.choice([0.0, 0.5, 1.0, 1.7]) for _ in daily]
    curve = shortfall_curve(demand(daily, response), since=START + timedelta(days=skip))
    assert float(curve.at(supply)) == pytest.approx(by_plain_loop(daily, response, supply, skip), abs=1e-9)


@given(DAILY)
def test_it_is_convex_and_falling(daily):
    curve = shortfall_curve(demand(daily), since=START)
    supply = np.linspace(0, 25, 101)
    need = curve.at(supply)
    assert np.all(np.diff(need) <= 1e-9)
    assert np.all(np.diff(need, 2) >= -1e-9)
    assert curve.falling


def test_it_agrees_with_numerical_integration_of_a_smooth_season():
    # Peer: scipy.integrate.quad over a demand that is constant within each day.
    daily = 3 + 3 * np.sin(np.linspace(0, np.pi, 90))
    curve = shortfall_curve(demand(daily), since=START)
    integral, _ = quad(lambda t: max(0.0, daily[int(t)] - 4.2), 0, 90, points=np.arange(1, 90), limit=500)
    assert float(curve.at(4.2)) == pytest.approx(integral, rel=1e-6)


def test_the_first_short_day():
    assert first_short_day(demand([1.0, 2.0, 3.0]), 2.0) == START + timedelta(days=2)
    assert first_short_day(demand([1.0, 2.0, 3.0]), 3.0) is None


def test_after_the_season_nothing_is_short():
    curve = shortfall_curve(demand([1.0, 2.0]), since=START + timedelta(days=9))
    assert float(curve.at(0.0)) == 0.0
