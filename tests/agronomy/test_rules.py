"""Recommendation rules, against the figures of the bulletins they come from."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.agronomy.rule_cards import CARDS, card_of, refuse_other_extract, refuse_other_quantity
from zonemap.agronomy.rules import (
    nebraska_corn_n,
    north_carolina,
    north_carolina_lime,
    phosphorus_levels,
    potassium_levels,
    rule_curve,
    tri_state_k,
    tri_state_p,
)
from zonemap.agronomy.rules_tables import NORTH_CAROLINA, TRI_STATE_CROPS, NutrientLevels
from zonemap.errors import InputError
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.basis import Basis
from zonemap.values.rules import Line

MEHLICH_3 = Basis("extract", extractant="Mehlich-3")
CORN = TRI_STATE_CROPS["corn"]
CORN_P, CORN_K = phosphorus_levels(CORN), potassium_levels(CORN, cec=15)
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
    # University of Nebraska-Lincoln, EC117, formula read: 35 + 1.2 EY - 8 NO3 - 0.14 EY OM - credits, OM held between
    # 0.5 and 3 %. Expected yield 200; the figures are arithmetic on it. OM 0 counts as 0.5: 35 + 240 - 24 - 14.
    [(3, 3, 0, 167), (3, 5, 0, 167), (3, 3, 35, 132), (3, 0, 0, 237), (3, 0.5, 0, 237), (40, 3, 0, 0)],
)
def test_nebraska_nitrogen_for_corn(nitrate, matter, credit, rate):
    found = nebraska_corn_n(np.array(float(nitrate)), yield_goal=200, organic_matter=matter, credits_lb_ac=credit)
    assert round(float(found), 6) == rate


@pytest.mark.parametrize(("index", "rate"), [(0, 150), (25, 88.5), (50, 41.5)])
def test_north_carolina_equation_14(index, rate):
    # Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, Table 2.4, equation 14 (read); the rates are arithmetic on it.
    assert float(north_carolina(np.array(float(index)), equation=14)) == pytest.approx(rate, abs=0.05)


def test_north_carolina_lime_as_the_circular_works_it():
    # Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, Table 2.1 (read): pH 5.0 to 6.0 at an acidity of 1.2, factor
    # .625, residual credit 0; .75 ton/ac by arithmetic, for which the table prints .76.
    rate = float(north_carolina_lime(np.array(5.0), target_ph=6.0, buffer_ph=6.3))
    assert rate == pytest.approx(0.75, abs=1e-9)
    assert rate == pytest.approx(0.76, abs=0.011)


def test_tri_state_potassium_of_a_soil_below_the_critical_level():
    # Critical level 120, soil test 100, CEC 15, 180 bu/ac at .20 lb/bu: (120 - 100)(1 + .05 x 15) + 36 + 20 = 91.
    # Equation of Culman et al. 2020, Bulletin 974, read in a second-hand copy; the removal from memory.
    found = tri_state_k(np.array([100.0]), yield_goal=180, cec=15, levels=NutrientLevels(120, 170, 0.20))
    np.testing.assert_allclose(found, [91.0])


def test_between_the_levels_potassium_is_removal_and_twenty_pounds():
    # Watters 2021, Nutrient Removal for Field Crops in Ohio, Ohio State University Extension ANR-96 (read): in the
    # maintenance range crop removal, for K2O plus 20 lb/ac; at or above the limit nothing.
    at = np.array([120.0, 169.0, 170.0, 300.0])
    np.testing.assert_allclose(tri_state_k(at, yield_goal=180, cec=15, levels=CORN_K), [56.0, 56.0, 0, 0])
    at = np.array([20.0, 39.0, 40.0, 90.0])
    np.testing.assert_allclose(tri_state_p(at, yield_goal=180, levels=CORN_P), [63.0, 63.0, 0, 0])


def test_tri_state_phosphorus_by_hand():
    # From memory, factor 5 and removal alike: critical level 20, soil test 15, 180 bu/ac at .35 lb/bu: 25 + 63.
    found = tri_state_p(np.array([15.0]), yield_goal=180, levels=NutrientLevels(20, 40, 0.35))
    np.testing.assert_allclose(found, [88.0])


def test_removal_by_corn_and_soybean_is_what_ohio_measured():
    # Culman et al. 2019, Nutrients Removed with Harvested Corn, Soybean, and Wheat Grain in Ohio, Ohio State University
    # Extension ANR-74, summary (read): 180 bu/ac of corn and 60 of soybean remove 100 to 120 lb/ac of both oxides,
    # equivalent to 210 lb of 11-52-0 (109 lb P2O5) and 180 lb of 0-0-60 (108 lb K2O), amounts rounded to 10 lb.
    corn, soybean = TRI_STATE_CROPS["corn"], TRI_STATE_CROPS["soybean"]
    phosphate = 180 * corn.p2o5_removal + 60 * soybean.p2o5_removal
    potash = 180 * corn.k2o_removal + 60 * soybean.k2o_removal
    assert 100 <= phosphate <= 120
    assert 100 <= potash <= 120
    assert phosphate / 0.52 == pytest.approx(210, abs=5)
    assert potash / 0.60 == pytest.approx(180, abs=5)


def test_sandy_soils_have_lower_levels_of_potassium():
    # 2020 edition as a laboratory's summary of it has it (read): 100 to 130 ppm up to a CEC of 5, 120 to 170 above it.
    at = np.array([110.0, 129.0, 130.0, 169.0, 170.0])
    sand = tri_state_k(at, yield_goal=180, cec=5, levels=potassium_levels(CORN, cec=5))
    loam = tri_state_k(at, yield_goal=180, cec=5.1, levels=potassium_levels(CORN, cec=5.1))
    assert (sand > 0).tolist() == [True, True, False, False, False]
    assert (loam > 0).tolist() == [True, True, True, True, False]
    assert sand[0] == pytest.approx(56.0)
    assert loam[0] > 56.0


def test_equation_4_alone_turns_up_before_it_reaches_nothing():
    # DERIVED: .0175 I^2 - 4.46 I + 300 is least at I = 127.4, where 15.8 lb/ac are left.
    left = {number: float(north_carolina(np.array(300.0), equation=number)) for number in NORTH_CAROLINA}
    assert {number for number, rate in left.items() if rate > 0} == {4}
    assert left[4] == pytest.approx(15.8, abs=0.05)


@pytest.mark.parametrize("name", CARDS)
def test_a_curve_is_the_rule_in_kg_per_ha(name):
    found = curve(name)
    value = np.linspace(found.value[0], found.value[-1] * 1.1, 777)
    direct = {
        "tri_state_p": lambda v: tri_state_p(v, yield_goal=180, levels=CORN_P) / P2O5_PER_P,
        "tri_state_k": lambda v: tri_state_k(v, yield_goal=180, cec=15, levels=CORN_K) / K2O_PER_K,
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


@given(
    name=st.sampled_from(sorted(CARDS)),
    a=st.floats(0, 400),
    b=st.floats(0, 400),
    goal=st.floats(20, 320),
    cec=st.floats(0.5, 60),
    matter=st.floats(0, 60),
)
def test_a_richer_soil_never_asks_for_more_and_nothing_is_negative(name, a, b, goal, cec, matter):
    any_soil = {"yield_goal": goal, "cec": cec, "organic_matter": matter}
    changed = {key: number for key, number in any_soil.items() if key in NUMBERS[name]}
    found = curve(name, **changed)
    low, high = found.at([min(a, b), max(a, b)])
    assert low >= high >= 0


def test_lime_spread_last_counts_less_every_month():
    # NCDA&CS, Soil Testing, Lime and Fertilizer Requirements (read): RC = rate - rate x months x 8 % on mineral soils,
    # 16 % on organic ones. By arithmetic: .5 ton/ac 5 months ago leaves .3, on an organic soil .1; 13 months ago, none.
    whole, mineral, organic, long_ago = (
        curve("north_carolina_lime", **credit).at([5.0])[0] / KG_HA_PER_LB_AC / 2000
        for credit in (
            {}, {"last_lime": 0.5, "last_lime_months": 5.0},
            {"last_lime": 0.5, "last_lime_months": 5.0, "lime_lost_a_month": 16.0},
            {"last_lime": 0.5, "last_lime_months": 13.0},
        )
    )  # fmt: skip
    assert [whole, mineral, organic, long_ago] == pytest.approx([0.75, 0.45, 0.65, 0.75], abs=5e-4)


@pytest.mark.parametrize("half", [{"last_lime": 1.0}, {"last_lime_months": 4.0}])
def test_lime_spread_last_needs_its_months_and_the_months_their_lime(half):
    with pytest.raises(InputError, match="Write what was spread"):
        curve("north_carolina_lime", **half)


def test_lime_follows_a_buffer_ph_that_goes_with_ph():
    number = {"target_ph": Line(6.0), "buffer_ph": Line(4.8, 0.3, 6.2, 6.5)}
    found = rule_curve(
        "north_carolina_lime", quantity="pH", unit="pH", crop="", product="lime", number=number, where="w"
    )
    # at pH 5 the buffer pH is 6.3, at pH 5.5 6.45: .75 and .6 x .4545 ton/ac
    np.testing.assert_allclose(found.at([5.0, 5.5]) / KG_HA_PER_LB_AC / 2000, [0.75, 4 * 0.15 * 0.5 / 1.1], atol=5e-4)
    assert (found.product, found.element) == ("lime", "")


@pytest.mark.parametrize(
    "spelling",
    ["Mehlich-3", "mehlich 3", "MEHLICH III", "M3", "M-III", "Mehlich_3", "Mehlich No. 3", "Mehlich-3 (ICP)"],
)
def test_spellings_of_an_extractant_are_one(spelling):
    refuse_other_extract("tri_state_k", Basis("extract", extractant=spelling), "ppm", where="w")


@pytest.mark.parametrize(
    ("name", "basis", "unit", "mend"),
    [
        ("tri_state_k", Basis("extract", extractant="Olsen"), "ppm", "Use a rule for your extractant"),
        ("tri_state_p", Basis("extract", extractant="Bray P1"), "ppm", "calibrated for Mehlich-3.* with Bray P1"),
        ("tri_state_p", Basis("extract", extractant="Mehlich-1"), "ppm", "calibrated for Mehlich-3.* with Mehlich-1"),
        ("tri_state_p", Basis("extract", extractant="Mehlich"), "ppm", "Use a rule for your extractant"),
        ("tri_state_p", Basis("extract", extractant="Mehlich-3 colorimetric"), "ppm", "Use a rule for your extractant"),
        ("nebraska_corn_n", MEHLICH_3, "ppm", "calibrated for KCl.* with Mehlich-3"),
        ("nebraska_corn_n", Basis("extract", extractant="KCl", depth_cm=20.32), "ppm", "Sample to 24 in or deeper"),
        ("tri_state_k", Basis("resin", burial_days=4.0), "kg/ha/day", "Give values of that extract"),
        ("tri_state_k", Basis("tissue"), "%", "tissue values"),
        ("north_carolina_k", MEHLICH_3, "ppm", "Give K in index"),
        ("tri_state_k", MEHLICH_3, "cmolc/kg", "Give K in ppm"),
    ],
)
def test_values_a_rule_was_not_calibrated_for_are_refused_naming_both(name, basis, unit, mend):
    with pytest.raises(InputError, match=mend):
        refuse_other_extract(name, basis, unit, where="field.toml, rule 1")


@pytest.mark.parametrize("depth_cm", [None, 60.0, 60.96, 122.0])
def test_nitrate_of_two_feet_or_more_is_read(depth_cm):
    # EC117, revised December 2023 (read): a minimum sample depth of 2 ft is acceptable, 4 ft the most accurate.
    refuse_other_extract("nebraska_corn_n", Basis("extract", extractant="2 M KCl", depth_cm=depth_cm), "ppm", where="w")


def test_one_elements_rule_is_not_read_from_anothers_values():
    refuse_other_quantity("tri_state_k", "K", where="w")
    refuse_other_quantity("tri_state_k", "exchangeable K", where="w")
    refuse_other_quantity("nebraska_corn_n", "N", where="w")
    refuse_other_quantity("north_carolina_lime", "pH", where="w")
    with pytest.raises(InputError, match="Write value = the column that holds K"):
        refuse_other_quantity("tri_state_k", "P", where="w")
    with pytest.raises(InputError, match=r"does not read Ca.*the column that holds pH"):
        refuse_other_quantity("north_carolina_lime", "Ca", where="w")


def test_levels_of_ones_own_stand_before_the_table_and_for_other_crops():
    found = curve("tri_state_k", critical_level=130.0, removal=0.25)
    # (130 - 100) 1.75 + 45 + 20
    assert float(found.at(100.0)) == pytest.approx(117.5 * KG_HA_PER_LB_AC / K2O_PER_K)
    own = {"yield_goal": 10.0, "critical_level": 30.0, "maintenance_limit": 50.0, "removal": 2.0}
    number = {key: Line(value) for key, value in own.items()}
    okra = rule_curve("tri_state_p", quantity="P", unit="ppm", crop="okra", product="", number=number, where="w")
    # (30 - 20) 5 + 20, then 20 to the limit
    rates = np.array([70.0, 20.0, 0.0]) * KG_HA_PER_LB_AC / P2O5_PER_P
    np.testing.assert_allclose(okra.at([20.0, 40.0, 50.0]), rates)
    with pytest.raises(InputError, match="Write maintenance_limit = a higher number"):
        curve("tri_state_k", critical_level=180.0)


def test_the_rule_for_corn_refuses_another_crop():
    number = {key: Line(value) for key, value in NUMBERS["nebraska_corn_n"].items()}
    with pytest.raises(InputError, match=r"is not for wheat.*Use a rule for your crop"):
        rule_curve("nebraska_corn_n", quantity="N", unit="ppm", crop="wheat", product="", number=number, where="w")


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
