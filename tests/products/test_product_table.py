"""The product table against publications, chemistry and hand calculation."""

import math
from datetime import date
from typing import get_args

import numpy as np
import pytest

from zonemap.errors import InputError
from zonemap.products.programme import programme
from zonemap.products.sources import released_fraction
from zonemap.products.table import Status, kind_of_name, product_kinds, product_row, row_from
from zonemap.units import KG_L_PER_LB_GAL, KG_M3_PER_LB_FT3, LABEL_FORMS
from zonemap.values.programme import Ask, NeedPath
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Terms

# IUPAC 2021 standard atomic weights (abridged).
N, H, OX, C, P, K, S, CL = 14.007, 1.008, 15.999, 12.011, 30.974, 39.098, 32.06, 35.45
CA, MG, ZN, B, NA = 40.078, 24.305, 65.38, 10.81, 22.990
WATER = 2 * H + OX


@pytest.mark.parametrize("kind", product_kinds())
def test_every_figure_has_a_source_and_a_status_and_no_label_adds_up_to_more_than_all(kind):
    row = product_row(kind)
    figures = list(row.figures())
    assert len(figures) >= 2
    for _, source, status in figures:
        assert len(source) > 5
        assert status in get_args(Status)
    assert 0 < sum(row.label.values()) <= 100
    assert (row.bulk_density_kg_m3 is None) == (row.form == "liquid")
    assert (row.density_kg_l is None) == (row.form == "dry")


@pytest.mark.parametrize("kind", product_kinds())
def test_no_product_is_lighter_than_bran_or_heavier_than_stone(kind):
    row = product_row(kind)
    if row.bulk_density_kg_m3 is not None:
        # FAO S4314E, appendix XI: wheat bran 0.17 t/m3; limestone 1.08 to 1.14 t/m3 as a powder, granules to 1.6.
        assert 170 < row.bulk_density_kg_m3.low <= row.bulk_density_kg_m3.value < 1600
    if row.density_kg_l is not None:
        assert 1.0 < row.density_kg_l.value < 1.5


@pytest.mark.parametrize(
    ("kind", "form", "most"),
    # Chemistry: what the pure compound holds; a fertilizer grade cannot hold more.
    [
        ("urea", "N", 2 * N / (C + OX + 2 * N + 4 * H)),
        ("ammonium_nitrate", "N", 2 * N / (2 * N + 4 * H + 3 * OX)),
        ("ammonium_sulfate", "N", 2 * N / (2 * (N + 4 * H) + S + 4 * OX)),
        ("ammonium_sulfate", "S", S / (2 * (N + 4 * H) + S + 4 * OX)),
        ("monoammonium_phosphate", "N", N / (N + 6 * H + P + 4 * OX)),
        ("monoammonium_phosphate", "P2O5", (P + 2.5 * OX) / (N + 6 * H + P + 4 * OX)),
        ("diammonium_phosphate", "N", 2 * N / (2 * N + 9 * H + P + 4 * OX)),
        ("diammonium_phosphate", "P2O5", (P + 2.5 * OX) / (2 * N + 9 * H + P + 4 * OX)),
        ("triple_superphosphate", "P2O5", (2 * P + 5 * OX) / (CA + 4 * H + 2 * P + 8 * OX + WATER)),
        ("potassium_chloride", "K2O", (K + OX / 2) / (K + CL)),
        ("potassium_sulfate", "K2O", (2 * K + OX) / (2 * K + S + 4 * OX)),
        ("potassium_sulfate", "S", S / (2 * K + S + 4 * OX)),
        ("langbeinite", "K2O", (2 * K + OX) / (2 * K + 2 * MG + 3 * (S + 4 * OX))),
        ("langbeinite", "Mg", 2 * MG / (2 * K + 2 * MG + 3 * (S + 4 * OX))),
        ("langbeinite", "S", 3 * S / (2 * K + 2 * MG + 3 * (S + 4 * OX))),
        ("kieserite", "MgO", (MG + OX) / (MG + S + 4 * OX + WATER)),
        ("kieserite", "S", S / (MG + S + 4 * OX + WATER)),
        ("gypsum", "S", S / (CA + S + 4 * OX + 2 * WATER)),
        ("gypsum", "Ca", CA / (CA + S + 4 * OX + 2 * WATER)),
        ("zinc_sulfate", "Zn", ZN / (ZN + S + 4 * OX + WATER)),
        ("zinc_sulfate", "S", S / (ZN + S + 4 * OX + WATER)),
        ("borate", "B", 4 * B / (2 * NA + 4 * B + 7 * OX + 5 * WATER)),
    ],
)
def test_a_grade_holds_nearly_what_the_pure_compound_does_and_not_more(kind, form, most):
    # the lower bound is our own: impurities and coatings make up at most a fifth
    assert 0.80 * most < product_row(kind).label[form] / 100 <= most


