"""Totals, shapes and degree days of the crop table against the publications they are taken from."""

import tomllib
from datetime import date, timedelta
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import quad

from zonemap.agronomy.crops import crop_names, crop_row
from zonemap.agronomy.degree_days import degree_days
from zonemap.agronomy.demand import crop_demand, fixation_notes
from zonemap.agronomy.logistic import season_steepness, steepness_of_days
from zonemap.errors import InputError
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.season import Crop, Temperatures, UptakeShape

PLANTED = date(2026, 5, 1)


def demands(name, *, units="metric", goal=None, temperatures=None, **crop):
    found = crop_demand(Crop(name, PLANTED, goal, **crop), temperatures, units=units)
    return {demand.nutrient: demand for demand in found}


def steepest(daily, days):
    return max(daily[at : at + days].mean() for at in range(daily.size - days + 1))


@pytest.mark.parametrize(("nutrient", "total"), [("Zn", 0.5), ("B", 0.08), ("S", 26), ("Mg", 59)])
def test_corn_takes_the_published_secondary_and_micronutrients(nutrient, total):
    # Bender, Haegele, Ruffo, Below 2013, Agron. J. 105:161-170, abstract: kg/ha at 12.0 Mg/ha of grain.
    assert demands("corn", goal=12.0)[nutrient].total_kg_ha == pytest.approx(total, rel=1e-9)


def test_corn_takes_the_published_calcium_at_its_published_yield():
    # Karlen, Flannery, Sadler 1988, Agron. J. 80, abstract: 59 kg Ca/ha at 19.3 Mg/ha (307 bu/ac).
    assert demands("corn", goal=19.3)["Ca"].total_kg_ha == pytest.approx(59, rel=2e-3)
    assert demands("corn", units="us", goal=307)["Ca"].total_kg_ha == pytest.approx(59, rel=5e-3)


@pytest.mark.parametrize("nutrient", ["P", "S", "Zn"])
def test_corn_takes_half_of_its_phosphorus_sulfur_and_zinc_after_flowering(nutrient):
    # Bender in an interview on the same study, Corn and Soybean Digest: half of P, S and Zn after flowering; silking on
    # day 65 from memory.
    daily = demands("corn")[nutrient].demand_kg_ha_day
    assert daily[65:].sum() / daily.sum() == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(("nutrient", "grams"), [("Fe", 64.4), ("Mn", 18.1), ("Cu", 5.3)])
def test_corn_takes_so_many_grams_of_a_micronutrient_per_tonne_of_grain(nutrient, grams):
    # Xue et al. 2014, PLOS ONE 9(4):e93895, abstract: requirement per Mg of grain.
    assert demands("corn", goal=1.0)[nutrient].total_kg_ha * 1000 == pytest.approx(grams, abs=0.05)


@pytest.mark.parametrize(
    ("crop", "units", "goal", "removed"),
    [
        # Michigan State University Extension: removal in grain, lb N-P2O5-K2O per acre.
        ("corn", "us", 150, (135, 56, 41)),
        ("soybean", "us", 40, (152, 32, 56)),
    ],
)
def test_a_crop_takes_up_no_less_than_its_grain_removes(crop, units, goal, removed):
    found, row = demands(crop, units=units, goal=goal), crop_row(crop)
    for element, per_element, pounds in zip("NPK", (1, P2O5_PER_P, K2O_PER_K), removed, strict=True):
        taken = found[element].total_kg_ha / (1 - row.uptake[element].fixed_share)
        assert taken * per_element / KG_HA_PER_LB_AC >= pounds


