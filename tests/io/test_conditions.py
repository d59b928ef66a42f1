"""How rows were measured: what differs is never pooled, and burial times are brought together only where b is known."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.units import KG_HA_PER_LB_AC

Fill = Callable[..., Path]
K = 'K = "k" }'
HEAD = "sample,lon,lat,k,when,deep,lay\n"
ROW = "{},-97.49{},41.00{},{},{},{},{}\n"
THREE = [
    (1, 8, 1, 2.0, "2026-03-28", "6", 4),
    (2, 5, 3, 4.0, "2026-03-28", "6", 4),
    (3, 2, 4, 3.0, "2026-03-28", "6", 4),
]
REBASE = "burial_days = 4\nrebase_to_days = 16\nburial_exponent = { K = 0.5 }\n"


def _samples(**changed: tuple[object, ...]) -> str:
    """Three rows; a keyword replaces a column's three cells."""
    keys = HEAD.strip().split(",")
    rows = [dict(zip(keys, (n, lon, lat, *rest), strict=True)) for n, lon, lat, *rest in THREE]
    for key, cells in changed.items():
        for row, cell in zip(rows, cells, strict=True):
            row[key] = cell
    return HEAD + "".join(ROW.format(*row.values()) for row in rows)


def _columns(more: str) -> tuple[str, str]:
    return K, f'K = "k", {more} }}'


def _notes(folder: Path) -> str:
    return "\n".join(note.text for note in read_folder(folder).notes)


def test_different_depths_are_refused_naming_two_rows(field_folder: Fill) -> None:
    folder = field_folder(_columns('depth = "deep"'), samples=_samples(deep=("0-6", "0-6", "6-12")))

    with pytest.raises(
        InputError, match=r"'deep': holds different depths: '0-6' in line 2 and '6-12' in line 4.*Split"
    ):
        read_folder(folder)


def test_one_depth_written_two_ways_is_one_depth(field_folder: Fill) -> None:
    folder = field_folder(_columns('depth = "deep"'), samples=_samples(deep=("6", "6.0", 6)))

    assert read_folder(folder).samples.count == 3


@pytest.mark.parametrize("column", ["laboratory", "Extractant", "sampling depth"])
def test_a_column_that_nobody_named_still_stops_what_is_not_alike(field_folder: Fill, column: str) -> None:
    samples = _samples(deep=("one", "one", "other")).replace("deep", column)

    with pytest.raises(InputError, match=r"in line 2 and 'other' in line 4.*compare them instead"):
        read_folder(field_folder(samples=samples))


@pytest.mark.parametrize(
    "dates",
    [
        ("2026-03-28", "2026-03-29", "2026-04-03"),
        ("3/28/2026", "4/3/2026", "4/2/2026"),
        ("28.03.2026", "3.4.2026", "28.3.2026"),
    ],
)
def test_a_week_is_one_round_of_sampling_and_it_is_said(field_folder: Fill, dates: tuple[str, ...]) -> None:
    folder = field_folder(_columns('date = "when"'), samples=_samples(when=dates))

    assert "used together as one round of sampling" in _notes(folder)


def test_dates_further_apart_are_refused_naming_two_rows(field_folder: Fill) -> None:
    samples = _samples(when=("2026-03-28", "2026-06-01", "2026-03-28"))

    for folder in (
        field_folder(_columns('date = "when"'), samples=samples),
        field_folder(samples=samples.replace("when", "date")),
    ):
        with pytest.raises(InputError, match=r"in line 2 and '2026-06-01' in line 3, 65 days apart\. Split"):
            read_folder(folder)


def test_a_date_column_without_dates_is_asked_about(field_folder: Fill) -> None:
    folder = field_folder(_columns('date = "when"'), samples=_samples(when=("spring", "summer", "summer")))

    with pytest.raises(InputError, match="Write year, month, day"):
        read_folder(folder)


def test_different_burial_times_are_refused_naming_the_keys_that_would_mend_it(field_folder: Fill) -> None:
    folder = field_folder(_columns('burial_days = "lay"'), samples=_samples(lay=(4, 16, 4)))

    with pytest.raises(InputError, match=r"'4' in line 2 and '16' in line 3.*burial_exponent and rebase_to_days"):
        read_folder(folder)


