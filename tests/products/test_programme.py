"""The least-cost programme: worked by hand, against brute force, and against a simulator that counts days."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from zonemap.products.programme import programme, programmes
from zonemap.units import KG_HA_PER_LB_AC, KG_PER_SHORT_TON, LABEL_FORMS
from zonemap.values.programme import Ask, NeedPath
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Terms

LB_AC = KG_HA_PER_LB_AC
FREE = {"N": 1e6, "P": 1e6}  # no bound on what is over


def product(name, price_per_ton=None, *, source="mineral", **label):
    analysis = {LABEL_FORMS[form][0]: percent / 100 * LABEL_FORMS[form][1] for form, percent in label.items()}
    price = None if price_per_ton is None else price_per_ton / KG_PER_SHORT_TON
    return Product(name, analysis, label, price, source=source)


def amount(element, *kg_ha):
    """Needs of the whole season that name no day."""
    need = np.array(kg_ha, dtype=float)[:, None]
    return NeedPath(element, date(2026, 4, 1), need, np.zeros(len(kg_ha)), 1.0, dated=False)


def ask(paths, products, **keys):
    zones = paths[0].lacking_kg_ha.shape[0]
    keys = {"passes": (Pass(None),), "terms": Terms(most_over_kg_ha=FREE), "zone_area_ha": np.ones(zones)} | keys
    return Ask(tuple(paths), tuple(products), **keys)


UREA = product("urea", 500, N=46)
MAP = product("MAP", 800, N=11, P2O5=52)
POTASH = product("potash", 450, K2O=60)
TRIPLE = product("15-15-15", 620, N=15, P2O5=15, K2O=15)
OXIDE = {element: factor for element, factor in (LABEL_FORMS["P2O5"], LABEL_FORMS["K2O"])}


def by_hand(**keys):
    paths = [amount("N", 100 * LB_AC), amount("P", 40 * LB_AC * OXIDE["P"]), amount("K", 60 * LB_AC * OXIDE["K"])]
    return ask(paths, (UREA, MAP, POTASH, TRIPLE), **keys)


def planned_lb_ac(made):
    return {dose.product.name: float(dose.planned_kg_ha[0]) / LB_AC for dose in made.doses}


def cost_per_ac(made):
    prices = {p.name: p.price_per_kg for p in (UREA, MAP, POTASH, TRIPLE)}
    return sum(rate * LB_AC * prices[name] for name, rate in planned_lb_ac(made).items()) / (1 / 0.40468564224)


def test_three_products_and_their_duals_worked_by_hand():
    # By hand: 40 / .52 = 76.923 MAP brings 8.4615 N; (100 - 8.4615) / .46 = 198.997 urea; 60 / .60 = 100 potash; $103.018.
    # Duals: N .25 / .46; K2O .225 / .60; P2O5 (.40 - .11 x .5435) / .52.
    made = programme(by_hand())
    assert planned_lb_ac(made) == pytest.approx({"urea": 198.997, "MAP": 76.923, "potash": 100.0}, abs=5e-4)
    assert cost_per_ac(made) == pytest.approx(103.018, abs=5e-4)
    per_lb = {price.element: price.per_kg * 0.45359237 for price in made.shadow}
    assert per_lb["N"] == pytest.approx(0.5435, abs=5e-5)
    assert per_lb["P"] * OXIDE["P"] == pytest.approx(0.6543, abs=5e-5)
    assert per_lb["K"] * OXIDE["K"] == pytest.approx(0.3750, abs=5e-5)
    assert made.proven


def test_at_most_two_products_of_at_least_fifty_pounds_worked_by_hand():
    # 15-15-15 must bring all K2O: 60 / .15 = 400 lb; the N it leaves is 40 / .46 = 86.957 lb of urea; $145.739.
    terms = Terms(most_products=2, most_over_kg_ha=FREE)
    made = programme(by_hand(terms=terms, min_rate_kg_ha=50 * LB_AC))
    assert planned_lb_ac(made) == pytest.approx({"urea": 86.957, "15-15-15": 400.0}, abs=5e-4)
    assert cost_per_ac(made) == pytest.approx(145.739, abs=5e-4)
