"""Recommendation rules, against the figures of the bulletins they come from."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.agronomy.rules import (
    CARDS,
    card_of,
    nebraska_corn_n,
    north_carolina,
    north_carolina_lime,
    refuse_other_extract,
    rule_curve,
    tri_state_k,
    tri_state_p,
)
from zonemap.agronomy.rules_tables import NORTH_CAROLINA, TRI_STATE_CROPS
from zonemap.errors import InputError
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.basis import Basis
from zonemap.values.rules import Line

MEHLICH_3 = Basis("extract", extractant="Mehlich-3")
NUMBERS = {
    "tri_state_p": {"yield_goal": 180.0},
    "tri_state_k": {"yield_goal": 180.0, "cec": 15.0},
    "nebraska_corn_n": {"yield_goal": 200.0, "organic_matter": 3.0, "credits": 0.0},
    "north_carolina_p": {"equation": 14.0},
    "north_carolina_k": {"equation": 12.0},
    "north_carolina_lime": {"target_ph": 6.0, "buffer_ph": 6.3},
}


def curve(name, **changed):
    number = {key: Line(value) for key, value in (NUMBERS[name] | changed).items()}
    card = CARDS[name]
    return rule_curve(
        name, quantity=card.quantity, unit=card.units[0], crop="corn", product="lime", number=number, where="w"
    )


@pytest.mark.parametrize(
    ("nitrate", "matter", "credit", "rate"),
    # University of Nebraska-Lincoln, formula for corn: expected yield 200; organic matter held at 3 %.
    [(3, 3, 0, 167), (3, 5, 0, 167), (3, 3, 35, 132)],
)
def test_nebraska_nitrogen_for_corn(nitrate, matter, credit, rate):
    found = nebraska_corn_n(np.array(float(nitrate)), yield_goal=200, organic_matter=matter, credits_lb_ac=credit)
    assert round(float(found), 6) == rate


@pytest.mark.parametrize(("index", "rate"), [(0, 150), (25, 88.5), (50, 41.5)])
def test_north_carolina_equation_14(index, rate):
    # Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, Table 2.4, equation 14.
    assert float(north_carolina(np.array(float(index)), equation=14)) == pytest.approx(rate, abs=0.05)


def test_north_carolina_lime_as_the_circular_works_it():
    # pH 5.0 to 6.0 at an acidity of 1.2: factor .625, .75 ton/ac (the circular prints .76: it rounds the factor up).
    rate = float(north_carolina_lime(np.array(5.0), target_ph=6.0, buffer_ph=6.3))
    assert rate == pytest.approx(0.75, abs=1e-9)
    assert rate == pytest.approx(0.76, abs=0.011)


def test_tri_state_potassium_of_a_soil_below_the_critical_level():
    # Critical level 120, soil test 100, CEC 15, 180 bu/ac at .20 lb/bu: (120 - 100)(1 + .05 x 15) + 36 + 20 = 91.
    found = tri_state_k(np.array(100.0), yield_goal=180, cec=15, crop=TRI_STATE_CROPS["corn"])
    assert float(found) == pytest.approx(91.0)


def test_tri_state_phosphorus_by_hand():
    # Critical level 20, soil test 15, 180 bu/ac at .35 lb/bu (both levels and removal from memory): 25 + 63.
    crop = TRI_STATE_CROPS["corn"]
    found = tri_state_p(np.array([15.0, 30.0, 41.0]), yield_goal=180, crop=crop)
    np.testing.assert_allclose(found, [88.0, 63.0, 0.0])


def test_sandy_soils_have_lower_levels_of_potassium():
    # 100 and 130 ppm up to a CEC of 5, 120 and 170 above it.
    crop = TRI_STATE_CROPS["corn"]
    at = np.array([110.0, 129.0, 131.0, 169.0, 171.0])
    sand = tri_state_k(at, yield_goal=180, cec=5, crop=crop)
    loam = tri_state_k(at, yield_goal=180, cec=5.1, crop=crop)
    assert (sand > 0).tolist() == [True, True, False, False, False]
    assert (loam > 0).tolist() == [True, True, True, True, False]
    assert sand[0] == pytest.approx(56.0)
    assert loam[0] > 56.0


@pytest.mark.parametrize("name", CARDS)
def test_a_curve_is_the_rule_in_kg_per_ha(name):
    found = curve(name)
    value = np.linspace(found.value[0], found.value[-1] * 1.1, 777)
    direct = {
        "tri_state_p": lambda v: tri_state_p(v, yield_goal=180, crop=TRI_STATE_CROPS["corn"]) / P2O5_PER_P,
        "tri_state_k": lambda v: tri_state_k(v, yield_goal=180, cec=15, crop=TRI_STATE_CROPS["corn"]) / K2O_PER_K,
        "nebraska_corn_n": lambda v: nebraska_corn_n(v, yield_goal=200, organic_matter=3, credits_lb_ac=0),
        "north_carolina_p": lambda v: north_carolina(v, equation=14) / P2O5_PER_P,
        "north_carolina_k": lambda v: north_carolina(v, equation=12) / K2O_PER_K,
        "north_carolina_lime": lambda v: 2000 * north_carolina_lime(v, target_ph=6.0, buffer_ph=6.3),
    }[name]
    off = np.abs(found.at(value) / KG_HA_PER_LB_AC - direct(value))
    # within 0.1 lb/ac of the element; lime within 1 lb of product
    assert off.max() < (1.0 if name == "north_carolina_lime" else 0.1)


@pytest.mark.parametrize("equation", NORTH_CAROLINA)
def test_every_equation_is_followed_to_a_tenth_of_a_pound_and_never_turns_up_again(equation):
    found = curve("north_carolina_k", equation=float(equation))
    index = np.linspace(0, 300, 3001)
    direct = north_carolina(index, equation=equation) / K2O_PER_K
    assert np.abs(found.at(index) / KG_HA_PER_LB_AC - direct).max() < 0.1
    assert np.all(np.diff(direct) <= 1e-9)


@given(name=st.sampled_from(sorted(CARDS)), a=st.floats(0, 400), b=st.floats(0, 400), goal=st.floats(20, 320))
def test_a_richer_soil_never_asks_for_more_and_nothing_is_negative(name, a, b, goal):
    changed = {"yield_goal": goal} if "yield_goal" in NUMBERS[name] else {}
    found = curve(name, **changed)
    low, high = found.at([min(a, b), max(a, b)])
    assert low >= high >= 0


def test_lime_follows_a_buffer_ph_that_goes_with_ph():
    number = {"target_ph": Line(6.0), "buffer_ph": Line(4.8, 0.3, 6.2, 6.5)}
    found = rule_curve(
        "north_carolina_lime", quantity="pH", unit="pH", crop="", product="lime", number=number, where="w"
    )
    # at pH 5 the buffer pH is 6.3, at pH 5.5 6.45: .75 and .6 x .4545 ton/ac
    np.testing.assert_allclose(found.at([5.0, 5.5]) / KG_HA_PER_LB_AC / 2000, [0.75, 4 * 0.15 * 0.5 / 1.1], atol=5e-4)
    assert (found.product, found.element) == ("lime", "")


@pytest.mark.parametrize("spelling", ["Mehlich-3", "mehlich 3", "MEHLICH III", "M3", "Mehlich_3"])
def test_spellings_of_an_extractant_are_one(spelling):
    refuse_other_extract("tri_state_k", Basis("extract", extractant=spelling), "ppm", where="w")


@pytest.mark.parametrize(
    ("name", "basis", "unit", "mend"),
    [
        ("tri_state_k", Basis("extract", extractant="Olsen"), "ppm", "Use a rule for your extractant"),
        ("tri_state_p", Basis("extract", extractant="Bray P1"), "ppm", "calibrated for Mehlich-3.* with Bray P1"),
        ("tri_state_k", Basis("resin", burial_days=4.0), "kg/ha/day", "Give values of that extract"),
        ("tri_state_k", Basis("tissue"), "%", "tissue values"),
        ("north_carolina_k", MEHLICH_3, "ppm", "Give K in index"),
        ("tri_state_k", MEHLICH_3, "cmolc/kg", "Give K in ppm"),
    ],
)
def test_values_a_rule_was_not_calibrated_for_are_refused_naming_both(name, basis, unit, mend):
    with pytest.raises(InputError, match=mend):
        refuse_other_extract(name, basis, unit, where="field.toml, rule 1")


def test_what_no_rule_knows_is_refused():
    with pytest.raises(InputError, match="Choose one of tri_state_p, tri_state_k"):
        card_of("tri_state_s", where="w")
    with pytest.raises(InputError, match="Write crop = one of corn, soybean"):
        rule_curve(
            "tri_state_p", quantity="P", unit="ppm", crop="okra", product="", number={"yield_goal": Line(9)}, where="w"
        )
    with pytest.raises(InputError, match="a number from 1 to 20"):
        curve("north_carolina_k", equation=21.0)
    with pytest.raises(InputError, match=r"such as 6\.0"):
        curve("north_carolina_lime", target_ph=6.6)