@pytest.mark.parametrize(
    ("nutrient", "kilograms"),
    [
        ("N", 275),
        ("P", 21),
        ("K", 172),
        ("Ca", 113),
        ("Mg", 50),
        ("S", 19),
        ("Zn", 0.335),
        ("Mn", 0.371),
        ("B", 0.325),
        ("Fe", 0.849),
        ("Cu", 0.063),
    ],
)
def test_soybean_takes_what_a_later_study_found(nutrient, kilograms):
    # Nutrient uptake, partitioning, and remobilization in modern soybean varieties (Agron. J. 2015), abstract: at about
    # 3500 kg/ha of grain.
    row = crop_row("soybean").uptake[nutrient]
    chosen = {nutrient: "bender_2015"} if "bender_2015" in row.other else {}
    found = demands("soybean", goal=3.5, sources=chosen)[nutrient]
    assert found.total_kg_ha / (1 - row.fixed_share) == pytest.approx(kilograms, rel=1e-3)


@pytest.mark.parametrize(("nutrient", "pounds"), [("Ca", 2.8), ("Mg", 1.5)])
def test_soybean_has_its_published_largest_days_of_calcium_and_magnesium(nutrient, pounds):
    # Snyder 2000, Potash & Phosphate Institute: single days, lb/ac; the larger total of magnesium suits its peak.
    chosen = {"Mg": "bender_2015"} if nutrient == "Mg" else {}
    largest = demands("soybean", units="us", goal=55, sources=chosen)[nutrient].peak_kg_ha_day
    assert largest / KG_HA_PER_LB_AC == pytest.approx(pounds, rel=0.01)


@pytest.mark.parametrize(
    ("nutrient", "low", "high"),
    [
        ("N", 200, 240),
        ("P", 25, 35),
        ("K", 280, 320),
        ("S", 18, 24),
        ("Ca", 50, 50),
        ("Mg", 40, 40),
        ("Zn", 0.11, 0.11),
        ("Mn", 0.9, 0.9),
        ("Fe", 1.8, 1.8),
        ("Cu", 0.09, 0.09),
        ("B", 0.18, 0.18),
    ],
)
def test_potatoes_take_what_is_published_for_400_to_500_hundredweights(nutrient, low, high):
    # Hopkins, Stark, Westermann, Ellsworth, Nutrient Management (potato), Table 1: total plant uptake, lb/ac.
    pounds = demands("potato", units="us", goal=450)[nutrient].total_kg_ha / KG_HA_PER_LB_AC
    assert low * 0.999 <= pounds <= high * 1.001


@pytest.mark.parametrize(
    ("nutrient", "vines", "tubers_400", "tubers_500"),
    # Rosen & Bierman 2017, in Franzen et al. 2021, North Dakota State University SF715, Table 1: lb/ac.
    [
        ("N", 90, 171, 214),
        ("P", 11, 23, 28),
        ("K", 75, 192, 240),
        ("Ca", 43, 5.9, 7.4),
        ("Mg", 25, 11.8, 14.7),
        ("S", 9, 17.6, 22.0),
    ],
)
def test_potatoes_by_another_source_lie_between_its_yields(nutrient, vines, tubers_400, tubers_500):
    found = demands("potato", units="us", goal=450, sources={nutrient: "rosen_2017"})[nutrient]
    assert vines + tubers_400 < found.total_kg_ha / KG_HA_PER_LB_AC < vines + tubers_500


@pytest.mark.parametrize("nutrient", ["P", "S"])
def test_potatoes_have_three_to_four_tenths_at_the_start_of_bulking(nutrient):
    # University of Idaho BUL 840: 30-40 % of P and S by the time bulking begins, about day 55 (from memory).
    daily = demands("potato")[nutrient].demand_kg_ha_day
    assert 0.30 <= daily[:55].sum() / daily.sum() <= 0.40


@pytest.mark.parametrize(
    ("nutrient", "kilograms"),
    # Growth and macronutrient accumulation in tomato cultivated in an organic system, Horticultura Brasileira 41
    # (2023), abstract: kg/ha with 154.7 t/ha.
    [("K", 431), ("N", 198), ("Ca", 95), ("P", 44), ("S", 40), ("Mg", 30)],
)
def test_table_tomatoes_take_what_is_published(nutrient, kilograms):
    found = demands("tomato", goal=154.7, sources={nutrient: "table_tomato_2023"})[nutrient]
    assert found.total_kg_ha == pytest.approx(kilograms, rel=1e-3)