@pytest.mark.parametrize(("kind", "urea", "nitrate"), [("uan_28", 0.30, 0.40), ("uan_32", 0.35, 0.45)])
def test_uan_holds_the_nitrogen_of_its_urea_and_ammonium_nitrate_half_of_it_urea(kind, urea, nitrate):
    # Mitchell, ANR-174, Nutrient Content of Fertilizer Materials: 28 % UAN is 30 % urea and 40 % ammonium nitrate, 32 %
    # UAN is 35 % and 45 %.
    of_urea = urea * 2 * N / (C + OX + 2 * N + 4 * H)
    of_nitrate = nitrate * 2 * N / (2 * N + 4 * H + 3 * OX)
    assert product_row(kind).label["N"] == round(100 * (of_urea + of_nitrate))
    assert of_urea / (of_urea + of_nitrate) == pytest.approx(0.5, abs=0.02)


def test_pounds_of_product_hold_the_pounds_of_nutrient_of_a_worked_blend():
    # Ohio State University Extension ANR-74: 210 lb MAP hold 109.2 lb P2O5, 240 lb DAP 110.4 lb, 180 lb potash 108.0 lb
    # K2O.
    assert 210 * product_row("monoammonium_phosphate").label["P2O5"] / 100 == pytest.approx(109.2, abs=0.05)
    assert 240 * product_row("diammonium_phosphate").label["P2O5"] / 100 == pytest.approx(110.4, abs=0.05)
    assert 180 * product_row("potassium_chloride").label["K2O"] / 100 == pytest.approx(108.0, abs=0.05)


def elements(label):
    return {LABEL_FORMS[form][0]: percent / 100 * LABEL_FORMS[form][1] for form, percent in label.items()}


def test_three_products_meet_a_grade_through_oxides_and_elements():
    # Hand calculation: 125 N - 68.125 P2O5 - 125 K2O from 18-46-0, 21-0-53 and 34-0-0. P2O5: 68.125/.46 = 148.10; K2O:
    # 125/.53 = 235.85; N: (125 - .18 x 148.10 - .21 x 235.85)/.34 = 143.57.
    dap = Product("DAP", product_row("diammonium_phosphate").analysis)
    other = Product("21-0-53", elements({"N": 21, "K2O": 53}))
    nitrate = Product("AN", product_row("ammonium_nitrate").analysis)
    needs = {"N": 125.0, "P": 68.125 * LABEL_FORMS["P2O5"][1], "K": 125.0 * LABEL_FORMS["K2O"][1]}
    paths = tuple(
        NeedPath(e, date(2026, 4, 1), np.array([[need]]), np.zeros(1), 1.0, dated=False) for e, need in needs.items()
    )
    met = programme(Ask(paths, (nitrate, dap, other), (Pass(None),), Terms(), np.ones(1)))
    rates = {dose.product.name: float(dose.planned_kg_ha[0]) for dose in met.doses}
    assert rates == pytest.approx({"DAP": 148.10, "21-0-53": 235.85, "AN": 143.57}, abs=0.005)


