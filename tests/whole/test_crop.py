"""The user's own totals, sources and temperatures, through a whole plan."""

import json
from datetime import date, timedelta

import numpy as np
import pytest
import tomlkit
from click.testing import CliRunner

from zonemap.cli import main
from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.job import plan_field
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P


def edit(folder, change):
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def weather(folder, *, first, days, low_f, high_f):
    rows = [f"{first + timedelta(days=n)},{low_f},{high_f}" for n in range(days)]
    (folder / "weather.csv").write_text("date,tmin_f,tmax_f\n" + "\n".join(rows) + "\n", encoding="utf-8")


def test_totals_are_per_acre_and_by_element_or_oxide(copy_of):
    folder = copy_of("home_garden")
    edit(folder, lambda d: d["crop"].update(totals={"N": 130, "P2O5": 40}))
    crop = read_folder(folder).crop
    assert crop.totals["N"] == pytest.approx(130 * KG_HA_PER_LB_AC)
    assert crop.totals["P"] == pytest.approx(40 * KG_HA_PER_LB_AC / P2O5_PER_P)


@pytest.mark.parametrize(
    ("change", "mend"),
    [
        ({"totals": {"P": 30, "P2O5": 40}}, "Keep either P or its oxide"),
        ({"totals": {"Xx": 30}}, "Use one of N, P, K"),
        ({"shape": {"K2O": {"midpoint_day": 50, "days_10_90": 30}}}, "Use one of N, P, K"),
        ({"shape": {"K": {"midpoint_day": 50}}}, "days_10_90 = 30"),
        ({"sources": {"K": "nobody"}}, "There is: memory, new_england_guide"),
        ({"totals": {"N": 100}, "name": "alfalfa"}, "Drop the key, or give the demand itself"),
        ({"shape": {"K": {"midpoint_day": 50, "days_10_90": 30, "peak_days": 10}}}, "Write { midpoint_day = 55"),
        ({"shape": {"K": {"midpoint_day": 50, "peak_days": 10}}}, "Write { midpoint_day = 55"),
        ({"shape": {"K": {"midpoint_day": 300, "days_10_90": 30}}}, "half is taken up: midpoint_day = 55"),
        ({"shape": {"K": {"midpoint_day": 50, "peak_days": 30, "peak_mean": 20}}}, "a smaller peak, fewer days"),
    ],
)
def test_what_makes_no_demand_is_refused(tmp_path, copy_of, change, mend):
    folder = copy_of("home_garden")
    edit(folder, lambda d: d["crop"].update(change))
    with pytest.raises(InputError, match=mend):
        plan_field(folder, out=tmp_path / "out")


def test_an_own_peak_is_in_pounds_per_acre_and_day(copy_of):
    folder = copy_of("home_garden")
    edit(folder, lambda d: d["crop"].update(shape={"K": {"midpoint_day": 50, "peak_days": 10, "peak_mean": 4.3}}))
    shape = read_folder(folder).crop.shapes["K"]
    # 4.3 lb K/ac/day is the 5.8 kg K2O/ha/day of Bender et al. 2013 in pounds
    assert shape.peak_mean_kg_ha_day == pytest.approx(5.8 / K2O_PER_K, rel=2e-3)


def test_supply_that_follows_warm_air_leaves_less_to_spread(tmp_path, copy_of, plan_only):
    folder = copy_of("home_garden")
    # the sample was collected on 11 April after 4 days at 50 F; the season is 20 F warmer
    weather(folder, first=date(2026, 4, 1), days=15, low_f=45, high_f=55)
    rows = (folder / "weather.csv").read_text(encoding="utf-8")
    rows += "".join(f"{date(2026, 4, 16) + timedelta(days=n)},60,80\n" for n in range(160))
    (folder / "weather.csv").write_text(rows, encoding="utf-8")
    edit(folder, lambda d: d["season"].update(weather="weather.csv"))
    still = plan_only(folder)
    edit(folder, lambda d: d["season"].update(temperature_response=True))
    warm = plan_field(folder, out=tmp_path / "warm").plan

    response = warm.needs[0].demand.response
    # 20 F are 11.1 degrees C: 2^(1.111)
    np.testing.assert_allclose(response, 2 ** (20 / 1.8 / 10), rtol=1e-9)
    assert all(
        w.sum() <= s.sum() for w, s in zip(warm.zone_report.need_kg_ha, still.zone_report.need_kg_ha, strict=True)
    )
    assert warm.zone_report.need_kg_ha[0].sum() < still.zone_report.need_kg_ha[0].sum()
    [note] = [note for note in warm.notes if "Supply follows the air's temperature" in note.text]
    assert "for 18 degrees F more than 50.0 degrees F, at which it was measured (mean over the burial)" in note.text
    assert "Air stands for soil. 0 of 120 days have no record" in note.text
    assert not any("Supply follows" in note.text for note in still.notes)


