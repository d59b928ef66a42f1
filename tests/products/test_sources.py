"""Products against hand calculations of extension services."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.products.sources import (
    cheapest_source,
    one_product_per_nutrient,
    price_per_kg_of,
    released_fraction,
    serving_order,
)
from zonemap.products.timing import choose_day, spread_by
from zonemap.units import K2O_PER_K, LABEL_FORMS, P2O5_PER_P
from zonemap.values.season import Product


def product(name, price=None, **label):
    analysis = {LABEL_FORMS[form][0]: percent / 100 * LABEL_FORMS[form][1] for form, percent in label.items()}
    return Product(name, analysis, label, price)


def rates(needs, sources):
    everywhere = dict.fromkeys(needs)
    planned = one_product_per_nutrient(
        {e: np.array([n]) for e, n in needs.items()}, sources, everywhere, dict.fromkeys(needs, 1.0)
    )
    return {p.name: float(rate[0]) for p, _, rate in planned}


def test_three_products_worked_by_hand():
    # Extension sheet: 125 N, 68.125 P2O5, 125 K2O from 18-46-0, 21-0-53, 34-0-0 -> 148.10, 235.85, 143.57 lb.
    sources = {
        "N": product("34-0-0", N=34),
        "P": product("18-46-0", N=18, P2O5=46),
        "K": product("21-0-53", N=21, K2O=53),
    }
    found = rates({"N": 125.0, "P": 68.125 / P2O5_PER_P, "K": 125.0 / K2O_PER_K}, sources)
    assert {name: round(rate, 2) for name, rate in found.items()} == {
        "18-46-0": 148.10,
        "21-0-53": 235.85,
        "34-0-0": 143.57,
    }


def test_phosphate_in_phosphate_products():
    # Ohio State University Extension ANR-74: 210 lb MAP, 240 lb DAP -> 109.2, 110.4 lb P2O5; 180 lb potash -> 108.0.
    for content, pounds, expected in ((52, 210, 109.2), (46, 240, 110.4)):
        assert product("p", P2O5=content).analysis["P"] * P2O5_PER_P * pounds == pytest.approx(expected, abs=1e-9)
    assert product("k", K2O=60).analysis["K"] * K2O_PER_K * 180 == pytest.approx(108.0, abs=1e-9)


def test_price_of_nitrogen():
    # $350 a short ton of UAN-28 = 0.625 $/lb N (extension worked example).
    per_lb = price_per_kg_of("N", product("UAN-28", price=350 / 2000, N=28))
    assert per_lb == pytest.approx(0.625)


def test_the_cheapest_source_is_by_price_of_the_element():
    urea, sulfate = product("urea", 0.50, N=46), product("ammonium sulfate", 0.40, N=21, S=24)
    assert cheapest_source("N", [sulfate, urea]) is urea
    assert cheapest_source("S", [sulfate, urea]) is sulfate
    assert cheapest_source("K", [sulfate, urea]) is None


def test_without_prices_the_richest_serves():
    assert cheapest_source("N", [product("a", N=21), product("b", N=46)]).name == "b"


def test_a_circle_of_products_is_cut():
    sources = {"N": product("n", N=30, S=5), "S": product("s", N=5, S=20)}
    assert sorted(serving_order(sources)) == ["N", "S"]


@given(st.floats(0, 300), st.floats(0, 60), st.floats(0, 200), st.floats(0, 40))
def test_every_need_is_met(n, p, k, s):
    sources = {
        "N": product("urea", N=46),
        "P": product("map", N=11, P2O5=52),
        "K": product("sop", K2O=50, S=17),
        "S": product("ams", N=21, S=24),
    }
    needs = {"N": n, "P": p, "K": k, "S": s}
    planned = one_product_per_nutrient(
        {e: np.array([v]) for e, v in needs.items()}, sources, dict.fromkeys(needs), dict.fromkeys(needs, 1.0)
    )
    for element, need in needs.items():
        brought = sum(float(rate[0]) * item.analysis.get(element, 0.0) for item, _, rate in planned)
        assert brought >= need - 1e-9


def test_slow_release_needs_more():
    meal = Product("meal", {"N": 0.12}, release_half_life_days=30.0)
    # two half-lives release three quarters
    assert released_fraction(meal, days=60) == pytest.approx(0.75)
    assert released_fraction(meal, days=-4) == 0


def test_the_last_day_in_time_is_taken():
    days = [date(2026, 6, 20), date(2026, 5, 1)]
    assert choose_day(days, date(2026, 6, 25)) == date(2026, 6, 20)
    assert choose_day(days, date(2026, 6, 1)) == date(2026, 5, 1)
    assert choose_day(days, date(2026, 4, 1)) == date(2026, 5, 1)
    assert choose_day([], date(2026, 4, 1)) is None
    assert spread_by(date(2026, 6, 10), release_lag_days=7) == date(2026, 6, 3)