@pytest.mark.parametrize(
    ("nutrient", "kilograms"),
    [
        ("N", 116),
        ("P", 30.8),
        ("K", 103),
        ("Ca", 9.2),
        ("Mg", 9.3),
        ("S", 15.2),
        ("Zn", 0.18),
        ("Mn", 0.58),
        ("Fe", 2.05),
        ("Cu", 0.045),
    ],
)
def test_wheat_takes_what_was_found_in_montana(nutrient, kilograms):
    # Aerial accumulation and partitioning of nutrients by hard red spring wheat, Commun. Soil Sci. Plant Anal.,
    # pp. 2389-2407, abstract: kg/ha in 14.4 Mg/ha of dry matter; 42 % of that grain: from memory.
    chosen = {"N": "montana_1993"} if nutrient == "N" else {}
    found = demands("wheat", goal=14.4 * 0.42, sources=chosen)[nutrient]
    assert found.total_kg_ha == pytest.approx(kilograms, rel=1e-3)


@pytest.mark.parametrize(("nutrient", "per_ton"), [("P", 15), ("K", 60)])
def test_alfalfa_takes_what_another_source_says_by_the_ton(nutrient, per_ton):
    # Burbrink 2019, Purdue Extension, Elkhart County: 15 lb P2O5 and 60 lb K2O; six tons remove 90 and 360.
    found = demands("alfalfa", units="us", goal=6, sources={nutrient: "purdue_2019"})[nutrient]
    oxide = {"P": P2O5_PER_P, "K": K2O_PER_K}[nutrient]
    assert found.total_kg_ha * oxide / KG_HA_PER_LB_AC == pytest.approx(6 * per_ton, rel=1e-3)


def test_a_mixed_garden_takes_the_mean_of_a_guide_s_vegetables():
    # New England Vegetable Management Guide, Removal of Nutrients from the Soil, Table 4, lb/ac of N, P2O5, K2O: snap
    # beans, broccoli, cabbage, carrots, cauliflower, kale, lettuce, muskmelons.
    nitrogen = [30, 165, 125, 145, 45, 125, 75, 155]
    phosphate = [20, 10, 30, 25, 18, 30, 35, 25]
    potash = [35, 210, 130, 345, 43, 110, 150, 150]
    found = demands("vegetable_garden", sources=dict.fromkeys("NPK", "new_england_guide"))
    for element, oxide, pounds in (("N", 1, nitrogen), ("P", P2O5_PER_P, phosphate), ("K", K2O_PER_K, potash)):
        kilograms = np.mean(pounds) * KG_HA_PER_LB_AC
        assert found[element].total_kg_ha * oxide == pytest.approx(kilograms, rel=1e-3)


def test_greens_take_four_hundred_times_as_much_nitrogen_as_iron():
    # Woods 2014, on the elements in leaves of creeping bentgrass: 4 % N and 100 mg/kg Fe.
    found = demands("putting_green", goal=30.0)
    assert found["N"].total_kg_ha / found["Fe"].total_kg_ha == pytest.approx(400)


@pytest.mark.parametrize(
    ("crop", "base_f", "cap_f"),
    [
        ("corn", 50, 86),  # Ohio State University Extension 2023
        ("wheat", 32, 75),  # Miller & Jacobsen, Montana State University
        ("potato", 50, 86),  # Olsen & Thornton 2022, University of Idaho
        ("soybean", 50, 86),  # New Mexico State University, crop coefficients of soybean
        ("alfalfa", 40, 77),  # High Plains Regional Climate Center, crop coefficients for alfalfa
    ],
)
def test_degree_days_keep_to_each_crop_s_own_floor_and_cap(crop, base_f, cap_f):
    rule = crop_row(crop).degree_days
    assert rule.base_c * 1.8 + 32 == pytest.approx(base_f, abs=2e-3)
    assert rule.cap_c * 1.8 + 32 == pytest.approx(cap_f, abs=2e-3)
    # a day of 20 to 100 F counts as one from floor to cap does
    edge = degree_days([-6.7, rule.base_c], [37.8, rule.cap_c], base_c=rule.base_c, cap_c=rule.cap_c)
    assert edge[0] == pytest.approx(edge[1])


