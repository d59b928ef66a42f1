"""Numbers as people write them."""

from __future__ import annotations

import math
from datetime import date

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.io.numbers import Reading, Unusable, cell_text, decimal_mark, parse_number, read_cell, read_plain


def _mark(*texts: str, suspect_point: bool = False) -> str:
    cells = [(f"line {number}", text) for number, text in enumerate(texts, start=2)]
    return decimal_mark(cells, where="samples.csv", table="samples", suspect_point=suspect_point)


@given(st.floats(-1e9, 1e9).map(lambda value: round(value, 6)), st.booleans())
def test_a_number_survives_being_written_with_either_decimal_mark(value: float, grouped: bool) -> None:
    english = f"{value:,.6f}" if grouped else f"{value:.6f}"
    continental = english.translate(str.maketrans(",.", ".,"))

    assert parse_number(english) == value
    assert parse_number(continental, decimal=",") == value


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
def test_the_shortest_form_of_a_number_reads_back_exactly_unless_its_exponent_has_three_digits(value: float) -> None:
    text = repr(value)

    if "e" in text and len(text.split("e")[1].lstrip("+-")) > 2:
        assert parse_number(text) is None
    else:
        assert parse_number(text) == value


@given(st.text(max_size=12))
@example("1_0")
@example("１２")
@example("nan")
@example("infinity")
@example("1e999")
@example("0x10")
@example("1,23")
@example("1e13")
def test_whatever_is_accepted_is_plain_ascii_and_a_finite_number_of_a_possible_size(text: str) -> None:
    value = parse_number(text)

    if value is not None:
        assert math.isfinite(value)
        assert abs(value) <= 1e12
        assert set(text) <= set("0123456789+-.,eE '’\u00a0\u202f")


@pytest.mark.parametrize(
    "text", ["1_0", "１２", "inf", "infinity", "1e999", "1,23", "abc", "<", "<0", "<-1", "5 %", "1 2"]
)
def test_what_python_would_take_but_a_laboratory_never_means_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="drop the row"):
        read_cell(text, decimal=".", where="samples.csv, line 2")


@pytest.mark.parametrize(
    ("cell", "reading"),
    [
        ("", Reading("blank")),
        ("NaN", Reading("blank")),
        ("N/A", Reading("blank")),
        (None, Reading("blank")),
        (float("nan"), Reading("blank")),
        (float("inf"), Reading("blank")),
        ("<0.5", Reading("below", 0.5)),
        ("≤ 0.5", Reading("below", 0.5)),
        (">200", Reading("above", 200.0)),
        ("ND", Reading("undetected")),
        ("n. d.", Reading("undetected")),
        ("trace", Reading("undetected")),
        ("-", Reading("undetected")),
        (" 3.5 ", Reading("number", 3.5)),
        (7, Reading("number", 7.0)),
        ("1 234.5", Reading("number", 1234.5)),
    ],
)
def test_a_cell_is_a_number_a_limit_a_word_for_undetected_or_blank(cell: object, reading: Reading) -> None:
    assert read_cell(cell, decimal=".", where="") == reading  # type: ignore[arg-type]


def test_a_coordinate_cannot_be_a_detection_limit() -> None:
    with pytest.raises(InputError, match="Write a plain number"):
        read_plain("<41", decimal=".", where="samples.csv, line 2")


@pytest.mark.parametrize(
    ("cell", "mend"),
    [
        (Unusable("holds a formula without a stored value"), "replace it by its plain value"),
        (date(2026, 3, 5), "Format the column as numbers"),
        (1e13, "Correct the value"),
        (10**4000, "Correct the value"),
    ],
)
def test_a_workbook_cell_that_is_no_number_says_how_to_make_it_one(cell: object, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_cell(cell, decimal=".", where="samples.xlsx, row 2")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("texts", "mark"),
    [
        (("1.5", "1,234"), "."),
        (("1,5", "1.234"), ","),
        (("1.234.567", "12"), ","),
        (("1.234,5",), ","),
        (("1,234.5",), "."),
        (("0,123",), ","),
        (("12", "7"), "."),
        (("41.001", "-97.498"), "."),
        (("<0,5", "1.234"), ","),
        (("<0..5", "41.001"), "."),
        (("1..5", "x,y", "2"), "."),
    ],
)
def test_the_decimal_mark_is_decided_from_all_cells(texts: tuple[str, ...], mark: str) -> None:
    assert _mark(*texts) == mark


def test_a_file_that_could_be_read_both_ways_is_asked_about() -> None:
    with pytest.raises(InputError, match=r'decimal = "\." or decimal = ","'):
        _mark("1,234", "12")
    with pytest.raises(InputError, match=r'decimal = "\." or decimal = ","'):
        _mark("1.234", suspect_point=True)


def test_a_file_that_contradicts_itself_names_both_cells() -> None:
    with pytest.raises(InputError, match=r"'1\.5' in line 2 .* '2,5' in line 3 .*Write all numbers one way"):
        _mark("1.5", "2,5")


@pytest.mark.parametrize(("cell", "text"), [(1.0, "1"), ("007", "007"), ("1e5", "1e5"), (12, "12"), (1.5, "1.5")])
def test_identifiers_are_text_whatever_the_cell_holds(cell: str | float, text: str) -> None:
    assert cell_text(cell) == text