def test_oxides_and_elements_are_kept_apart():
    # P2O5/P 2.2913 and K2O/K 1.2046 from atomic weights; a county handout prints K = K2O/1.12, which is wrong.
    assert product_row("monoammonium_phosphate").analysis["P"] == pytest.approx(0.52 / 2.2913, abs=1e-4)
    assert product_row("potassium_chloride").analysis["K"] == pytest.approx(0.60 / 1.2046, abs=1e-4)
    assert product_row("potassium_chloride").analysis["K"] != pytest.approx(0.60 / 1.12, rel=0.05)
    # kieserite's label states MgO: 40.304 / 24.305 = 1.658
    assert product_row("kieserite").analysis["Mg"] == pytest.approx(0.25 / 1.658, abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "pounds"),
    # 28 % solution at 10.67 lb/gal: 2.99 lb; Purdue Extension (Camberato in Farm Progress 2023) prints 2.97 with 10.6
    # lb/gal. 32 % at 11.06: 3.54, commonly "about 3.5". 10-34-0 at 11.65: 1.17 lb N, 3.96 lb P2O5.
    [("uan_28", {"N": 2.99}), ("uan_32", {"N": 3.54}), ("ammonium_polyphosphate", {"N": 1.165, "P2O5": 3.961})],
)
def test_a_gallon_holds_the_pounds_of_nutrient_it_should(kind, pounds):
    row = product_row(kind)
    per_gallon = row.density_kg_l.value / KG_L_PER_LB_GAL
    for form, expected in pounds.items():
        assert per_gallon * row.label[form] / 100 == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    # Estimated physical characteristics of fertilizer material: lb per cubic foot.
    [
        ("urea", 44, 48), ("monoammonium_phosphate", 60, 65), ("diammonium_phosphate", 55, 60),
        ("triple_superphosphate", 65, 75), ("potassium_chloride", 58, 65), ("ammonium_sulfate", 47, 53),
        ("langbeinite", 90, 98), ("ammonium_nitrate", 54, 58),
    ],
)  # fmt: skip
def test_bulk_densities_are_the_published_ones(kind, low, high):
    figure = product_row(kind).bulk_density_kg_m3
    assert figure.low == pytest.approx(low * KG_M3_PER_LB_FT3)
    assert figure.value == pytest.approx(high * KG_M3_PER_LB_FT3)
    assert figure.status == "published"


@pytest.mark.parametrize(
    ("kind", "percent"),
    # Estimated physical characteristics of fertilizer material: critical relative humidity, whole percent; the table's
    # own figures are of another source, at 30 C.
    [
        ("urea", 72), ("ammonium_nitrate", 59), ("diammonium_phosphate", 82), ("monoammonium_phosphate", 92),
        ("triple_superphosphate", 94), ("potassium_chloride", 84), ("ammonium_sulfate", 79),
    ],
)  # fmt: skip
def test_two_sources_agree_on_critical_humidities(kind, percent):
    assert product_row(kind).critical_humidity.percent == pytest.approx(percent, abs=0.51)


@pytest.mark.parametrize(
    ("kind", "tonnes"),
    # FAO S4314E, Feed and feeding of fish and shrimp, appendix XI: t/m3.
    [
        ("alfalfa_meal", (0.25, 0.35)), ("soybean_meal", (0.56, 0.60)), ("blood_meal", (0.61, 0.61)),
        ("bone_meal", (0.80, 0.96)), ("fish_meal", (0.48, 0.64)),
    ],
)  # fmt: skip
def test_meals_are_as_dense_as_feed(kind, tonnes):
    figure = product_row(kind).bulk_density_kg_m3
    assert (figure.low / 1000, figure.value / 1000) == pytest.approx(tonnes, abs=0.01)


@pytest.mark.parametrize(
    ("kind", "after_8_weeks"),
    # Hartz & Johnstone 2006, HortTechnology 16:39, abstract: over four products 47 to 60 % of organic N mineralized
    # within 2 weeks; after 8 weeks feather meal 60, seabird guano 61, fish powder 62, blood meal 66 %.
    [("feather_meal", 0.60), ("bat_guano", 0.61), ("fish_meal", 0.62), ("blood_meal", 0.66)],
)
def test_organic_nitrogen_is_released_as_measured(kind, after_8_weeks):
    row = product_row(kind)
    meal = Product(
        kind, row.analysis, release_half_life_days=row.half_life_days.value, available_fraction=row.fraction_of("N")
    )
    assert 0.47 <= released_fraction(meal, days=14) <= 0.60
    assert released_fraction(meal, days=56) == pytest.approx(after_8_weeks, abs=0.005)


