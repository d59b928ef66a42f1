"""[programme] and [[pass]]: units, defaults, and refusals that say what to write."""

from datetime import date

import pytest

from zonemap.errors import InputError
from zonemap.io.field_file import parse_field_file
from zonemap.io.programme_tables import PassTable, ProgrammeTable, passes_of, terms_of
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, KG_PER_LB, P2O5_PER_P
from zonemap.values.season import Product

BASE = b"""
[field]
units = "us"
[samples]
basis = "resin"
unit = "lb/ac/day"
"""


def terms(units="us", area_ha=10.0, **keys):
    return terms_of(ProgrammeTable(**keys), units=units, area_ha=area_ha, small_ha=0.2)


def passes(*tables, units="us", products=()):
    return passes_of([PassTable(**table) for table in tables], products, units=units)


def test_amounts_become_kg_of_the_element_a_hectare():
    made = terms(cap_per_pass={"N": 60.0, "P2O5": 40.0}, cost_of_over={"P2O5": 0.5}, cost_of_trip=8.0)
    assert made.cap_per_pass_kg_ha["N"] == pytest.approx(60 * KG_HA_PER_LB_AC)
    assert made.cap_per_pass_kg_ha["P"] == pytest.approx(40 * KG_HA_PER_LB_AC / P2O5_PER_P)
    # half a dollar a pound of P2O5 is 1.146 dollars a pound of P
    assert made.cost_of_over["P"] == pytest.approx(0.5 * P2O5_PER_P / KG_PER_LB)
    assert made.cost_of_trip_ha == pytest.approx(8 / HA_PER_AC)
    assert terms(units="metric", most_over={"N": 20.0}).most_over_kg_ha == {"N": 20.0}


def test_an_organic_share_is_of_all_nutrients_or_of_those_named():
    assert dict(terms(organic_share=0.4).organic_share) == {"": 0.4}
    assert dict(terms(organic_share={"N": 0.5, "K": 0.0}).organic_share) == {"N": 0.5}
    assert not terms().organic_share


def test_bags_are_bought_whole_in_small_places_unless_stated():
    assert terms(area_ha=0.1).whole_bags
    assert not terms(area_ha=5.0).whole_bags
    assert terms(area_ha=5.0, whole_bags=True).whole_bags


@pytest.mark.parametrize(
    ("keys", "mend"),
    [
        ({"cap_per_pass": {"NO3": 3.0}}, "Use one of N, P, K"),
        ({"cap_per_season": {"P": 3.0, "P2O5": 9.0}}, "Keep either P or its oxide"),
        ({"organic_share": {"P2O5": 0.5}}, "Use elements"),
    ],
)
def test_a_nutrient_it_cannot_read_is_refused(keys, mend):
    with pytest.raises(InputError, match=mend):
        terms(**keys)


def test_passes_are_sorted_and_know_what_holds_for_them():
    urea = Product("urea", {"N": 0.46})
    second, first = {"on": date(2026, 6, 1)}, {"on": date(2026, 5, 1), "cap": {"N": 30.0}, "products": ["urea"]}
    made = passes(second, first, products=[urea])
    assert [each.on for each in made] == [date(2026, 5, 1), date(2026, 6, 1)]
    assert made[0].cap_kg_ha["N"] == pytest.approx(30 * KG_HA_PER_LB_AC)
    assert made[0].products == ("urea",)


@pytest.mark.parametrize(
    ("tables", "mend"),
    [
        ([{"on": date(2026, 5, 1)}, {"on": date(2026, 5, 1)}], "Keep one"),
        ([{"on": date(2026, 5, 1), "placement": "with_seed"}], "row_spacing_in = 30"),
        ([{"on": date(2026, 5, 1), "row_spacing_in": 30.0, "row_spacing_cm": 75.0}], "Keep one of the two"),
        ([{"on": date(2026, 5, 1), "products": ["ruea"]}], "Products: none"),
        ([{"on": date(2026, 5, 1), "min_rate": 90.0, "max_rate": 40.0}], "the smaller of the two"),
    ],
)
def test_a_pass_that_cannot_be_is_refused(tables, mend):
    with pytest.raises(InputError, match=mend):
        passes(*tables)


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        (b'[programme]\nspread = "both"\n', 'Write spread = "separate"'),
        (b"[programme]\nmost_product = 2\n", "Did you mean most_products"),
        (b"[programme]\norganic_share = 1.5\n", "Write a share from 0 to 1"),
        (b'[[pass]]\nplacement = "surface"\n', "Write the date without quotes: on ="),
        (b"[[pass]]\non = 2026-05-01\nplace = 1\n", "Did you mean placement"),
        (b"pass = 3\n", r"Write each pass under \[\[pass\]\]"),
        (b"[programe]\nbins = 3\n", "Did you mean programme"),
        (b"[[passes]]\non = 2026-05-01\n", "Did you mean pass"),
    ],
)
def test_a_key_that_will_not_do_is_named_with_its_mend(text, mend):
    content = text + BASE if text.startswith(b"pass =") else BASE + text
    with pytest.raises(InputError, match=mend):
        parse_field_file(content)
