"""Decisions at rest: every answer must be what the whole flow gives for a field file that says the same."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Point, union_all

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.pipeline.parse import parse_pipeline, read_pipeline
from zonemap.pipeline.review import Desk
from zonemap.pipeline.run import ask, ask_again, prepare, run
from zonemap.values.field import NoSpread
from zonemap.values.hand import MergeZones, SplitZone
from zonemap.values.review import AssuranceByHand, Decisions, RateByHand, ZoneCount, decisions_of
from zonemap.values.zones import Zones

TOP = Path(__file__).resolve().parents[2]
FIELD = TOP / "sample_fields" / "irrigated_corn"
TEXT = (
    (TOP / "pipelines" / "season_supply.toml")
    .read_text(encoding="utf-8")
    .replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 20.0', 1)
    .replace('use = "integrated_block_kriging"', 'use = "ordinary_block_kriging"', 1)
    .replace('family = "auto"', 'family = "exponential"', 1)
)


@pytest.fixture(scope="module")
def case():
    return read_folder(FIELD)


@pytest.fixture(scope="module")
def pipeline():
    return parse_pipeline(TEXT, name="coarse")


@pytest.fixture(scope="module")
def desk(case, pipeline):
    return Desk(case, pipeline, lambda _: None)


def fixed_at(count):
    text = TEXT.replace('use = "by_value"', f'use = "fixed"\ncount = {count}', 1)
    return text.replace("most = 8", "", 1).replace("least_gain = 0.05", "#", 1)


def rates(prescription):
    return {(a.product.name, a.on): a.rate_kg_ha.tolist() for a in prescription.applications}


def urea_of(desk, decisions):
    return next(a for a in desk.decided(decisions).prescription.applications if a.product.name == "urea")


def test_without_decisions_it_is_the_plan(desk, case, pipeline):
    plan, mine = run(case, pipeline, lambda _: None), desk.plan(Decisions())
    assert rates(mine.prescription) == rates(plan.prescription)
    assert mine.value == plan.value
    assert mine.notes == plan.notes
    assert np.array_equal(mine.zones.number, plan.zones.number)


def test_a_number_of_zones_is_that_of_a_pipeline_that_fixes_it(desk, case):
    plan = run(case, parse_pipeline(fixed_at(5), name="five"), lambda _: None)
    mine = desk.plan(decisions_of([ZoneCount(5)]))
    assert np.array_equal(mine.zones.number, plan.zones.number)
    assert rates(mine.prescription) == rates(plan.prescription)


@pytest.mark.parametrize("name", ["irrigated_corn", "limed_rotation", "organic_tomatoes", "turf_greens"])
def test_another_assurance_asks_what_the_whole_stage_would(name):
    case = read_folder(TOP / "sample_fields" / name)
    chosen = parse_pipeline(TEXT.replace("season_shortfall", "shortfall_or_table"), name="coarse")
    chosen = read_pipeline("extract_rules") if case.rules else chosen
    prepared = prepare(case, chosen, lambda _: None)
    other = replace(case, decision=replace(case.decision, assurance=0.9))

    anew, whole = ask_again(ask(prepared, case), other), ask(prepared, other)

    assert [need.costs for need in anew.needs] == [need.costs for need in whole.needs]
    assert anew.notes == whole.notes
    assert [need.share_of_field_short for need in anew.needs] == [need.share_of_field_short for need in whole.needs]
    zones = Zones(1 + np.arange(prepared.grid.cells) % 3)
    assert anew.losses.of_zones(zones) == whole.losses.of_zones(zones)
    assert anew.losses.cost_of_varying == whole.losses.cost_of_varying


def test_a_first_look_gives_the_rates_and_totals_of_the_whole_answer(desk):
    decisions = decisions_of([AssuranceByHand(0.85)])
    glance, whole = desk.glance.decided(decisions), desk.decided(decisions)
    assert rates(glance.prescription) == rates(whole.prescription)
    assert glance.programmes.chosen.cost == whole.programmes.chosen.cost
    assert glance.programmes.others == ()
    assert whole.programmes.others


def test_an_assurance_gives_the_rates_of_a_field_file_that_says_it(desk, case):
    other = replace(case, decision=replace(case.decision, assurance=0.9))
    plan = run(other, parse_pipeline(fixed_at(1), name="one"), lambda _: None)
    mine = desk.plan(decisions_of([AssuranceByHand(0.9), ZoneCount(1)]))
    assert rates(mine.prescription) == rates(plan.prescription)
    assert mine.value.flat_loss == pytest.approx(plan.value.flat_loss)


def test_an_assurance_keeps_the_zones_and_says_so(desk):
    mine = desk.plan(decisions_of([AssuranceByHand(0.9)]))
    assert np.array_equal(mine.zones.number, desk.plan(Decisions()).zones.number)
    assert any("Zones are those made for an assurance of 75%" in note.text for note in mine.notes)


def test_more_assurance_never_needs_less(desk):
    reports = [desk.rated(decisions_of([AssuranceByHand(a)])).report.need_kg_ha for a in (0.6, 0.75, 0.9)]
    for less, more in pairwise(reports):
        assert all(np.all(b >= a - 1e-9) for a, b in zip(less, more, strict=True))


def test_a_rate_by_hand_moves_totals_cost_and_loss_by_what_it_is(desk):
    urea = urea_of(desk, Decisions())
    more = RateByHand(1, "urea", urea.on, float(urea.rate_kg_ha[0]) + 50.0, "a pale strip")
    decisions = decisions_of([more])
    plan, before = desk.plan(decisions), desk.plan(Decisions())
    area = before.prescription.zone_area_ha(before.zones.count)[0]
    kg = plan.prescription.total_kg(urea_of(desk, decisions)) - before.prescription.total_kg(urea)
    assert kg == pytest.approx(50.0 * area)
    price = urea.product.price_per_kg
    assert plan.programmes.chosen.cost - before.programmes.chosen.cost == pytest.approx(50.0 * area * price)
    given = [next(b for b in p.programmes.chosen.balances if b.element == "N").given_kg_ha for p in (before, plan)]
    assert given[1][0] - given[0][0] == pytest.approx(50.0 * urea.product.analysis["N"])
    assert given[1][1:] == pytest.approx(given[0][1:])
    assert any("urea on 2026-06-05, zone 1: set by hand" in n.text and "a pale strip" in n.text for n in plan.notes)
    assert desk.loss_as_spread(decisions) > desk.loss_as_spread(Decisions())


def test_a_rate_given_back_is_the_plan_again(desk):
    urea = urea_of(desk, Decisions())
    decisions = decisions_of([RateByHand(1, "urea", urea.on, 10.0), RateByHand(1, "urea", urea.on, None)])
    assert rates(desk.decided(decisions).prescription) == rates(desk.decided(Decisions()).prescription)


def test_a_rate_by_hand_stays_with_its_zone_when_others_merge_and_goes_with_a_zone_that_changes(desk):
    urea = urea_of(desk, Decisions())
    last = desk.zoned(Decisions()).choice.zones.count
    by_hand = RateByHand(last, "urea", urea.on, 100.0)
    kept = desk.rates(decisions_of([by_hand, MergeZones((1, 2))]))
    assert list(kept) == [("urea", urea.on, last - 1)]
    assert desk.rates(decisions_of([by_hand, MergeZones((1, last))])) == {}


def test_a_split_zone_gets_two_rates_and_the_area_stays(desk):
    zones = desk.zoned(Decisions()).choice.zones
    west, south, east, north = desk.case.field.boundary.bounds
    middle = (west + east) / 2
    decisions = decisions_of([SplitZone(1, LineString([(middle, south), (middle, north)]))])
    plan = desk.plan(decisions)
    assert plan.zones.count == zones.count + 1
    assert plan.prescription.area_ha.sum() == pytest.approx(desk.case.field.area_ha, rel=1e-9)


def test_a_closed_area_gets_nothing_and_totals_fall(desk):
    field = desk.case.field
    place = NoSpread("a wet hole", MultiPolygon([field.boundary.centroid.buffer(60)]))
    shut, plan = desk.plan(decisions_of([place])), desk.plan(Decisions())
    assert any(p.reason == "a wet hole" for p in shut.case.field.no_spread)
    spread = [p.area_ha[p.zone > 0].sum() for p in (shut.prescription, plan.prescription)]
    newly_closed = place.area.intersection(field.boundary).difference(union_all([p.area for p in field.no_spread]))
    assert spread[1] - spread[0] == pytest.approx(newly_closed.area / 1e4, rel=1e-3)
    assert all(
        less < more
        for less, more in zip(
            *([p.total_kg(a) for a in p.applications] for p in (shut.prescription, plan.prescription)), strict=True
        )
    )


@pytest.mark.parametrize(
    ("step", "mend"),
    [
        (NoSpread("far", MultiPolygon([Point(0, 0).buffer(9)])), "Draw it inside"),
        (ZoneCount(40), "Choose one of 1, 2"),
        (MergeZones((1, 40)), "Name one from 1 to"),
    ],
)
def test_what_cannot_be_done_is_refused(desk, step, mend):
    with pytest.raises(InputError, match=mend):
        desk.decided(decisions_of([step]))


def test_rates_are_those_the_spreader_can_do(desk):
    on = urea_of(desk, Decisions()).on
    step = desk.case.spreader.step_kg_ha
    given = desk.limited(RateByHand(1, "urea", on, 20.3 * step), Decisions())
    assert given == pytest.approx(20 * step)
    with pytest.raises(InputError, match="Give a smaller rate"):
        desk.limited(RateByHand(1, "urea", on, desk.case.spreader.max_rate_kg_ha + 1), Decisions())
