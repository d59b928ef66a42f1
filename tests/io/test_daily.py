"""Temperatures and a user's own demand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from zonemap.errors import InputError
from zonemap.io.folder import read_folder

Fill = Callable[..., Path]
SEASON = '\n[season]\nweather = "weather.csv"\n'
DEMAND = ("planted = 2026-04-25", 'planted = 2026-04-25\ndemand = "demand.csv"')


def test_fahrenheit_and_celsius_give_one_season(field_folder: Fill) -> None:
    fahrenheit = "date,tmin_f,tmax_f\n2026-04-25,50,86\n2026-04-26,41,68\n"
    celsius = "date;tmax_c;tmin_c\n2026-04-25;30,0;10,0\n2026-04-26;20,0;5,0\n"

    read = [
        read_folder(field_folder(("", SEASON), **{"weather.csv": text})).season.temperatures
        for text in (fahrenheit, celsius)
    ]

    for temperatures in read:
        assert temperatures is not None
        assert temperatures.first_day == date(2026, 4, 25)
        np.testing.assert_allclose(temperatures.minimum_c, [10, 5])
        np.testing.assert_allclose(temperatures.maximum_c, [30, 20])


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("date,tmin_f,tmax_f\n2026-04-25,50,86\n2026-04-27,50,86\n", "line 3: 2026-04-26 is missing. Add a row"),
        ("date,tmin_f,tmax_f\n2026-04-25,50,86\n2026-04-25,50,86\n", "line 3: .*Put the days in order"),
        ("date,tmin_f,tmax_f\n2026-04-26,50,86\n2026-04-25,50,86\n", "line 3: .*Put the days in order"),
        ("date,tmin_f,tmax_f\n2026-04-25,86,50\n", "line 2: tmin 30.0 C is above tmax 10.0 C. Exchange"),
        ("date,tmin_f,tmax_f\n2026-04-25,,50\n", "line 2, column 'tmin_f': has no temperature. Fill it in"),
        ("date,tmin_c,tmax_c\n2026-04-25,50,86\n", "line 2, column 'tmax_c': .*or the unit in the header"),
        ("date,tmin_f,tmax_f\n4/25/2026,50,86\n", "line 2, column 'date': .*Write year, month, day"),
        ("date,tmin_f,tmax_f\n2026-02-30,50,86\n", "line 2, column 'date': .*Write year, month, day"),
        ("date,tmin_c,tmax_c\n9999-12-31,1,2\n", "Write year, month, day"),
        ("date,tmin,tmax\n2026-04-25,50,86\n", "Head the columns date, tmin_f"),
        ("date,tmin_f,tmax_c\n2026-04-25,50,86\n", "Head the columns date, tmin_f"),
        ("day,tmin_f,tmax_f\n2026-04-25,50,86\n", "Head the columns date"),
        ("date,tmin_f,tmax_f\n", "Put one row a day"),
        ("date,tmin_f,tmax_f\n1926-04-25,50,86\n2026-04-25,50,86\n", "Cut the file down to the season"),
        ('date,tmin_f,tmax_f\n2026-04-25,"1,234",86\n', "with a decimal point and nothing else"),
    ],
)
def test_weather_with_a_gap_or_a_wrong_unit_names_the_day(field_folder: Fill, text: str, mend: str) -> None:
    with pytest.raises(InputError, match=rf"weather\.csv.*{mend}"):
        read_folder(field_folder(("", SEASON), **{"weather.csv": text}))


def test_a_weather_file_that_is_not_there_names_its_key(field_folder: Fill) -> None:
    with pytest.raises(InputError, match=r"field\.toml, season, weather: .*Name a file that is there"):
        read_folder(field_folder(("", SEASON)))


def test_own_demand_counts_from_planting_by_day_or_by_date(field_folder: Fill) -> None:
    by_day = field_folder(DEMAND, **{"demand.csv": "day,K,N (lb/ac/day)\n0,1,2\n1,3,4\n"})
    days = read_folder(by_day).crop
    by_date = field_folder(DEMAND, **{"demand.csv": "date,K\n2026-04-27,1\n2026-04-28,3\n"})
    dates = read_folder(by_date)

    assert days is not None
    assert dates.crop is not None
    # 1 lb/ac = 1.120851 kg/ha (derived).
    np.testing.assert_allclose(days.own_demand["N"], [2 * 1.120851, 4 * 1.120851], rtol=1e-6)
    np.testing.assert_allclose(dates.crop.own_demand["K"], [0, 0, 1.120851, 3 * 1.120851], rtol=1e-6)
    assert "begins 2 days after planting" in dates.notes[-1].text


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("day,K\n0,1\n2,1\n", "line 3: 2026-04-26 is missing. Add a row"),
        ("day,K\n0,-1\n", "line 2, column 'K': -1 is negative. Write the day's demand"),
        ("day,K\n0,\n", "line 2, column 'K': has no value. Write the day's demand"),
        ("day,k\n0,1\n", "column 'k': .*Write K"),
        ("day,K2O\n0,1\n", "column 'K2O': .*Use N, P, K"),
        ("day,K (kg/ha/day)\n0,1\n", "is in kg/ha/day, where lb/ac/day is expected. Give the demand in lb/ac/day"),
        ("K\n1\n", "Head the first column day"),
        ("day\n1\n", "Head the columns by element"),
        ("date,K\n2026-04-20,1\n", "Begin with the day of planting"),
        ("day,K,K (lb/ac/day)\n0,1,1\n", "Keep one column an element"),
    ],
)
def test_a_demand_that_cannot_be_names_the_row_or_column(field_folder: Fill, text: str, mend: str) -> None:
    with pytest.raises(InputError, match=rf"demand\.csv.*{mend}"):
        read_folder(field_folder(DEMAND, **{"demand.csv": text}))
