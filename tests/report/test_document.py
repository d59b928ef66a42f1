"""Sections, tables and pictures of a result."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from zonemap.machine.operator import operator_sheet
from zonemap.report.document.decisions import decision_sections, note_sections, notes_of
from zonemap.report.document.evidence import uncertainty, variograms
from zonemap.report.document.parts import Table
from zonemap.report.document.passes import application_facts, checks_of, zone_amounts
from zonemap.report.document.result import sections_of
from zonemap.report.document.spreading import balance, others, rates
from zonemap.report.document.value import value
from zonemap.units import KG_HA_PER_LB_AC, KG_PER_LB
from zonemap.values.note import Note


def number(text):
    return float(text.split()[0].replace(",", ""))


def test_a_row_that_does_not_fit_its_head_is_refused():
    with pytest.raises(ValueError, match="every row of 'rates' must have 2 cells"):
        Table("rates", ("zone", "rate"), (("1",),))


def test_rates_and_totals_are_those_of_the_plan(tomatoes):
    table, totals = rates(tomatoes).tables
    applications = tomatoes.prescription.applications
    shown = np.array([[number(cell) for cell in row[2:]] for row in table.rows])
    np.testing.assert_allclose(shown.T * KG_HA_PER_LB_AC, [a.rate_kg_ha for a in applications], rtol=1e-3, atol=1e-9)
    for row, application in zip(totals.rows, applications, strict=True):
        kg = tomatoes.prescription.total_kg(application)
        assert number(row[2]) == pytest.approx(kg / KG_PER_LB, abs=0.5)
        assert number(row[3]) == pytest.approx(kg * application.product.price_per_kg, abs=0.005)


def test_amounts_of_the_zones_add_up_to_the_total(stripes):
    application = stripes.prescription.applications[0]
    *zones, whole = zone_amounts(stripes, application).rows
    assert sum(number(row[3]) for row in zones) == pytest.approx(number(whole[3]), rel=5e-3)
    well = stripes.prescription.area_ha[-1]
    spread = stripes.case.field.area_ha - well
    assert number(whole[1]) == pytest.approx(spread / 0.40468564224, rel=5e-3)


def test_what_is_lacking_and_given_is_that_of_the_programme(tomatoes):
    (table,) = balance(tomatoes).tables
    chosen = {each.element: each for each in tomatoes.programmes.chosen.balances}
    for row in table.rows:
        need, given = np.array([[number(part) for part in cell.split(" / ")] for cell in row[1:-1]]).T
        np.testing.assert_allclose(need * KG_HA_PER_LB_AC, chosen[row[0]].need_kg_ha, rtol=5e-3)
        np.testing.assert_allclose(given * KG_HA_PER_LB_AC, chosen[row[0]].given_kg_ha, rtol=5e-3)
        assert (row[-1] == "nowhere") == bool((chosen[row[0]].behind_kg_ha < 0.05).all())


def test_the_programme_taken_is_said_to_be_and_why_another_cannot_be_had(tomatoes):
    section = others(tomatoes)
    taken = [row[:2] for row in section.tables[0].rows if row[-1] == "taken"]
    assert taken == [("least cost", "a trip a product")]
    assert number(section.tables[0].rows[0][4]) == pytest.approx(tomatoes.programmes.chosen.cost, abs=0.005)
    assert section.points[0] == "mineral only: no mineral product holds what is lacking."


def test_losses_are_those_of_the_plan_and_one_is_chosen(tomatoes):
    (table,) = value(tomatoes).tables
    whole = [number(row[2]) for row in table.rows]
    found = tomatoes.value
    losses = [found.nothing_loss, found.flat_loss, *found.zones_loss.values(), found.cell_loss]
    np.testing.assert_allclose(whole, np.array(losses) * tomatoes.case.field.area_ha, atol=0.51)
    assert [row[0] for row in table.rows if row[3] == "chosen"] == [f"{found.zones} zones"]


def test_losses_that_are_no_money_are_shares(tomatoes):
    plan = replace(tomatoes, value=replace(tomatoes.value, priced=False))
    (table,) = value(plan).tables
    assert table.head == ("choice", "share", "remark")
    assert table.rows[0][1] == "100%"


def test_means_are_those_of_the_surfaces_and_lie_within_their_ranges(tomatoes):
    (table,) = uncertainty(tomatoes).tables
    area = tomatoes.grid.cell_area_ha
    for row in table.rows:
        mean = float(tomatoes.surfaces[row[0]].mean() @ area / area.sum()) / KG_HA_PER_LB_AC
        assert number(row[2]) == pytest.approx(mean, rel=0.05)
        low, high = map(number, row[4].split(" to "))
        assert low < number(row[2]) < high


def test_a_single_sample_has_no_places_to_compare(garden):
    (table,) = uncertainty(garden).tables
    assert table.head == ("quantity", "unit", "mean", "a place is within")
    assert value(garden).empty


def test_models_and_checks_are_those_of_the_evidence(tomatoes):
    models, checks = variograms(tomatoes).tables
    for row in models.rows:
        variogram = tomatoes.surfaces[row[0]].evidence.variogram
        assert float(row[6]) == pytest.approx(variogram.nugget, abs=0.006 * (variogram.nugget + variogram.partial_sill))
        assert (row[4] == "none") == (tomatoes.surfaces[row[0]].evidence.structure != "found")
    for row in checks.rows:
        check = tomatoes.surfaces[row[0]].evidence.cross_validation
        assert float(row[4]) * KG_HA_PER_LB_AC == pytest.approx(check.rmse, rel=0.02)
        assert float(row[6]) == pytest.approx(check.msdr, abs=0.0051)


def test_notes_are_said_once_under_their_kind_and_refusals_come_first(tomatoes):
    notes = (Note("warning", "N: few"), Note("warning", "P: few"), Note("warning", "N: few"), Note("refusal", "no map"))
    plan = replace(tomatoes, notes=notes)
    assert notes_of(plan, "warning") == ("N, P: few",)
    assert [section.points for section in note_sections(plan)] == [("no map",), ("N, P: few",), (), ()]
    assert sections_of(plan)[0].title == "Cannot be done with these samples"


def test_decisions_hold_prices_products_and_what_was_stated(tomatoes):
    stated, costs, products = decision_sections(tomatoes)[0].tables
    assert dict(stated.rows)["crop"].startswith(f"tomato, planted {tomatoes.case.crop.planted}")
    for row, need in zip(costs.rows, tomatoes.needs, strict=True):
        if need.costs.priced:
            assert float(row[1]) == pytest.approx(need.costs.short * KG_PER_LB, abs=0.0051)
    assert [row[0] for row in products.rows] == [product.name for product in tomatoes.case.products]


def test_loads_and_orders_are_the_operators(tomatoes):
    spreader = replace(tomatoes.case.spreader, hopper_kg=200.0, tender_kg=400.0)
    sheet = operator_sheet(tomatoes.prescription, tomatoes.case.field, spreader)
    application = tomatoes.prescription.applications[0]
    facts = dict(application_facts(tomatoes, application, sheet))
    load = next(each for each in sheet.loads if each.product == application.product.name)
    assert facts["Hopper"].startswith(f"{load.fills} fills of 441 lb, the last ")
    assert facts["Tender"] == f"{load.tenders} loads"
    order = next(each for each in sheet.order if each.product == application.product.name)
    assert number(facts["Order"]) == pytest.approx(order.order_kg / KG_PER_LB, abs=0.5)
    assert "Hopper" not in dict(application_facts(tomatoes, application, None))


def test_zones_of_one_rate_share_a_row_of_figures(tomatoes):
    sheet = operator_sheet(tomatoes.prescription, tomatoes.case.field, tomatoes.case.spreader)
    bone_meal = tomatoes.prescription.applications[1]
    table = checks_of(tomatoes, bone_meal, sheet)
    assert table.rows[0][0] == "1, 2, 3"
    # 50 lb/ac on 0.25 m2: 50 x 453.59237 g / 4,046.856 m2 x 0.25 m2 = 1.40 g
    assert (table.rows[0][1], table.rows[0][2]) == ("50", "1.4")


def test_large_figures_are_written_out(stripes):
    fast = replace(stripes.case.spreader, speed_m_s=100.0)
    application = replace(stripes.prescription.applications[0], rate_kg_ha=np.full(8, 9000.0))
    plan = replace(stripes, prescription=replace(stripes.prescription, applications=(application,)))
    cells = checks_of(plan, application, operator_sheet(plan.prescription, plan.case.field, fast)).rows[0]
    assert "e+" not in " ".join(cells)
