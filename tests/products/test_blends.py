"""What to mind when products are blended, stored, put with the seed or left on the surface."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.products.compatibility import conflicts
from zonemap.products.humidity import blend_humidity
from zonemap.products.salt import (
    MORTVEDT,
    RADER,
    blend_salt_index,
    nitrogen_and_potash_kg_ha,
    seed_cautions,
    seed_row_limit_kg_ha,
)
from zonemap.products.table import product_kinds, product_row
from zonemap.products.volatilization import surface_losses
from zonemap.units import KG_HA_PER_LB_AC

kinds_of = st.lists(st.sampled_from(product_kinds()), min_size=1, max_size=6, unique=True)
SALTED = [kind for kind in product_kinds() if product_row(kind).salt_index(MORTVEDT) is not None]


@pytest.mark.parametrize(
    ("first", "second", "severity"),
    # International Plant Nutrition Institute 2013, Fertilizer compatibility and storage.
    [
        ("urea", "ammonium_nitrate", "never"), ("urea", "calcium_ammonium_nitrate", "never"),
        ("urea", "triple_superphosphate", "never"), ("urea", "single_superphosphate", "never"),
        ("urea", "potassium_chloride", "not_stored"), ("urea", "potassium_sulfate", "not_stored"),
        ("urea", "diammonium_phosphate", "not_stored"), ("urea", "ammonium_sulfate", "not_stored"),
        ("calcium_ammonium_nitrate", "potassium_chloride", "not_stored"),
        ("calcium_ammonium_nitrate", "monoammonium_phosphate", "not_stored"),
    ],
)  # fmt: skip
def test_the_published_chart_is_kept(first, second, severity):
    (found,) = conflicts([first, second])
    assert (found.severity, found.status) == (severity, "published")
    assert found.source.startswith("International Plant Nutrition Institute")


@pytest.mark.parametrize(
    ("first", "second"),
    # the same source: potash goes with most fertilizers
    [
        ("potassium_chloride", "diammonium_phosphate"), ("potassium_chloride", "monoammonium_phosphate"),
        ("potassium_chloride", "ammonium_sulfate"), ("monoammonium_phosphate", "ammonium_sulfate"),
        ("uan_28", "ammonium_polyphosphate"), ("urea", "uan_28"), ("urea", "coated_urea"),
    ],
)  # fmt: skip
def test_what_goes_together_is_not_warned_about(first, second):
    assert conflicts([first, second]) == ()


def test_calcium_in_a_tank_is_kept_from_sulfate_and_phosphate():
    # University of California, Maintenance of microirrigation: calcium nitrate and potassium sulfate make gypsum.
    (sulfate,) = conflicts(["calcium_nitrate", "potassium_sulfate"])
    assert "gypsum" in sulfate.reason
    (phosphate,) = conflicts(["calcium_nitrate", "ammonium_polyphosphate"])
    assert phosphate.severity == "never"


def test_nitrates_are_kept_from_sulfur_and_organic_products():
    for nitrate in ("ammonium_nitrate", "calcium_ammonium_nitrate", "calcium_nitrate"):
        assert all(each.severity == "never" for each in conflicts([nitrate, "elemental_sulfur"]))
        assert len(conflicts([nitrate, "feather_meal"])) == 1


@given(kinds_of)
def test_conflicts_do_not_depend_on_the_order_and_the_gravest_come_first(kinds):
    forward, backward = conflicts(kinds), conflicts(kinds[::-1])
    assert {(frozenset(c.pair), c.severity) for c in forward} == {(frozenset(c.pair), c.severity) for c in backward}
    assert [c.severity for c in forward] == sorted((c.severity for c in forward), key=lambda s: s != "never")
    for conflict in forward:
        assert conflict.reason
        assert conflict.source
        assert product_row(conflict.pair[0]).title in conflict.sentence


def test_products_of_ones_own_making_are_passed_over_and_unknown_kinds_refused():
    assert conflicts(["", "urea", ""]) == ()
    assert surface_losses([""]) == ()
    with pytest.raises(InputError, match="Did you mean"):
        conflicts(["urea", "ammonium_nitrat"])


def test_urea_with_ammonium_sulfate_takes_up_water_above_56_percent():
    # Critical relative humidity of urea + ammonium sulfate at 30 C: 56.4 %, against 72.5 and 79.2 % alone.
    found = blend_humidity(["urea", "ammonium_sulfate"])
    assert (found.percent, found.unknown, found.status) == (56.4, (), "published")
    assert "56%" in found.sentence
    assert "spread it the day it is blended" in found.sentence


def test_humidity_says_what_it_does_not_know():
    found = blend_humidity(["urea", "diammonium_phosphate", "langbeinite", ""])
    assert found.percent == 72.5
    assert any("DAP" in text and "urea" in text for text in found.unknown)
    assert any("langbeinite" in text for text in found.unknown)
    assert "a product of your own making" in found.unknown
    assert "or less" in found.sentence
    nothing = blend_humidity(["feather_meal"])
    assert nothing.percent is None
    assert "keep it dry" in nothing.sentence


def test_gypsum_and_liquids_leave_humidity_as_it_is():
    assert blend_humidity(["urea", "gypsum", "uan_28"]) == blend_humidity(["urea"])


@given(kinds_of, st.sampled_from(product_kinds()))
def test_one_more_product_never_makes_a_blend_drier(kinds, more):
    before, after = blend_humidity(kinds), blend_humidity([*kinds, more])
    if before.percent is not None:
        assert after.percent is not None
        assert after.percent <= before.percent


def test_the_salt_index_of_a_blend_is_the_mean_by_mass():
    # By hand with Mortvedt 2001 (urea 74.4, DAP 29.2, potash 116.2): (150 x 74.4 + 100 x 29.2 + 50 x 116.2)/300 = 66.3.
    masses = {"urea": 150.0, "diammonium_phosphate": 100.0, "potassium_chloride": 50.0}
    found = blend_salt_index(masses, author=MORTVEDT)
    assert found.value == pytest.approx(66.3, abs=0.05)
    assert (found.author, found.missing) == (MORTVEDT, ())


def test_authors_of_salt_indices_are_never_mixed():
    # ammonium sulfate: 88.3 (Mortvedt 2001) against 69.0 (Rader et al. 1943); Mortvedt has none for langbeinite here.
    assert blend_salt_index({"ammonium_sulfate": 1.0}, author=MORTVEDT).value == 88.3
    assert blend_salt_index({"ammonium_sulfate": 1.0}, author=RADER).value == 69.0
    lacking = blend_salt_index({"urea": 1.0, "langbeinite": 1.0}, author=MORTVEDT)
    assert (lacking.value, lacking.missing) == (None, ("langbeinite",))
    assert blend_salt_index({"urea": 1.0, "langbeinite": 0.0}, author=MORTVEDT).value == 74.4
    assert blend_salt_index({"urea": 1.0, "": 1.0}, author=MORTVEDT).missing == ("",)


@given(st.dictionaries(st.sampled_from(SALTED), st.floats(0.1, 1e3), min_size=1, max_size=5), st.floats(0.01, 100))
def test_a_blend_is_no_saltier_than_its_saltiest_product_however_much_there_is(masses, scale):
    found = blend_salt_index(masses).value
    parts = [product_row(kind).salt_index(MORTVEDT).value for kind in masses]
    assert min(parts) - 1e-9 <= found <= max(parts) + 1e-9
    assert blend_salt_index({k: m * scale for k, m in masses.items()}).value == pytest.approx(found)


def test_a_blend_of_nothing_has_no_salt_index():
    with pytest.raises(InputError, match="Give the mass"):
        blend_salt_index({})
    with pytest.raises(InputError, match="Give the mass"):
        blend_salt_index({"urea": -1.0})


@pytest.mark.parametrize(
    ("inches", "medium_fine", "sandy"),
    # Kansas State University, Agronomy eUpdate, starter fertilizer for corn, table 1: N + K2O with the seed, lb/ac.
    # Between its rows the wider one holds.
    [(40, 6, 4), (30, 8, 6), (20, 12, 8), (36, 6, 4), (22, 8, 6), (15, 12, 8), (76 / 2.54, 8, 6), (102 / 2.54, 6, 4)],
)
def test_with_the_seed_goes_no_more_than_published(inches, medium_fine, sandy):
    for soil, limit in (("medium_fine", medium_fine), ("sandy", sandy)):
        found = seed_row_limit_kg_ha(row_spacing_m=inches * 0.0254, soil=soil)
        assert found / KG_HA_PER_LB_AC == pytest.approx(limit)


def test_rows_wider_than_the_table_are_refused():
    with pytest.raises(InputError, match="beside the row"):
        seed_row_limit_kg_ha(row_spacing_m=1.5, soil="sandy")


def test_nitrogen_and_potash_with_the_seed_are_added_up():
    # 5 gal/ac of 10-34-0 at 11.65 lb/gal: 58.25 lb hold 5.8 lb of N and no potash: within 6 lb/ac on 30 in sandy rows.
    rate = 5 * 11.65 * KG_HA_PER_LB_AC
    found = nitrogen_and_potash_kg_ha({"ammonium_polyphosphate": rate})
    assert found / KG_HA_PER_LB_AC == pytest.approx(5.825)
    assert found < seed_row_limit_kg_ha(row_spacing_m=30 * 0.0254, soil="sandy")
    # 100 lb of 0-0-60 hold 60 lb of K2O
    assert nitrogen_and_potash_kg_ha({"potassium_chloride": 100.0}) == pytest.approx(60.0)


def test_urea_and_uan_are_kept_from_the_seed():
    said = seed_cautions(["urea", "uan_28", "monoammonium_phosphate", ""])
    assert len(said) == 2
    assert all("never with the seed" in sentence for sentence in said)


def test_losses_of_urea_are_those_measured():
    # Engel, Montana State University, Ammonia volatility from urea, table 1: percent of applied N lost, urea.
    lost = [3.1, 31.3, 11.6, 10.4, 15.7, 13.4, 24.3, 44.1, 20.7, 14.9, 13.0, 8.4, 35.6, 39.9, 6.1, 14.7, 1.1]
    (said,) = surface_losses(["urea"])
    assert f"{min(lost):.0f} to {max(lost):.0f}%" in said
    assert f"{sum(lost) / len(lost):.0f}% on average" in said


def test_losses_are_told_of_what_loses_only():
    assert surface_losses(["potassium_chloride", "calcium_nitrate", "gypsum"]) == ()
    assert len(surface_losses(["urea", "uan_32", "urea"])) == 2
    (said,) = surface_losses(["ammonium_sulfate", "diammonium_phosphate"])
    assert "lime" in said
    assert "DAP" in said
