"""Every limit, step and rounding is totalled: amounts worked by hand, and read back from the file."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pyogrio.raw
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, box

from zonemap.io.shapefile import write_shapefiles
from zonemap.report.changes import changes_by_application, changes_sentences, changes_summary
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.changes import changes_by_product, changes_of
from zonemap.values.field import Field
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product
from zonemap.zoning.pieces import join_small

E, N = 500_000.0, 4_650_000.0
POTASH, UREA = Product("potash", {"K": 0.498}), Product("urea", {"N": 0.46})


def prescription(*applications, units="metric"):
    """4 ha of zone 1; zone 2 of 6 ha, of which 0.04 ha as a patch in zone 1 that joined it."""
    patch = box(E + 50, N + 50, E + 70, N + 70)
    drawn = (box(E, N, E + 200, N + 202).difference(patch), patch, box(E + 200, N, E + 500, N + 200))
    polygons, zone = join_small(drawn, np.array([1, 2, 2]), minimum_ha=0.05)
    return Prescription(units, "EPSG:32614", polygons, zone, applications, drawn_ha=np.array([4.0, 6.04]))


def plan_of(made):
    field = Field("north", MultiPolygon([box(E, N, E + 500, N + 200)]), "EPSG:32614")
    case, zones = SimpleNamespace(units=made.units, field=field), SimpleNamespace(count=2)
    return SimpleNamespace(prescription=made, case=case, zones=zones)


def test_amounts_worked_by_hand():
    spread = Application(POTASH, date(2026, 5, 20), np.array([101.239, 297.5]), np.array([100.0, 300.0]))

    (change,) = changes_of(prescription(spread))

    assert change.planned_kg == pytest.approx(101.239 * 4 + 297.5 * 6.04)
    assert change.cut_kg == pytest.approx(1.239 * 4)
    assert change.raised_kg == pytest.approx(2.5 * 6.04)
    assert change.limited_kg == pytest.approx(100 * 4 + 300 * 6.04)
    # 0.04 ha go from 300 to 100 kg/ha
    assert change.joined_kg == pytest.approx(-200 * 0.04)
    assert change.prescribed_kg == pytest.approx(100 * 4.04 + 300 * 6)
    assert change.written_kg == pytest.approx(100 * 4.04 + 300 * 6)


@given(st.lists(st.floats(0, 900), min_size=2, max_size=2), st.sampled_from(["us", "metric"]))
def test_the_steps_add_up_to_what_the_prescription_totals(rates, units):
    spread = Application(POTASH, None, np.array([50.0, 60.0]), np.array(rates))
    made = prescription(spread, units=units)

    (change,) = changes_of(made)

    assert change.planned_kg + change.raised_kg - change.cut_kg + change.joined_kg == pytest.approx(
        made.total_kg(spread), abs=1e-6
    )
    # half of the last digit of a rate of 0.01 and of an area of 1e-6 unit, on 10 ha (25 ac) and up to 900 kg/ha
    assert abs(change.rounded_kg) <= 0.005 * KG_HA_PER_LB_AC * 10.04 + 2 * 0.5e-6 * 900 + 1e-6


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("density", [None, 1.325])
def test_what_is_written_is_what_the_file_adds_up_to(tmp_path, units, density):
    product = replace(POTASH, density_kg_l=density)
    rates = np.array([123.4567, 45.6789])
    made = prescription(Application(product, None, rates, rates), units=units)
    (path,) = write_shapefiles(tmp_path, field_name="north", prescription=made)
    meta, _, _, values = pyogrio.raw.read(path)
    column = dict(zip(meta["fields"], values, strict=True))

    (change,) = changes_of(made)

    # 1 lb = 0.45359237 kg, 1 gal = 3.785411784 L, by definition
    kg = {"lb/ac": 0.45359237, "kg/ha": 1.0, "gal/ac": 3.785411784 * 1.325, "L/ha": 1.325}[column["UNIT"][0]]
    assert change.written_kg == pytest.approx(float(column["RATE"] @ column["AREA"]) * kg, rel=1e-12)


def test_products_add_up_over_days_and_blends_by_their_parts():
    blend = Product("blend", {"N": 0.3, "K": 0.1})
    rates, half = np.array([100.0, 200.0]), np.array([50.0, 60.0])
    made = prescription(
        Application(UREA, date(2026, 5, 1), half, half),
        Application(blend, date(2026, 6, 1), rates, rates, parts=((UREA, 0.75), (POTASH, 0.25))),
    )

    found = {change.product.name: change for change in changes_by_product(made)}

    total = 100 * 4.04 + 200 * 6
    assert found["urea"].prescribed_kg == pytest.approx(0.75 * total + 50 * 4.04 + 60 * 6)
    assert found["urea"].on is None
    assert found["potash"].prescribed_kg == pytest.approx(0.25 * total)
    assert found["potash"].on == date(2026, 6, 1)


def test_words_say_what_each_step_makes_of_it():
    spread = Application(POTASH, date(2026, 5, 20), np.array([101.25, 297.5]), np.array([100.0, 300.0]))
    kept = Application(UREA, None, np.array([80.0, 80.0]), np.array([80.0, 80.0]))
    plan = plan_of(prescription(spread, kept))

    potash, urea = changes_sentences(plan)

    assert potash == (
        "potash on 2026-05-20: 2,202 kg asked for; the spreader's limits and steps make it 2,212 kg (15.1 kg more in "
        "some zones, 5 kg less in others); joined polygons 2,204 kg."
    )
    assert urea == "urea: 803 kg asked for, and that is what the file holds."


def test_rates_set_by_hand_are_told_apart_from_what_the_spreader_does():
    limited = np.array([100.0, 300.0])
    spread = Application(POTASH, None, np.array([101.25, 297.5]), np.array([150.0, 300.0]), limited_kg_ha=limited)
    plan = plan_of(prescription(spread))

    (sentence,), (numbers,) = changes_sentences(plan), changes_by_application(plan)

    # 50 kg/ha more on the 4 ha of zone 1, before the patch of 0.04 ha joined it
    assert numbers["changed_by_hand_kg"] == pytest.approx(200)
    assert numbers["after_limits_kg"] == pytest.approx(2212)
    assert "limits and steps make it 2,212 kg" in sentence
    assert "; rates set by hand make it 2,412 kg;" in sentence


def test_a_difference_that_no_scale_shows_is_not_told(garden):
    told = " ".join(changes_sentences(garden))

    assert "22.2 lb asked for" in told
    assert " 0 oz" not in told


def test_numbers_for_machines_are_plain_and_in_kg():
    spread = Application(POTASH, date(2026, 5, 20), np.array([101.25, 297.5]), np.array([100.0, 300.0]))
    plan = plan_of(prescription(spread))

    (by_application,), (by_product,) = changes_by_application(plan), changes_summary(plan)

    assert by_application == by_product
    assert by_product["date"] == "2026-05-20"
    assert by_product["after_joining_kg"] == pytest.approx(2204)
    assert {type(value) for value in by_product.values()} <= {str, float}
