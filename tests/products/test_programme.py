"""The least-cost programme: worked by hand, against brute force, and against a simulator that counts days."""

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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


# --- a season with days ------------------------------------------------------------------------------------------------

FIRST = date(2026, 5, 1)
DAYS = 60


def on(day):
    return FIRST + timedelta(days=day)


def path(element, daily, *, short=1.0):
    """(zones, days) lacking each day -> cumulative."""
    lacking = np.cumsum(np.asarray(daily, dtype=float), axis=1)
    return NeedPath(element, FIRST, lacking, np.zeros(lacking.shape[0]), short)


def simulated_unmet(made, passes_products, element, daily):
    """Kg/ha a zone never gets, counted day by day: what is set free goes to a store, the crop takes what it lacks from it.

    Independent of the programme: its own release, by what is left in the grain.
    """
    zones, days = np.shape(daily)
    unmet = np.zeros(zones)
    for zone in range(zones):
        store = 0.0
        grains = []  # [kg left unreleased, share released a day, day it starts]
        for dose in made.doses:
            for part, share in dose.parts or ((dose.product, 1.0),):
                kg = dose.rate_kg_ha[zone] * share * part.analysis.get(element, 0.0) * part.available_fraction
                half = part.release_half_life_days
                a_day = 1.0 if half is None else 1 - 0.5 ** (1 / half)
                grains.append([kg, a_day, (dose.on - FIRST).days + part.release_lag_days])
        for day in range(days):
            for grain in grains:
                # spread before the first day, it has been releasing since
                due = day - grain[2] + 1 if day == 0 else int(day >= grain[2])
                for _ in range(max(due, 0)):
                    store += grain[0] * grain[1]
                    grain[0] *= 1 - grain[1]
            taken = min(store, daily[zone][day])
            store -= taken
            unmet[zone] += daily[zone][day] - taken
    return unmet


SLOW = Product("meal", {"N": 0.12, "P": 0.01}, price_per_kg=0.9, source="organic", release_half_life_days=15.0,
               release_lag_days=3)  # fmt: skip
SULFATE = Product("ammonium sulfate", {"N": 0.21, "S": 0.24}, price_per_kg=0.45)
BONE = Product("bone", {"N": 0.02, "P": 0.087}, price_per_kg=1.1, source="organic", release_half_life_days=20.0,
               available_fraction=0.8)  # fmt: skip
SOP = Product("sulfate of potash", {"K": 0.415, "S": 0.17}, price_per_kg=0.8, source="organic")
STORE = (UREA, MAP, POTASH, SULFATE, SLOW, BONE, SOP)


@st.composite
def seasons(draw):
    """A season of one to four zones, up to four elements, three passes and random limits."""
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    zones = draw(st.integers(1, 4))
    elements = draw(st.lists(st.sampled_from(["N", "P", "K", "S"]), min_size=1, max_size=4, unique=True))
    daily = {}
    for element in elements:
        peak = rng.uniform(5, DAYS)
        shape = np.exp(-0.5 * ((np.arange(DAYS) - peak) / rng.uniform(3, 12)) ** 2)
        supply = rng.uniform(0, 1.1, zones)
        daily[element] = np.maximum(rng.uniform(0.3, 4) * (shape[None] - supply[:, None]), 0.0)
    days = sorted(draw(st.sets(st.integers(-10, 40), min_size=1, max_size=3)))
    cap = draw(st.sampled_from([{}, {"N": 30.0}, {"P": 8.0, "N": 60.0}]))
    terms = Terms(
        spreading=draw(st.sampled_from(["separate", "bins", "blend"])),
        organic=draw(st.sampled_from(["any", "any", "none", "all"])),
        most_products=draw(st.sampled_from([None, 1, 3])),
        most_passes=draw(st.sampled_from([None, 1])),
        cost_of_trip_ha=draw(st.sampled_from([0.0, 9.0])),
        cap_per_pass_kg_ha=cap,
        cap_per_season_kg_ha=draw(st.sampled_from([{}, {"N": 90.0}])),
        organic_share=draw(st.sampled_from([{}, {"": 0.3}])),
    )
    asked = Ask(
        tuple(path(element, values) for element, values in daily.items()),
        STORE,
        tuple(Pass(on(day)) for day in days),
        terms,
        rng.uniform(0.5, 9, zones),
        min_rate_kg_ha=draw(st.sampled_from([0.0, 15.0])),
        max_rate_kg_ha=draw(st.sampled_from([np.inf, 250.0])),
        step_kg_ha=draw(st.sampled_from([0.0, 5.0])),
    )
    return asked, daily


@settings(max_examples=60, deadline=None)
@given(seasons())
def test_an_independent_simulator_finds_exactly_what_the_programme_says_is_unmet(season):
    # never behind unless it says so: what a crop misses when it takes what it lacks from a store, day by day, is the most
    # that cumulative release ever is behind, and what was lacking before anything could feed
    asked, daily = season
    for made in programmes(asked).all:
        for balance in made.balances:
            unmet = simulated_unmet(made, asked.passes, balance.element, daily[balance.element])
            assert unmet == pytest.approx(balance.behind_kg_ha + balance.lost_kg_ha, abs=2e-4)


@settings(max_examples=60, deadline=None)
@given(seasons())
def test_every_limit_is_kept(season):
    asked, _ = season
    terms = asked.terms
    for made in programmes(asked).all:
        for dose in made.doses:
            rates = dose.rate_kg_ha[dose.rate_kg_ha > 0]
            assert np.all(rates >= asked.min_rate_kg_ha - 1e-9)
            assert np.all(rates <= asked.max_rate_kg_ha + 1e-9)
            if asked.step_kg_ha:
                assert rates / asked.step_kg_ha == pytest.approx(np.round(rates / asked.step_kg_ha), abs=1e-9)
        names = {p.name for dose in made.doses for p, _ in dose.parts or ((dose.product, 1.0),)}
        assert len(names) <= (terms.most_products or 99)
        assert len({dose.on for dose in made.doses}) <= (terms.most_passes or 99)
        if made.answer != "least_cost":
            sources = {p.name: p.source for p in STORE}
            assert {sources[name] for name in names} <= {made.answer}
        for element, cap in terms.cap_per_season_kg_ha.items():
            applied = sum((d.rate_kg_ha * d.product.analysis.get(element, 0.0) for d in made.doses), np.zeros(1))
            assert np.all(applied <= cap * (1 + 1e-5))
        for day in {dose.on for dose in made.doses}:
            here = [dose for dose in made.doses if dose.on == day]
            if made.spreading == "bins":
                assert len(here) <= terms.bins
            for element, cap in terms.cap_per_pass_kg_ha.items():
                applied = sum((d.rate_kg_ha * d.product.analysis.get(element, 0.0) for d in here), np.zeros(1))
                assert np.all(applied <= cap * (1 + 1e-5))


@settings(max_examples=40, deadline=None)
@given(seasons())
def test_the_same_ask_gives_the_same_programme(season):
    asked, _ = season
    first, second = programmes(asked), programmes(asked)
    assert [d.planned_kg_ha.tolist() for d in first.chosen.doses] == [
        d.planned_kg_ha.tolist() for d in second.chosen.doses
    ]
