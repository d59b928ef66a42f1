import re

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from zonemap.errors import OutputError
from zonemap.io.names import cut_text, plain_text, slug

TEXT = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=80).filter(
    lambda text: text.strip(" ")
)
# Microsoft, "Naming Files, Paths, and Namespaces", Naming Conventions (from memory).
DEVICES = ["CON", "prn", "Aux", "NUL", "COM1", "com9", "LPT1", "lpt9"]


@given(TEXT)
def test_a_slug_is_one_to_forty_safe_characters_and_no_option(text: str) -> None:
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,39}", slug(text))


@given(
    st.from_regex(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,30}", fullmatch=True).filter(
        lambda t: t.lower() not in map(str.lower, DEVICES)
    )
)
def test_a_safe_name_stays_as_it_is(name: str) -> None:
    assume(not re.fullmatch(r"(?i)(con|prn|aux|nul|(com|lpt)[0-9])", name))
    assert slug(name) == name


@given(st.lists(TEXT, max_size=8))
def test_slugs_taken_in_turn_never_meet_whatever_the_case(names: list[str]) -> None:
    taken: list[str] = []
    for name in names:
        taken.append(slug(name, taken=taken))
    assert len({each.casefold() for each in taken}) == len(names)


@given(TEXT, TEXT)
def test_two_changed_names_differ_without_knowing_of_each_other(one: str, other: str) -> None:
    assume(plain_text(one) != plain_text(other))
    assume(slug(one) != plain_text(one).replace(" ", "_"))
    assume(slug(other) != plain_text(other).replace(" ", "_"))
    assert slug(one) != slug(other)


@pytest.mark.parametrize("device", DEVICES)
def test_a_device_name_of_windows_gets_a_hash(device: str) -> None:
    assert re.fullmatch(rf"{device}-[0-9a-f]{{8}}", slug(device))


def test_composed_and_decomposed_accents_are_one_name() -> None:
    assert slug("Se\u00f1or") == slug("Sen\u0303or")


def test_names_that_differ_in_case_only_get_different_files() -> None:
    assert slug("north", taken=["North"]).casefold() != "north"


def test_paths_do_not_leave_the_folder() -> None:
    assert not set(slug("../../etc/passwd")) & set("./\\")


@pytest.mark.parametrize("name", ["a\x00b", "a\nb", "a\x7fb", "a\ud800b", "a\u2028b", "\u202egk 05", "a\u2066b"])
def test_a_control_character_is_refused(name: str) -> None:
    with pytest.raises(OutputError, match="Remove that character from the name"):
        slug(name)


@pytest.mark.parametrize("name", ["", "   "])
def test_a_blank_name_is_refused(name: str) -> None:
    with pytest.raises(OutputError, match="Give every field and product a name"):
        slug(name)


@given(st.lists(TEXT, max_size=6))
def test_cut_texts_fit_their_octets_and_never_meet(names: list[str]) -> None:
    cut: list[str] = []
    for name in names:
        cut.append(cut_text(name, octets=32, taken=cut))
    assert all(0 < len(each.encode()) <= 32 for each in cut)
    assert len({each.casefold() for each in cut}) == len(names)


def test_a_cut_falls_between_characters() -> None:
    assert cut_text("ñññ", octets=5) == "ññ"