def test_corn_needs_as_many_degree_days_as_a_hybrid_of_its_season():
    # High Plains Regional Climate Center, crop coefficients for corn: full maturity at 2450 to 2900 F degree days.
    assert 2450 <= crop_row("corn").degree_days.season_c * 1.8 <= 2900


@pytest.mark.parametrize("name", crop_names())
def test_an_independent_integral_of_the_curve_gives_the_season_s_total(name):
    # Peer: scipy's adaptive quadrature of the logistic's density, which the table's code never evaluates.
    row, found = crop_row(name), demands(name)
    for element, demand in found.items():
        uptake = row.uptake[element]

        def density(day, uptake=uptake):
            return (
                uptake.steepness_per_day / 4 / np.cosh(uptake.steepness_per_day * (day - uptake.midpoint_day) / 2) ** 2
            )

        whole, _ = quad(density, 0, row.season_days, epsabs=1e-12)
        first_half, _ = quad(density, 0, row.season_days // 2, epsabs=1e-12)
        total = uptake.total_kg_ha * (1 - uptake.fixed_share)
        assert demand.total_kg_ha == pytest.approx(total, rel=1e-9)
        half = demand.demand_kg_ha_day[: row.season_days // 2].sum()
        assert half == pytest.approx(total * first_half / whole, rel=1e-8)


def test_every_published_peak_comes_back_in_its_own_sense():
    # Law: a row that states a mean over days gives that mean, a row that states the largest day gives that day.
    seen = set()
    for name, element, row in rows():
        source = {element: row["name"]} if "name" in row else {}
        if row.get("fixed_share") == 1.0:
            continue
        demand = demands(name, sources=source)[element]
        daily = demand.demand_kg_ha_day / (1 - crop_row(name).uptake[element].fixed_share)
        if "peak_days" in row:
            seen.add("mean")
            assert steepest(daily, int(row["peak_days"])) == pytest.approx(row["peak_mean_kg_ha_day"], rel=2e-3)
        if "largest_kg_ha_day" in row:
            seen.add("day")
            assert daily.max() == pytest.approx(row["largest_kg_ha_day"], rel=0.01)
    assert seen == {"mean", "day"}


def rows():
    """Every row of the file as it stands, alternatives with their name."""
    table = tomllib.loads(files("zonemap.agronomy").joinpath("crops.toml").read_text(encoding="utf-8"))
    for name, crop in table.items():
        for element, row in crop.items():
            if isinstance(row, dict) and "total_kg_ha" in row:
                yield name, element, row
                for other, content in row.get("other", {}).items():
                    yield name, element, {**content, "name": other}


def test_a_row_from_memory_says_so_and_a_derived_one_shows_from_what():
    for name, element, row in rows():
        place = f"{name} {element} {row.get('name', '')}"
        if row["status"] == "from memory":
            assert "from memory" in row["source"], place
        else:
            assert row["source"] != "from memory", place


def test_defaults_have_a_name_where_there_is_a_choice():
    for name, element, row in rows():
        if "other" in row:
            assert row["name"] not in row["other"], f"{name} {element}"
            by_name = demands(name, sources={element: row["name"]})[element]
            np.testing.assert_array_equal(by_name.demand_kg_ha_day, demands(name)[element].demand_kg_ha_day)


@given(
    name=st.sampled_from([n for n in crop_names() if crop_row(n).degree_days]),
    low=st.lists(st.floats(-5, 25), min_size=1, max_size=80),
    spread=st.floats(0, 20),
    start=st.integers(-40, 40),
)
def test_a_calendar_of_degree_days_keeps_the_total_and_never_asks_for_less_than_nothing(name, low, spread, start):
    record = Temperatures(PLANTED + timedelta(days=start), np.array(low), np.array(low) + spread)
    by_days, by_heat = demands(name), demands(name, temperatures=record)
    for element, demand in by_heat.items():
        assert demand.total_kg_ha == pytest.approx(by_days[element].total_kg_ha, rel=1e-9)
        assert np.all(demand.demand_kg_ha_day >= 0)


@given(
    total=st.floats(1, 500),
    midpoint=st.floats(10, 110),
    days=st.integers(2, 30),
    share=st.floats(0.05, 0.9),
)
def test_an_own_peak_comes_back_as_the_mean_over_its_days(total, midpoint, days, share):
    # Law: the mean over the steepest days is the one stated, with what is taken up outside the season put inside.
    flat = days / 130
    assume(share > 1.5 * flat)  # a season flatter than even has no logistic
    assume(days / 2 < midpoint < 130 - days / 2)
    shape = UptakeShape(midpoint, peak_days=days, peak_mean_kg_ha_day=share * total / days)
    rate = season_steepness(total, shape, season_days=130, where="here")
    edges = np.array([0, midpoint - days / 2, midpoint + days / 2, 130.0])
    part = np.diff(1 / (1 + np.exp(-rate * (edges - midpoint))))
    assert part[1] / part.sum() == pytest.approx(share, rel=1e-3)


def test_an_own_peak_is_one_of_the_field_s_own_total():
    # Arithmetic: 8 kg/ha/day over 10 days of 200 kg/ha.
    shape = {"K": UptakeShape(50.0, peak_days=10, peak_mean_kg_ha_day=8.0)}
    daily = demands("corn", totals={"K": 200.0}, shapes=shape)["K"].demand_kg_ha_day
    assert daily.sum() == pytest.approx(200)
    assert steepest(daily, 10) == pytest.approx(8.0, rel=2e-3)


def test_what_a_legume_makes_itself_is_taken_off_an_own_total_too():
    assert demands("soybean", totals={"N": 300.0})["N"].total_kg_ha == pytest.approx(150.0)
    with pytest.raises(InputError, match="Drop the key"):
        demands("alfalfa", totals={"N": 300.0})


def test_nitrogen_on_soybean_comes_with_a_caution():
    [note] = fixation_notes(Crop("soybean", PLANTED), ["N", "K"])
    assert note.kind == "caution"
    assert "counted here as 50%" in note.text
    assert fixation_notes(Crop("soybean", PLANTED), ["K"]) == ()
    assert fixation_notes(Crop("corn", PLANTED), ["N"]) == ()
    assert fixation_notes(Crop("hay of mine", PLANTED), ["N"]) == ()
    assert fixation_notes(Crop("soybean", PLANTED, own_demand={"N": np.ones(3)}), ["N"]) == ()


def test_totals_of_a_crop_without_a_row_are_refused_rather_than_lost():
    own = {"N": np.ones(10)}
    with pytest.raises(InputError, match="Put K into the demand file"):
        demands("triffid", own_demand=own, totals={"K": 100.0})


@pytest.mark.parametrize(
    ("shape", "mend"),
    [
        (UptakeShape(0.0, 30.0), "midpoint_day = 55"),
        (UptakeShape(130.0, 30.0), "midpoint_day = 55"),
        (UptakeShape(50.0, peak_days=10, peak_mean_kg_ha_day=20.0), "fewer days of it, or a larger total"),
    ],
)
def test_shapes_that_cannot_be_are_refused(shape, mend):
    with pytest.raises(InputError, match=mend):
        demands("corn", totals={"K": 150.0}, shapes={"K": shape})


def test_the_steepest_shape_there_is_puts_all_into_a_day_or_two():
    daily = demands("corn", totals={"K": 150.0}, shapes={"K": UptakeShape(50.5, 1.0)})["K"].demand_kg_ha_day
    assert daily.sum() == pytest.approx(150)
    # 10 to 90 % in a day: tanh(ln 9 / 2) = 0.8 of it
    assert daily[50] == pytest.approx(0.8 * 150)
    assert steepness_of_days(1.0) == pytest.approx(4.394, abs=5e-4)