def test_compost_gives_its_mineral_nitrogen_and_little_more():
    # CalRecycle, Average levels of compost nutrients: 1.53 % N, 741.9 mg/kg NH4-N and 291 mg/kg NO3-N of dry matter.
    # Cabrera 2019, SARE LS16-269: 1 to 4 % of N mineralized within 100 days.
    mineral = (741.9 + 291) / 1e4 / 1.53
    assert mineral + 0.01 <= product_row("compost").fraction_of("N") <= mineral + 0.04


def test_elemental_sulfur_turns_to_a_third_in_a_season():
    # 30 to 40 % in a season of 120 days (common practice).
    row = product_row("elemental_sulfur")
    assert 0.30 <= 1 - math.exp(-math.log(2) * 120 / row.half_life_days.value) <= 0.40


def test_one_share_for_a_whole_product_is_that_of_its_slowest_element():
    litter = product_row("poultry_litter")
    assert litter.available_fraction == litter.fraction_of("N") < litter.fraction_of("P")
    assert product_row("urea").available_fraction == 1.0


@pytest.mark.parametrize(
    ("kind", "mend"),
    [
        ("ureas", "Did you mean urea"),
        ("potassium", "potassium_chloride"),
        ("quartz", "Choose one of urea, coated_urea"),
    ],
)
def test_an_unknown_kind_is_answered_with_the_nearest(kind, mend):
    with pytest.raises(InputError, match=mend):
        product_row(kind)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("UREA", "urea"), ("ammonium_sulfate", "ammonium_sulfate"), ("Ammonium  Sulfate", "ammonium_sulfate"),
        ("MAP (monoammonium phosphate)", "monoammonium_phosphate"), ("urea blend", ""), ("", ""),
    ],
)  # fmt: skip
def test_a_name_is_a_row_only_where_it_is_exactly_its_key_or_title(name, kind):
    assert kind_of_name(name) == kind


GOOD = {
    "title": "t",
    "source": "mineral",
    "form": "dry",
    "analysis": [{"label": {"N": 46}, "source": "a book", "status": "published"}],
    "bulk_density_lb_ft3": {"low": 44, "high": 48, "source": "a book", "status": "published"},
}


@pytest.mark.parametrize(
    "spoilt",
    [
        {"colour": "white"},
        {"form": "gas"},
        {"analysis": [{"label": {"N": 46}, "source": "", "status": "published"}]},
        {"analysis": [{"label": {"N": 46}, "source": "a book", "status": "true"}]},
        {"analysis": [{"label": {"K": 50, "K2O": 60}, "source": "a book", "status": "published"}]},
        {"analysis": [{"label": {"N": 60, "S": 50}, "source": "a book", "status": "published"}]},
        {"analysis": [{"label": {"Xx": 60}, "source": "a book", "status": "published"}]},
        {"density_lb_gal": {"value": 10, "source": "a book", "status": "published"}},
        {"available_fraction": {"P": {"value": 0.5, "source": "a book", "status": "published"}}},
        {"available_fraction": {"N": {"value": 1.5, "source": "a book", "status": "published"}}},
        {"salt_index": [{"value": 5, "source": "a book", "status": "published"}]},
        {"bulk_density_lb_ft3": {"low": 50, "high": 48, "source": "a book", "status": "published"}},
    ],
)
def test_a_row_of_the_file_that_cannot_be_is_refused(spoilt):
    assert row_from("good", GOOD).label == {"N": 46}
    with pytest.raises(InputError, match=r"products\.toml, bad.*Mend the row"):
        row_from("bad", {**GOOD, **spoilt})