def test_a_response_without_weather_or_a_temperature_is_asked_for(tmp_path, copy_of):
    folder = copy_of("home_garden")
    edit(folder, lambda d: d["season"].update(q10=2.0))
    with pytest.raises(InputError, match=r'weather = "weather\.csv"'):
        read_folder(folder)
    weather(folder, first=date(2026, 5, 1), days=100, low_f=55, high_f=75)
    edit(folder, lambda d: d["season"].update(weather="weather.csv"))
    with pytest.raises(InputError, match="supply_temperature_f = 55"):
        plan_field(folder, out=tmp_path / "out")
    edit(folder, lambda d: d["samples"].update(supply_temperature_f=50.0))
    assert plan_field(folder, out=tmp_path / "out").plan.needs[0].demand.response[30] > 1


def test_the_table_is_shown_with_sources_and_both_kinds_of_peak():
    every = CliRunner().invoke(main, ["crops"])
    assert every.exit_code == 0
    assert "cool_season_lawn" in every.output
    corn = CliRunner().invoke(main, ["crops", "corn"])
    assert "largest day" in corn.output
    assert "10-day mean" in corn.output
    assert "karlen_1988" in corn.output
    assert "Bender" in corn.output
    unknown = CliRunner().invoke(main, ["crops", "okra"])
    assert unknown.exit_code == 2
    assert "Choose one of" in unknown.output + unknown.stderr
    corn = json.loads(CliRunner().invoke(main, ["crops", "corn", "--json"]).output)["corn"]
    assert (corn["degree_days"]["base_c"], corn["uptake"]["K"]["name"]) == (10.0, "bender_2013")
    # Bender, Haegele, Ruffo, Below 2013, Agron. J. 105:161-170: 10-day mean peak of N 8.9 kg/ha/day
    assert corn["uptake"]["N"]["mean_of_10_days_kg_ha_day"] == pytest.approx(8.9, abs=0.05)
    assert corn["uptake"]["N"]["largest_day_kg_ha_day"] > 9


def test_the_rules_are_shown_with_their_sources():
    shown = CliRunner().invoke(main, ["rules"])
    assert shown.exit_code == 0
    assert "tri_state_k" in shown.output
    assert "Culman et al. 2020" in shown.output
    assert "calibrat" in shown.output


def test_a_crop_that_needs_nothing_is_planned_and_drawn(tmp_path, copy_of):
    folder = copy_of("organic_tomatoes")
    edit(folder, lambda d: d["crop"].update(yield_goal=5.2))
    outcome = plan_field(folder, out=tmp_path / "out")
    assert outcome.plan.value.advice == "nothing_needed"
    assert not outcome.plan.prescription.applications
    assert (tmp_path / "out" / "season.png").exists()
    assert not (tmp_path / "out" / "choices.png").exists()


def test_a_demand_of_nothing_at_all_is_drawn_too(tmp_path, copy_of):
    folder = copy_of("home_garden")
    (folder / "demand.csv").write_text("day,K,N\n0,0,0\n1,0,1\n2,0,1\n", encoding="utf-8")
    edit(folder, lambda d: d["crop"].update(name="hay", demand="demand.csv", planted=date(2026, 5, 10)))
    edit(folder, lambda d: d["season"].update(apply_on=[date(2026, 5, 10)]))
    plan = plan_field(folder, out=tmp_path / "out").plan
    assert plan.sufficiency["K"].share_of_season.tolist() == [1.0, 1.0]
    assert (tmp_path / "out" / "season.png").exists()
