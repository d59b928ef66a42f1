"""One last day of spreading, by the rule of the programme, wherever it is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from zonemap.job import default_pipeline, silence
from zonemap.pipeline.parse import read_pipeline
from zonemap.pipeline.run import run
from zonemap.pipeline.spreading import lacking_path
from zonemap.products.programme import programme
from zonemap.report.deadlines import deadlines, deadlines_of
from zonemap.report.document.passes import application_facts
from zonemap.report.document.spreading import by_when
from zonemap.report.summary import summary
from zonemap.report.text import result_text
from zonemap.values.need import Demand
from zonemap.values.programme import Ask
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Terms

FIRST = date(2026, 5, 1)


def rising(peak=3.0, days=60):
    return Demand("N", FIRST, np.linspace(0, peak, days), np.ones(days), "")


def test_the_day_is_the_first_on_which_a_zone_has_lacked_a_hundredth_of_its_need():
    # By hand: 1, 2, ..., 10 kg/ha/day are asked, supply is 4 and 8. Zone 1 lacks 1 + 2 + ... + 6 = 21 in all; on day 5
    # it has lacked 1 of them, which is more than a hundredth of 21; zone 2 not before day 9.
    demand = Demand("N", FIRST, np.arange(1.0, 11.0), np.ones(10), "")
    path = lacking_path(demand, np.array([4.0, 8.0]), short_cost=1.0)
    assert path.short_from == FIRST + timedelta(days=4)
    assert lacking_path(demand, np.array([10.0]), short_cost=1.0).short_from is None


@pytest.mark.parametrize("lag", [0, 7])
@pytest.mark.parametrize("late", [0, 1])
def test_a_pass_on_the_last_day_is_in_time_for_all_zones_and_one_a_day_later_is_not(lag, late):
    # the programme itself is the judge: what is lost before anything can feed is more than a hundredth or is not
    path = lacking_path(rising(), np.array([1.0, 1.6]), short_cost=1.0)
    product = Product("urea", {"N": 0.46}, release_lag_days=lag)
    last = path.short_from - timedelta(days=lag)
    asked = Ask((path,), (product,), (Pass(last + timedelta(days=late)),), Terms(), np.ones(2))
    (balance,) = programme(asked).balances
    lost = balance.lost_kg_ha / (balance.lost_kg_ha + balance.need_kg_ha).max()
    assert (lost.max() > 0.01) == bool(late)
    assert not balance.behind_kg_ha.any()


def test_terminal_sheet_and_summary_tell_the_same_days(tomatoes):
    found = deadlines(tomatoes)
    assert found
    text = " ".join(result_text(tomatoes, None).split())
    (table,) = by_when(tomatoes).tables
    demand = summary(tomatoes)["demand"]
    for each, row in zip(found, table.rows, strict=True):
        assert f"{each.nutrient}: {' or '.join(each.products)} by {each.spread_by}" in text
        assert (row[0], row[2]) == (each.nutrient, str(each.spread_by))
        assert demand[each.nutrient]["spread_by"] == str(each.spread_by)
        assert demand[each.nutrient]["first_short_day"] == str(each.poorest_tenth) == row[4]
    for application in tomatoes.prescription.applications:
        said = dict(application_facts(tomatoes, application, None)).get("Latest day", "")
        assert all(f"{each.spread_by} for {each.nutrient}" in said for each in deadlines_of(tomatoes, application))


@pytest.mark.parametrize("name", ["corn", "tomatoes", "garden"])
def test_no_pass_is_called_late_where_the_programme_is_never_behind(name, request):
    plan = request.getfixturevalue(name)
    for each, balance in ((d, b) for d in deadlines(plan) for b in plan.programmes.chosen.balances):
        if each.nutrient == balance.element:
            whole = (balance.need_kg_ha + balance.lost_kg_ha).max()
            assert each.late == bool(max(balance.behind_kg_ha.max(), balance.lost_kg_ha.max()) > 0.01 * whole)


@pytest.mark.parametrize("late", [False, True])
def test_a_pass_after_the_last_day_is_called_late_and_one_on_it_is_not(late, tomatoes):
    (nitrogen, *_) = deadlines(tomatoes)
    # two days: planned for a day later, more bone meal brings a little more nitrogen, and the last day is later
    on = nitrogen.spread_by + timedelta(days=2 * late)
    case = replace(tomatoes.case, season=replace(tomatoes.case.season, apply_on=(on,), stated_passes=()))
    plan = run(case, read_pipeline(default_pipeline(case)), silence)

    (moved, *_) = deadlines(plan)
    assert (moved.nutrient, moved.first_pass, moved.late) == ("N", on, late)
    assert (f"the first pass, {on}, is later" in " ".join(result_text(plan, None).split())) == late
    facts = dict(application_facts(plan, plan.prescription.applications[0], None))
    assert facts["Latest day"].startswith(f"{moved.spread_by} for N")
    assert ("this pass is later for N" in facts["Latest day"]) == late
    # lost before anything could feed, or behind where another product could have fed in time
    (balance,) = (each for each in plan.programmes.chosen.balances if each.element == "N")
    whole = (balance.need_kg_ha + balance.lost_kg_ha).max()
    assert ((balance.lost_kg_ha + balance.behind_kg_ha).max() > 0.01 * whole) == late
