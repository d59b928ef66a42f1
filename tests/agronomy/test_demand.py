"""Crop demand against published totals and peaks."""

from datetime import date, timedelta

import numpy as np
import pytest

from zonemap.agronomy.crops import crop_names, crop_row
from zonemap.agronomy.demand import crop_demand, season_edges
from zonemap.errors import InputError
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.season import Crop, Temperatures

PLANTED = date(2026, 4, 25)


def demand_of(name, nutrient, *, units="metric", yield_goal=None, temperatures=None, **crop):
    demands = crop_demand(Crop(name, PLANTED, yield_goal, **crop), temperatures, units=units)
    return {d.nutrient: d for d in demands}[nutrient]


def steepest_mean(daily, days):
    sums = np.convolve(daily, np.ones(days), mode="valid")
    return sums.max() / days


@pytest.mark.parametrize(
    ("nutrient", "factor", "total", "peak", "digits"),
    [("N", 1.0, 286, 8.9, 1), ("P", P2O5_PER_P, 114, 2.4, 1), ("K", K2O_PER_K, 202, 5.8, 1), ("Mg", 1.0, 59, 2.2, 1)],
)
def test_corn_reproduces_published_totals_and_ten_day_peaks(nutrient, factor, total, peak, digits):
    # Bender, Haegele, Ruffo, Below 2013, Agron. J. 105:161-170, abstract: 12.0 Mg/ha grain.
    daily = demand_of("corn", nutrient, yield_goal=12.0).demand_kg_ha_day * factor
    assert round(daily.sum()) == total
    # the season is finite: what a whole logistic would take up outside it (under 2 %) is taken up inside
    assert steepest_mean(daily, 10) == pytest.approx(peak, rel=0.02)
    assert digits == 1


def test_corn_sulfur_total_and_peak():
    # Same abstract: S 26 kg/ha, 0.7 kg/ha/day.
    daily = demand_of("corn", "S").demand_kg_ha_day
    assert daily.sum() == pytest.approx(26, abs=0.05)
    assert round(steepest_mean(daily, 10), 1) == 0.7


def test_peak_potassium_of_corn_in_pounds():
    # 5.8 kg K2O/ha/day = 4.30 lb K/ac/day (arithmetic on the same abstract).
    assert round(5.8 / K2O_PER_K / KG_HA_PER_LB_AC, 2) == 4.30


def test_tomato_takes_four_to_five_kilograms_a_day_for_six_weeks():
    # Hartz and Bottoms 2009, HortScience 44:1988-1993: 143 Mg/ha fruit, 296 kg N/ha, 4-5 kg N/ha/day over six weeks.
    daily = demand_of("tomato", "N", yield_goal=143.0).demand_kg_ha_day
    assert round(daily.sum()) == 296
    assert 4.0 <= steepest_mean(daily, 42) <= 5.0


def test_alfalfa_takes_phosphate_and_potash_by_the_ton_and_fixes_its_nitrogen():
    # Univ. Kentucky Soil Science News & Views 142: 50-14-55 lb N-P2O5-K2O per ton; 5 t/ac -> 250-70-275.
    assert demand_of("alfalfa", "P", units="us", yield_goal=5.0).total_kg_ha * P2O5_PER_P / KG_HA_PER_LB_AC == (
        pytest.approx(70, abs=0.05)
    )
    assert demand_of("alfalfa", "K", units="us", yield_goal=5.0).total_kg_ha * K2O_PER_K / KG_HA_PER_LB_AC == (
        pytest.approx(275, abs=0.05)
    )
    assert crop_row("alfalfa").uptake["N"].total_kg_ha / KG_HA_PER_LB_AC == pytest.approx(250, abs=0.05)
    assert "N" not in {d.nutrient for d in crop_demand(Crop("alfalfa", PLANTED), None, units="us")}


def test_bentgrass_uses_half_as_much_potassium_as_nitrogen():
    # Woods 2017: N 30 g/m2/year, K use half of it.
    assert demand_of("putting_green", "N").total_kg_ha == pytest.approx(300)
    assert demand_of("putting_green", "K").total_kg_ha == pytest.approx(150)


def test_the_same_goal_in_bushels_and_in_tonnes_asks_the_same():
    # 56 lb a bushel (common practice): 12.0 t/ha = 191.2 bu/ac to four digits.
    us = demand_of("corn", "N", units="us", yield_goal=191.2).total_kg_ha
    assert us == pytest.approx(demand_of("corn", "N", yield_goal=12.0).total_kg_ha, rel=1e-9)


def test_every_row_of_the_crop_table_names_source_and_status():
    for name in crop_names():
        for uptake in crop_row(name).uptake.values():
            assert uptake.source
            assert uptake.status in {"published", "derived", "common practice", "from memory"}
            assert uptake.total_kg_ha > 0


def test_own_demand_replaces_the_table():
    own = demand_of("corn", "K", own_demand={"K": np.array([1.0, 2.0])})
    assert own.demand_kg_ha_day.tolist() == [1.0, 2.0]


def test_an_unknown_crop_lists_the_names():
    with pytest.raises(InputError, match=r"Choose one of .*corn.*tomato"):
        crop_demand(Crop("triffid", PLANTED), None, units="us")


def test_a_yield_in_the_wrong_unit_is_refused():
    with pytest.raises(InputError, match="check the unit"):
        crop_demand(Crop("corn", PLANTED, 220.0), None, units="metric")


def test_a_warm_season_is_shorter_and_takes_up_the_same():
    days = 200
    warm = Temperatures(PLANTED, np.full(days, 18.0), np.full(days, 30.0))
    cool = Temperatures(PLANTED, np.full(days, 8.0), np.full(days, 22.0))
    fast = demand_of("corn", "N", temperatures=warm)
    slow = demand_of("corn", "N", temperatures=cool)
    assert fast.demand_kg_ha_day.size < slow.demand_kg_ha_day.size
    assert fast.total_kg_ha == pytest.approx(slow.total_kg_ha, rel=1e-9)
    # 14 C degree days a day of 1500 for the season: 107.1, so it ends on day 108
    assert fast.demand_kg_ha_day.size == 108


def test_a_record_that_ends_early_goes_on_at_the_reference_pace():
    record = Temperatures(PLANTED - timedelta(days=3), np.full(13, 18.0), np.full(13, 30.0))
    edges = season_edges(crop_row("corn"), Crop("corn", PLANTED), record)
    assert edges[10] == pytest.approx(10 * 14 / 1500)
    assert edges[11] - edges[10] == pytest.approx(1 / 130)
    assert (edges[0], edges[-1]) == (0, 1)


def test_a_record_that_starts_late_passes_the_first_days_at_the_reference_pace():
    record = Temperatures(PLANTED + timedelta(days=5), np.full(150, 18.0), np.full(150, 30.0))
    edges = season_edges(crop_row("corn"), Crop("corn", PLANTED), record)
    assert edges[5] == pytest.approx(5 / 130)
    assert edges[6] - edges[5] == pytest.approx(14 / 1500)


def test_a_crop_the_table_does_not_know_asks_for_what_its_own_file_says_and_nothing_else():
    own = {"K": np.array([0.0, 1.5, 2.0]), "N": np.array([1.0, 1.0])}

    demands = crop_demand(Crop("quinoa", PLANTED, own_demand=own), None, units="metric")

    assert [demand.nutrient for demand in demands] == ["N", "K"]
    assert demands[1].demand_kg_ha_day.tolist() == [0.0, 1.5, 2.0]
    with pytest.raises(InputError, match=r'or give your own: demand = "demand\.csv"'):
        crop_demand(Crop("quinoa", PLANTED), None, units="metric")
