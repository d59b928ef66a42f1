"""Products against hand calculations of extension services."""

from datetime import date

import pytest

from zonemap.products.sources import (
    cheapest_source,
    price_per_kg_of,
    released_fraction,
)
from zonemap.products.timing import choose_day, spread_by
from zonemap.units import K2O_PER_K, LABEL_FORMS, P2O5_PER_P
from zonemap.values.season import Product


def product(name, price=None, **label):
    analysis = {LABEL_FORMS[form][0]: percent / 100 * LABEL_FORMS[form][1] for form, percent in label.items()}
    return Product(name, analysis, label, price)


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
