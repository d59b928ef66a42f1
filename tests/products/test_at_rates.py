"""A programme at other rates: at its own it is itself; elsewhere amounts are those of a slow count by hand."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from zonemap.products.at_rates import at_rates
from zonemap.products.programme import programme
from zonemap.values.programme import Ask, NeedPath
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Terms

SPRING, SUMMER = date(2026, 5, 1), date(2026, 6, 1)
UREA = Product("urea", {"N": 0.46}, price_per_kg=0.5, bag_kg=25.0)
MEAL = Product("meal", {"N": 0.12, "P": 0.01}, price_per_kg=0.4, release_half_life_days=20.0, on_hand_kg=100.0)
AREA = np.array([2.0, 3.0])


def asked(spreading):
    days = 80
    daily = np.linspace(0.2, 1.2, days)
    path = NeedPath("N", SPRING, np.outer([1.0, 1.6], np.cumsum(daily)), np.zeros(2), 3.0, 100.0)
    terms = Terms(spreading=spreading, cost_of_trip_ha=4.0, whole_bags=True)
    return Ask((path,), (UREA, MEAL), (Pass(SPRING), Pass(SUMMER)), terms, AREA)


@pytest.mark.parametrize("spreading", ["separate", "bins", "blend"])
def test_at_its_own_rates_a_programme_is_itself(spreading):
    ask = asked(spreading)
    made = programme(ask, spreading=spreading)
    again = at_rates(made, ask, made.doses)
    assert again.purchases == made.purchases
    assert (again.trips, again.trip_cost, again.cost) == (made.trips, made.trip_cost, made.cost)
    for own, other in zip(made.balances, again.balances, strict=True):
        assert other.available_kg_ha == pytest.approx(own.available_kg_ha)
        assert other.applied_kg_ha == pytest.approx(own.applied_kg_ha)


def test_more_of_one_product_is_bought_in_bags_and_feeds_what_it_holds():
    ask = asked("separate")
    made = programme(ask)
    dose = next(dose for dose in made.doses if dose.product is UREA)
    others = [each for each in made.doses if each is not dose]
    more = replace(dose, rate_kg_ha=dose.rate_kg_ha + np.array([10.0, 0.0]))
    again = at_rates(made, ask, [more, *others])
    given = again.balances[0].given_kg_ha - made.balances[0].given_kg_ha
    assert given == pytest.approx([4.6, 0.0])
    total = sum(float(d.rate_kg_ha @ AREA) for d in [more, *others] if d.product is UREA)
    bought = next(p for p in again.purchases if p.product is UREA)
    assert bought.bags == int(np.ceil(total / 25 - 1e-9))
    assert bought.cost == pytest.approx(bought.bags * 25 * 0.5)


def test_what_is_nowhere_spread_is_left_out_with_its_trip():
    ask = asked("separate")
    made = programme(ask)
    none = replace(made.doses[0], rate_kg_ha=np.zeros(2))
    again = at_rates(made, ask, [none, *made.doses[1:]])
    assert again.doses == made.doses[1:]
    assert again.trips == made.trips - 1
    assert not again.proven