def test_burial_times_that_nobody_named_are_not_pooled_though_rates_are_rebased(field_folder: Fill) -> None:
    samples = _samples(lay=(4, 16, 4)).replace(",lay", ",burial_days")

    with pytest.raises(InputError, match=r"different burial times.*name the column burial_days in columns"):
        read_folder(field_folder(("burial_days = 4\n", REBASE), samples=samples))


def test_rates_are_rebased_by_the_exponent_and_it_is_recorded(field_folder: Fill) -> None:
    # (16 / 4)^(0.5 - 1) = 0.5 for the rows of 4 days, 1 for the row of 16.
    folder = field_folder(
        ("burial_days = 4\n", REBASE), _columns('burial_days = "lay"'), samples=_samples(lay=(4, 16, ""))
    )

    case = read_folder(folder)

    np.testing.assert_allclose(case.samples.columns["K"].value, np.array([1.0, 4.0, 1.5]) * KG_HA_PER_LB_AC)
    assert case.samples.basis.burial_days == 16
    assert "K: brought to a burial of 16 days with b = 0.5: rates over 4 days times 0.5." in _notes(folder)


def test_amounts_of_a_burial_are_divided_by_their_own_days(field_folder: Fill) -> None:
    # 1 ug/10 cm2 is 0.01 kg/ha: 40 over 4 days are 0.1 kg/ha/day, over 16 days of a curve with b = 0.5 half of that;
    # 80 over 16 days are 0.05 too: both lie on Q = 20 t^0.5.
    folder = field_folder(
        ("burial_days = 4\n", REBASE),
        _columns('burial_days = "lay"'),
        ('unit = "lb/ac/day"', 'unit = "ug/10cm2/burial"'),
        samples=_samples(k=(40, 80, 40), lay=(4, 16, 4)),
    )

    np.testing.assert_allclose(read_folder(folder).samples.columns["K"].value, 0.05)


def test_a_burial_time_may_come_from_the_file_alone(field_folder: Fill) -> None:
    folder = field_folder(("burial_days = 4\n", ""), _columns('burial_days = "lay"'), samples=_samples(lay=(9, 9, 9)))

    assert read_folder(folder).samples.basis.burial_days == 9


@pytest.mark.parametrize(
    ("burial", "mend"),
    [
        (
            "burial_days = 4\nrebase_to_days = 16\n",
            r"K cannot be brought.*Add what two burials showed, e\.g\. K = 0\.6",
        ),
        ("burial_days = 4\nburial_exponent = { K = 0.5 }\n", r"rebase_to_days: is missing.*Write rebase_to_days = 7"),
        (REBASE.replace("K = 0.5", "K = 0.5, P = 0.5"), r"burial_exponent, P: is no quantity.*Use one of K"),
        (REBASE.replace("K = 0.5", "K = 0"), r"burial_exponent, K: .*Write exponents above 0"),
    ],
)
def test_rebasing_without_what_it_needs_is_refused(field_folder: Fill, burial: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder(("burial_days = 4\n", burial)))


@pytest.mark.parametrize("cell", ["-4", "0", "900"])
def test_a_burial_time_that_cannot_be_names_its_row(field_folder: Fill, cell: str) -> None:
    folder = field_folder(
        ("burial_days = 4\n", REBASE), _columns('burial_days = "lay"'), samples=_samples(lay=(4, cell, 4))
    )

    with pytest.raises(InputError, match=r"line 3.*Write how many days the resin lay in the soil"):
        read_folder(folder)


def test_a_row_without_a_burial_time_is_asked_about(field_folder: Fill) -> None:
    folder = field_folder(("burial_days = 4\n", ""), _columns('burial_days = "lay"'), samples=_samples(lay=(4, "", 4)))

    with pytest.raises(InputError, match=r"line 3.*has no burial time\. Write how many days"):
        read_folder(folder)


def test_burial_belongs_to_resin(field_folder: Fill) -> None:
    paste = ('basis = "resin"\nunit = "lb/ac/day"\nburial_days = 4', 'basis = "paste"\nunit = "mg/L"')

    for more in (("repeatability", "rebase_to_days = 7\nrepeatability"), _columns('burial_days = "lay"')):
        with pytest.raises(InputError, match=r"does not belong to paste values\. Remove"):
            read_folder(field_folder(paste, more, samples=_samples()))
