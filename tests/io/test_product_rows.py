"""Products that are like a row of the product table, liquids, and what lies in the shed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from zonemap.errors import InputError
from zonemap.io.decisions import products_of
from zonemap.io.field_file import FieldFile, parse_field_file
from zonemap.io.folder import read_folder
from zonemap.io.product_rows import row_notes
from zonemap.products.table import product_row
from zonemap.units import UnitSystem
from zonemap.values.season import Product

HEAD = '[field]\nunits = "us"\n[samples]\nbasis = "resin"\nunit = "lb/ac/day"\n'


def _parse(text: str) -> FieldFile:
    return parse_field_file((HEAD + text).encode())


def _one(text: str, *, units: UnitSystem = "us") -> Product:
    (product,) = products_of(_parse(f"[[product]]\n{text}").product, units=units)
    return product


@pytest.mark.parametrize(
    ("name", "kind"), [("bone meal", "bone_meal"), ("DAP", "diammonium_phosphate"), ("Potash", "potassium_chloride")]
)
def test_a_row_may_be_named_as_people_name_it(name: str, kind: str) -> None:
    assert _one(f'like = "{name}"\n') == _one(f'like = "{kind}"\n')


def test_a_product_like_a_row_takes_what_the_user_does_not_state() -> None:
    litter, row = _one('like = "poultry_litter"\n'), product_row("poultry_litter")

    assert (litter.name, litter.kind, litter.source) == ("poultry litter", "poultry_litter", "organic")
    assert litter.label == row.label
    assert litter.analysis == pytest.approx(row.analysis)
    assert litter.bulk_density_kg_m3 == pytest.approx(31.5 * 16.01846, rel=1e-6)  # middle of 28 to 35 lb/ft3
    assert litter.release_half_life_days == 21
    assert litter.available_fraction == 0.5
    assert (litter.serving("N").available_fraction, litter.serving("P").available_fraction) == (0.5, 0.9)


def test_the_users_own_keys_win_over_the_row() -> None:
    text = 'like = "poultry_litter"\nname = "litter, barn 2"\nanalysis = { N = 4, P2O5 = 3 }\nsource = "mineral"\n'
    text += 'bulk_density_lb_ft3 = 30\nrelease = "at_once"\navailable_fraction = 0.7\n'

    litter = _one(text)

    assert (litter.name, litter.source, litter.kind) == ("litter, barn 2", "mineral", "poultry_litter")
    assert litter.label == {"N": 4, "P2O5": 3}
    assert litter.bulk_density_kg_m3 == pytest.approx(30 * 16.01846, rel=1e-6)
    assert litter.release_half_life_days is None
    assert litter.serving("P").available_fraction == 0.7


def test_a_name_that_is_a_rows_sets_the_kind_and_nothing_else() -> None:
    urea = _one('name = "Urea"\n')

    assert (urea.kind, dict(urea.analysis), urea.bulk_density_kg_m3) == ("urea", {}, None)
    assert _one('name = "urea, old"\n').kind == ""
    assert _one('name = "ammonium_sulfate"\nanalysis = { N = 20 }\n').label == {"N": 20}


def test_a_price_of_a_ton_and_of_a_gallon_come_to_the_same_per_pound_of_nitrogen() -> None:
    # $350 a short ton of UAN-28 is 350 / 560 = 0.625 $/lb N; at 10.67 lb/gal a gallon is 350/2000 x 10.67 = 1.86725 $.
    for price in ("price_per_ton = 350", "price_per_gal = 1.86725"):
        uan = _one(f'like = "uan_28"\n{price}\n')
        assert uan.price_per_kg is not None
        assert uan.price_per_kg / uan.analysis["N"] * 0.45359237 == pytest.approx(0.625, abs=1e-6)
        assert uan.bulk_density_kg_m3 is None


def test_liquids_are_told_by_their_density_in_either_unit() -> None:
    # 10 lb a US gallon of 3.785411784 litres: 4.5359237 / 3.785411784 = 1.198264 kg per litre.
    us = _one('name = "starter"\nanalysis = { N = 6 }\ndensity_lb_gal = 10\nprice_per_gal = 5\n')
    metric = _one('name = "starter"\ndensity_kg_l = 1.2\nprice_per_l = 0.6\n', units="metric")

    assert us.density_kg_l == pytest.approx(1.198264, abs=1e-6)
    assert us.price_per_kg == pytest.approx(5 / 4.5359237)
    assert metric.price_per_kg == pytest.approx(0.5)
    assert _one('like = "uan_28"\ndensity_lb_gal = 10.6\n').density_kg_l == pytest.approx(10.6 * 0.1198264, abs=1e-6)


def test_what_lies_in_the_shed_is_in_pounds_or_kilograms() -> None:
    assert _one('like = "urea"\non_hand = 2000\n').on_hand_kg == pytest.approx(907.18474)
    assert _one('like = "urea"\non_hand = 2000\n', units="metric").on_hand_kg == 2000
    assert _one('like = "urea"\n').on_hand_kg == 0


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ('like = "ureas"', r"product 1, like: 'ureas' .*Did you mean urea\?"),
        ('like = "potassium"', "Did you mean potassium_chloride or potassium_sulfate"),
        ("price_per_ton = 5", r'product 1, name: is missing\. Write name = "\.\.\."'),
        ('name = "x"\nprice_per_gal = 3', r"price_per_gal: .*Write density_lb_gal = 10\.67"),
        ('name = "x"\nprice_per_l = 3', r"price_per_l: .*Write density_lb_gal = 10\.67"),
        ('like = "urea"\nprice_per_gal = 3', "says nothing without the density of the liquid"),
        ('name = "x"\ndensity_lb_gal = 10\ndensity_kg_l = 1.2', "Keep one of density_lb_gal and density_kg_l"),
        ('name = "x"\ndensity_lb_gal = 10\nbulk_density_kg_m3 = 900', "Keep the bulk density of a dry product"),
        ('name = "x"\ndensity_kg_l = 10.67', "Check the unit"),
        ('like = "uan_28"\nprice_per_gal = 3\nprice_per_ton = 300', "price_per_ton and price_per_gal are both given"),
        ('like = "urea"\non_hand = -5', "on_hand = 2000"),
        ("like = 3", 'like = "urea"'),
    ],
)
def test_a_product_that_cannot_be_read_is_refused_with_the_mend(text: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        _one(text + "\n")


def test_what_comes_from_the_table_is_told_with_its_status() -> None:
    (note,) = row_notes(_parse('[[product]]\nlike = "feather_meal"\n').product, units="us")

    assert "12-0-0 (common practice)" in note.text
    assert "half released in 5 days (derived)" in note.text
    assert "N 60% available in the first year (published)" in note.text
    assert "zonemap products feather_meal" in note.text
    stated = 'like = "urea"\nanalysis = { N = 46 }\nbulk_density_lb_ft3 = 46\n'
    assert row_notes(_parse(f"[[product]]\n{stated}").product, units="us") == ()


def test_a_folder_with_a_product_like_a_row_reads_and_says_so(field_folder: Callable[..., Path]) -> None:
    case = read_folder(field_folder(("", '\n[[product]]\nlike = "potassium_chloride"\nprice_per_ton = 500\n')))

    (product,) = case.products
    assert product.kind == "potassium_chloride"
    assert any("zonemap products potassium_chloride" in note.text for note in case.notes)
