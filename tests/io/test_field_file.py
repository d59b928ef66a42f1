"""field.toml: every refusal names the key as the user wrote it."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.io.decisions import (
    basis_of,
    decision_of,
    products_of,
    rate_tables_of,
    repeatability,
    season_of,
    spreader_of,
)
from zonemap.io.field_file import FieldFile, parse_field_file

LEAST = """
[field]
boundary = "boundary.geojson"
units = "us"
[samples]
basis = "resin"
unit = "lb/ac/day"
burial_days = 4
"""


def _parse(more: str = "", *, least: str = LEAST) -> FieldFile:
    return parse_field_file((least + more).encode())


def test_a_misspelt_key_is_named_with_the_one_that_is_meant() -> None:
    with pytest.raises(InputError, match=r"^field\.toml, spreader, swath_feet: .*Did you mean swath_ft\?"):
        _parse("[spreader]\nswath_feet = 80\n")
    with pytest.raises(InputError, match=r"^field\.toml, product 1, price_per_tonne: .*Did you mean price_per_ton\?"):
        _parse('[[product]]\nname = "potash"\nprice_per_tonne = 520\n')
    with pytest.raises(InputError, match=r"^field\.toml, sample: .*Did you mean samples\?"):
        parse_field_file(LEAST.replace("[samples]", "[sample]").encode())


def test_a_wrong_key_of_a_rule_is_told_in_the_words_of_rules() -> None:
    with pytest.raises(InputError, match=r"^field\.toml, rule 1, target_p: .*Did you mean target_ph\?"):
        _parse('[[rule]]\nname = "north_carolina_lime"\ntarget_p = 6.0\n')
    with pytest.raises(InputError, match=r"^field\.toml, rule 1, yield_goal: .*Write a positive number in bu/ac"):
        _parse('[[rule]]\nname = "tri_state_p"\nyield_goal = "190"\n')


@pytest.mark.parametrize("table", [f.alias or name for name, f in FieldFile.model_fields.items() if name != "field"])
def test_a_key_no_table_knows_is_answered_with_keys_of_its_own_table(table: str) -> None:
    # every table has keys of its own: the list of all tables is never the answer to a key inside one
    kind = {f.alias or name: f for name, f in FieldFile.model_fields.items()}[table].annotation
    brackets = ("[[", "]]") if "list" in str(kind) else ("[", "]")
    least = LEAST if table != "samples" else LEAST.rpartition("[samples]")[0]
    with pytest.raises(InputError, match=rf"^field\.toml, {table}( 1)?, qqqq") as refused:
        _parse(f"{brackets[0]}{table}{brackets[1]}\nqqqq = 1\n", least=least)
    assert "rate_table, rule" not in refused.value.mend


def test_an_unknown_key_lists_those_there_are() -> None:
    with pytest.raises(InputError, match=r"^field\.toml, spreader, colour: .*use one of swath_ft, swath_m"):
        _parse('[spreader]\ncolour = "green"\n')


@pytest.mark.parametrize(
    ("line", "where", "mend"),
    [
        ('units = "us"', "field, units", 'Write units = "us" or units = "metric"'),
        ('basis = "resin"', "samples, basis", 'Write basis = "resin", "extract"'),
        ('unit = "lb/ac/day"', "samples, unit", "Write the laboratory's unit"),
        ("[field]", "boundary", "use one of field, samples|Did you mean"),
    ],
)
def test_a_missing_key_is_asked_for_by_name(line: str, where: str, mend: str) -> None:
    with pytest.raises(InputError, match=rf"^field\.toml, {where}: .*({mend})"):
        parse_field_file(LEAST.replace(f"\n{line}\n", "\n").encode())


@pytest.mark.parametrize(
    ("more", "where", "mend"),
    [
        ('[[product]]\nname = "p"\nprice_per_ton = -5\n', "product 1, price_per_ton", "not negative"),
        ('[[product]]\nname = "p"\nrelease_lag_days = -1\n', "product 1, release_lag_days", "none negative"),
        ('[[product]]\nname = "p"\nbulk_density_lb_ft3 = -1\n', "product 1, bulk_density_lb_ft3", "positive"),
        ('[[product]]\nname = "p"\nanalysis = { K2O = -60 }\n', "product 1, analysis, K2O", "0 to 100"),
        ('[[product]]\nname = "p"\nanalysis = { K2O = 160 }\n', "product 1, analysis, K2O", "0 to 100"),
        ('[[product]]\nname = "p"\nrelease = { half_life_days = 0 }\n', "product 1, release", "half_life_days = 30"),
        ('[[product]]\nname = "p"\nrelease = "slowly"\n', "product 1, release", 'release = "at_once"'),
        ('[[product]]\nname = "p"\navailable_fraction = 60\n', "product 1, available_fraction", "at most 1"),
        ('[[product]]\nname = "p"\nsource = "manure"\n', "product 1, source", 'source = "mineral"'),
        ('[[product]]\nname = "p"\nprice_per_ton = "520"\n', "product 1, price_per_ton", "not negative"),
        ('[[product]]\nname = "p"\nprice_per_ton = nan\n', "product 1, price_per_ton", "not negative"),
        ('[[product]]\nname = "p"\nprice_per_ton = inf\n', "product 1, price_per_ton", "not negative"),
        ('[[product]]\nname = "p"\n[[product]]\nsource = "organic"\n', "product 2, name", "Write name"),
        ('[product]\nname = "p"\n', "product", r"under \[\[product\]\], with two brackets"),
        ("[decision]\nassurance = 75\n", "decision, assurance", "0.75 for 75%"),
        ("[decision]\nassurance = 1.0\n", "decision, assurance", "between 0 and 1"),
        ("[decision]\nassurance = true\n", "decision, assurance", "between 0 and 1"),
        ("[decision]\ncost_short = { K = 0 }\n", "decision, cost_short, K", "positive prices"),
        ('[crop]\nname = "corn"\nplanted = "2026-04-25"\n', "crop, planted", "without quotes"),
        ('[crop]\nname = "corn"\nplanted = 2026-04-25T12:00:00\n', "crop, planted", "without quotes"),
        ('[crop]\nname = "corn"\n', "crop, planted", "planted = 2026-04-25"),
        ("[season]\napply_on = 2026-05-20\n", "season, apply_on", "apply_on = "),
        ('[season]\napply_on = ["may"]\n', "season, apply_on 1", "apply_on = "),
        ("[season]\napply_days_needed = -2\n", "season, apply_days_needed", "none negative"),
        ("[spreader]\nswath_ft = 0\n", "spreader, swath_ft", "positive width"),
        ("[spreader]\nswath_ft = 1e300\n", "spreader, swath_ft", "positive width"),
        ("[spreader]\nswath_ft = " + "9" * 400 + "\n", "spreader, swath_ft", "positive width"),
        ("[spreader]\nheading_deg = 400\n", "spreader, heading_deg", "0 to 360"),
        (
            '[[rate_table]]\nvalue = "pH"\nproduct = "lime"\npoints = [[5, 4000]]\n',
            "rate_table 1, points",
            "two or more",
        ),
        ('[[rate_table]]\nvalue = "pH"\nproduct = "lime"\npoints = [[5], [6]]\n', "rate_table 1, points 1", "pairs"),
        (
            '[[rate_table]]\nvalue = "pH"\nproduct = "lime"\npoints = [[5,1],[6,nan]]\n',
            "rate_table 1, points 2 2",
            "pairs",
        ),
        ('[[no_spread]]\nfile = "a.geojson"\n', "no_spread 1, reason", "reason = "),
        ('[[no_spread]]\npoint = [1, 2, 3]\nreason = "well"\n', "no_spread 1, point", "longitude, then latitude"),
    ],
)
def test_a_wrong_value_names_its_key_and_what_to_write(more: str, where: str, mend: str) -> None:
    with pytest.raises(InputError, match=rf"^field\.toml, {where}: .*{mend}"):
        _parse(more)


@pytest.mark.parametrize(
    ("line", "new", "where", "mend"),
    [
        ("burial_days = 4", "burial_days = 0", "samples, burial_days", "burial_days = 4"),
        ("burial_days = 4", "repeatability_cv = 15", "samples, repeatability_cv", "0.15 for 15%"),
        ('unit = "lb/ac/day"', "unit = 3", "samples, unit", "laboratory's unit"),
        ('unit = "lb/ac/day"', "unit = {}", "samples, unit", "laboratory's unit"),
        ('unit = "lb/ac/day"', "unit = { K = 3 }", "samples, unit", "laboratory's unit"),
        ("burial_days = 4", 'decimal = "x"', "samples, decimal", 'decimal = "."'),
        ("burial_days = 4", "columns = { K = 3 }", "samples, columns, K", "header"),
        ("burial_days = 4", "detection_limit = { K = -1 }", "samples, detection_limit, K", "detection_limit ="),
        ('units = "us"', 'units = "imperial"', "field, units", 'units = "us"'),
        ('units = "us"', 'units = "us"\nname = "a\\u0000b"', "field, name", "one line"),
        ('units = "us"', 'units = "us"\nname = " "', "field, name", "one line"),
    ],
)
def test_a_wrong_value_of_what_is_needed_names_its_key(line: str, new: str, where: str, mend: str) -> None:
    with pytest.raises(InputError, match=rf"^field\.toml, {where}: .*{mend}"):
        parse_field_file(LEAST.replace(line, new).encode())


@pytest.mark.parametrize(
    ("content", "mend"),
    [
        (b"[field\n", "line 1.*Write key = value"),
        (b"a = 1\na = 2\n", "Write key = value"),
        (b"a = \xff\n", "line 1: is not UTF-8 text. Save the file as UTF-8"),
        (b"a = " + b"[" * 100_000, "Remove the value|Write key = value"),
        (b"a = " + b"9" * 10_000, "Remove the value"),
        (b"a = 2026-02-30\n", "Write key = value|Remove the value"),
        ("a = 1".encode("utf-16"), "Save the file as UTF-8"),
        (b"\x00", "Write key = value"),
    ],
)
def test_what_is_no_toml_names_the_line_and_the_mend(content: bytes, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        parse_field_file(content)


@given(st.binary(max_size=100))
def test_arbitrary_bytes_are_an_input_error(content: bytes) -> None:
    with pytest.raises(InputError):
        parse_field_file(content)


def test_a_byte_order_mark_does_no_harm() -> None:
    assert parse_field_file(b"\xef\xbb\xbf" + LEAST.encode()).field.units == "us"


@pytest.mark.parametrize(
    ("analysis", "mend"),
    [
        ("{ N = 60, P2O5 = 50 }", "adds up to 110%. Correct the percentages"),
        ("{ K2 = 60 }", r", K2: .*Use one of N, P, K"),
        ("{ P = 20, P2O5 = 46 }", "P is stated twice. Keep either P or its oxide"),
    ],
)
def test_an_analysis_that_cannot_be_is_refused_with_its_key(analysis: str, mend: str) -> None:
    toml = _parse(f'[[product]]\nname = "p"\nanalysis = {analysis}\n')

    with pytest.raises(InputError, match=rf"field\.toml, product 1, analysis.*{mend}"):
        products_of(toml.product, units="us")


def test_products_are_per_kg_and_by_element() -> None:
    # Derived: K2O/K 1.2046 from atomic weights; a short ton is 2000 lb of 0.45359237 kg by definition.
    text = '[[product]]\nname = "potash"\nanalysis = { K2O = 60 }\nprice_per_ton = 520\nbulk_density_lb_ft3 = 62\n'
    text += "release = { half_life_days = 30 }\n"

    (us,) = products_of(_parse(text).product, units="us")
    (metric,) = products_of(_parse(text).product, units="metric")

    assert us.analysis["K"] == pytest.approx(0.60 / 1.2046, abs=1e-4)
    assert us.price_per_kg == pytest.approx(520 / 907.18474)
    assert metric.price_per_kg == pytest.approx(0.52)
    assert us.bulk_density_kg_m3 == pytest.approx(62 * 16.01846, rel=1e-6)
    assert us.release_half_life_days == 30


def test_a_price_per_bag_needs_the_weight_of_a_bag_and_no_other_price() -> None:
    # Arithmetic: 12 for 4 lb is 12 / (4 x 0.45359237) per kg.
    text = '[[product]]\nname = "potash"\nanalysis = { K2O = 60 }\nprice_per_bag = 12\n'
    potash = products_of(_parse(text + "bag_lb = 4\n").product, units="us")[0]
    assert potash.price_per_kg == pytest.approx(12 / (4 * 0.45359237))
    assert potash.bag_kg == pytest.approx(4 * 0.45359237)
    with pytest.raises(InputError, match="bag_lb = 5"):
        products_of(_parse(text).product, units="us")
    with pytest.raises(InputError, match="Keep one of the two"):
        products_of(_parse(text + "bag_kg = 2\nprice_per_ton = 500\n").product, units="us")
    with pytest.raises(InputError, match="Keep one of bag_lb and bag_kg"):
        products_of(_parse(text + "bag_lb = 4\nbag_kg = 2\n").product, units="us")


def test_the_cost_of_varying_is_per_acre_or_hectare() -> None:
    tables = {"us": 2.4710538, "metric": 1.0}  # acres in a hectare: arithmetic from the international foot
    for units, factor in tables.items():
        decision = decision_of(_parse("[decision]\ncost_of_varying = 3.5\n").decision, units=units, rate_products=())
        assert decision.cost_of_varying_ha == pytest.approx(3.5 * factor)


def test_two_products_of_one_name_are_refused() -> None:
    toml = _parse('[[product]]\nname = "p"\n[[product]]\nname = "p"\n')

    with pytest.raises(InputError, match=r"product 2, name: .*Give every product its own name"):
        products_of(toml.product, units="us")


def test_prices_come_in_pairs_and_are_per_kg() -> None:
    toml = _parse("[decision]\ncost_short = { K = 1.2 }\ncost_over = { K = 0.4 }\n")

    decision = decision_of(toml.decision, units="us", rate_products=[])

    assert decision.cost_short["K"] == pytest.approx(1.2 / 0.45359237)
    assert decision.assurance == 0.75
    with pytest.raises(InputError, match=r"decision, cost_over, N: is missing\. Give N both prices"):
        decision_of(_parse("[decision]\ncost_short = { N = 1.2 }\n").decision, units="us", rate_products=[])
    with pytest.raises(InputError, match=r"decision, cost_short, K2O: .*Use one of N, P, K"):
        decision_of(_parse("[decision]\ncost_short = { K2O = 1 }\n").decision, units="us", rate_products=[])


@pytest.mark.parametrize(
    ("points", "mend"),
    [
        ("[[6, 0], [5, 4000]]", "Order the points by measured value"),
        ("[[5, 0], [5, 4000]]", "Order the points by measured value"),
        ("[[5, -1], [6, 0]]", "Write 0 or more"),
    ],
)
def test_a_rate_table_must_rise_and_not_be_negative(points: str, mend: str) -> None:
    toml = _parse(f'[[rate_table]]\nvalue = "pH"\nproduct = "lime"\npoints = {points}\n')

    with pytest.raises(InputError, match=rf"rate_table 1, points: .*{mend}"):
        rate_tables_of(toml.rate_table, units="us", quantities=["pH"])


@pytest.mark.parametrize(
    ("unit", "factor"), [("lb/ac", 1.120851), ("kg/ha", 1.0), ("ton/ac", 2241.702), ("t/ha", 1000.0)]
)
def test_rates_are_in_kg_per_ha_whatever_the_table_is_in(unit: str, factor: float) -> None:
    # 1 lb/ac = 1.120851 kg/ha (derived from the definitions of pound, foot and acre).
    text = f'[[rate_table]]\nvalue = "pH"\nproduct = "lime"\npoints = [[5.0, 4], [6.2, 0]]\nrate_unit = "{unit}"\n'

    (table,) = rate_tables_of(_parse(text).rate_table, units="us", quantities=["pH"])

    assert table.rate_kg_ha[0] == pytest.approx(4 * factor, rel=1e-6)


def test_a_rate_table_of_what_nobody_measured_or_of_one_product_twice_is_refused() -> None:
    text = '[[rate_table]]\nvalue = "pH"\nproduct = "lime"\npoints = [[5.0, 4], [6.2, 0]]\n'

    with pytest.raises(InputError, match=r"rate_table 1, value: .*Use one of K, N"):
        rate_tables_of(_parse(text).rate_table, units="us", quantities=["K", "N"])
    with pytest.raises(InputError, match=r"rate_table 2, product: .*Keep one rate table a product"):
        rate_tables_of(_parse(text * 2).rate_table, units="us", quantities=["pH"])


def test_both_unit_systems_give_one_spreader() -> None:
    us = spreader_of(_parse("[spreader]\nswath_ft = 80\nspeed_mph = 12\nmin_rate = 40\n").spreader, units="us")
    text = "[spreader]\nswath_m = 24.384\nspeed_km_h = 19.312128\nmin_rate = 44.834046\n"
    metric = spreader_of(_parse(text).spreader, units="metric")

    assert (us.swath_m, us.speed_m_s, us.min_rate_kg_ha) == pytest.approx(
        (metric.swath_m, metric.speed_m_s, metric.min_rate_kg_ha)
    )


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("swath_ft = 80\nswath_m = 24\n", "Keep one of swath_ft and swath_m"),
        ("min_rate = 400\nmax_rate = 40\n", "Make min_rate the smaller"),
        ("step = 400\nmax_rate = 40\n", "Make step a small part"),
    ],
)
def test_a_spreader_that_contradicts_itself_is_refused(text: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        spreader_of(_parse(f"[spreader]\n{text}").spreader, units="us")


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ("burial_days = 4", "", r"samples, burial_days: .*burial_days = 4"),
        ('basis = "resin"', 'basis = "extract"', r'samples, extractant: .*extractant = "Mehlich-3"'),
        ('basis = "resin"', 'basis = "paste"', r"samples, burial_days: .*Remove burial_days"),
        ("burial_days = 4", "burial_days = 4\ndepth_in = 6\ndepth_cm = 15", "Keep one of depth_in and depth_cm"),
    ],
)
def test_a_basis_that_cannot_be_compared_is_asked_about(old: str, new: str, mend: str) -> None:
    toml = parse_field_file(LEAST.replace(old, new).encode())

    with pytest.raises(InputError, match=mend):
        basis_of(toml.samples)


def test_an_assumed_repeatability_is_said() -> None:
    cv, notes = repeatability(_parse().samples)

    assert cv == 0.15
    assert [note.kind for note in notes] == ["warning"]
    assert "repeatability_cv" in notes[0].text


def test_days_to_spread_are_sorted_and_each_there_once() -> None:
    toml = _parse("[season]\napply_on = [2026-06-01, 2026-05-20, 2026-06-01]\n")

    assert season_of(toml.season, toml.samples, None).apply_on == (date(2026, 5, 20), date(2026, 6, 1))
