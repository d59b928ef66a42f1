"""Loads, orders and calibration figures."""

from datetime import date

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon

from zonemap.machine.operator import calibration_of, hopper_kg, load_of, operator_sheet
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, KG_M3_PER_LB_FT3, KG_PER_LB, M_PER_FT
from zonemap.values.field import Field, NoSpread
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product, Spreader

POTASH = Product("potash", {}, bulk_density_kg_m3=62 * KG_M3_PER_LB_FT3)


def prescribed(*applications, hectares=40.0, units="metric"):
    area = shapely.box(0, 0, 1000, hectares * 10)
    field = Field("f", MultiPolygon([area]), "EPSG:32614", (NoSpread("well", MultiPolygon([area.buffer(-190)])),))
    return Prescription(units, field.crs, (area,), [1], applications), field


def application(product, on, rate):
    return Application(product, on, np.array([rate]), np.array([rate]))


def test_pounds_on_a_hundred_feet_are_those_of_the_hand_calculation():
    # 200 lb/ac, 40 ft swath: 40 x 100 / 43,560 ac (an acre is 43,560 square feet) x 200 = 18.365 lb;
    # at 8 mph = 704 ft/min: 129.29 lb/min; on a tray of 4 square feet 200 x 4 / 43,560 lb = 8.33 g
    rate = 200 * KG_HA_PER_LB_AC
    spreader = Spreader(swath_m=40 * M_PER_FT, speed_m_s=704 * M_PER_FT / 60)
    figures = calibration_of(application(POTASH, None, rate), spreader, run_m=100 * M_PER_FT, tray_m2=4 * M_PER_FT**2)
    assert figures.caught_kg.item() / KG_PER_LB == pytest.approx(18.365, abs=5e-4)
    assert figures.flow_kg_s.item() * 60 / KG_PER_LB == pytest.approx(129.29, abs=5e-3)
    assert figures.tray_kg.item() * 1000 == pytest.approx(8.33, abs=5e-3)


def test_figures_that_need_a_width_are_missing_without_one():
    figures = calibration_of(application(POTASH, None, 100.0), Spreader(), run_m=100.0, tray_m2=0.25)
    assert np.isnan(figures.caught_kg).all()
    assert np.isnan(figures.flow_kg_s).all()
    assert figures.tray_kg.tolist() == [0.0025]


def test_a_hopper_holds_what_volume_and_mass_allow():
    # 200 cubic feet of potash at 62 lb: 12,400 lb
    by_volume = hopper_kg(POTASH, Spreader(hopper_m3=200 * M_PER_FT**3))
    assert by_volume / KG_PER_LB == pytest.approx(12_400)
    assert hopper_kg(POTASH, Spreader(hopper_m3=200 * M_PER_FT**3, hopper_kg=5000.0)) == 5000.0
    assert hopper_kg(Product("manure", {}), Spreader(hopper_m3=5.0)) is None
    assert hopper_kg(Product("solution", {}, density_kg_l=1.28), Spreader(hopper_m3=2.0)) == pytest.approx(2560.0)


@given(st.floats(0.1, 1e6), st.floats(1, 1e5), st.floats(1, 1e5))
def test_fills_hold_the_total_and_no_fill_is_empty(total, hopper, tender):
    load = load_of(POTASH, None, total, Spreader(hopper_kg=hopper, tender_kg=tender))
    assert (load.fills - 1) * hopper + load.last_fill_kg == pytest.approx(total)
    assert -1e-6 * hopper < load.last_fill_kg <= hopper * (1 + 1e-6)
    assert load.fills * hopper >= total * (1 - 1e-6) > (load.fills - 1) * hopper * (1 - 2e-6)
    assert load.tenders * tender >= total * (1 - 1e-6)


def test_a_total_of_whole_loads_needs_no_more():
    load = load_of(POTASH, None, 8000.0, Spreader(hopper_kg=4000.0, tender_kg=8000.0))
    assert (load.fills, load.last_fill_kg, load.tenders) == (2, 4000.0, 1)


def test_applications_are_driven_by_day_then_the_heaviest_first():
    may, june = date(2026, 5, 20), date(2026, 6, 10)
    names = [("undated", None, 500.0), ("light", may, 50.0), ("late", june, 300.0), ("heavy", may, 200.0)]
    prescription, field = prescribed(*(application(Product(name, {}), on, rate) for name, on, rate in names))
    sheet = operator_sheet(prescription, field, Spreader())
    assert [load.product for load in sheet.loads] == ["heavy", "light", "late", "undated"]
    assert [figures.product for figures in sheet.calibration] == ["heavy", "light", "late", "undated"]
    assert sheet.keep_out[0][0] == "well"


def test_an_order_has_its_margin_and_comes_in_whole_units():
    # 40 ha x 100 kg/ha twice = 8,000 kg; 3 % more is 8,240: less than ten units of 1,000 kg, 83 of 100 kg
    twice = [application(POTASH, day, 100.0) for day in (date(2026, 5, 1), date(2026, 6, 1))]
    prescription, field = prescribed(*twice)
    (line,) = operator_sheet(prescription, field, Spreader()).order
    assert (line.needed_kg, line.units, line.unit_kg, line.in_bags) == (pytest.approx(8000), 83, 100.0, False)
    # in bags of 25 kg, 500 kg in the shed: 7,740 kg are 309.6 bags
    bagged = Product("potash", {}, bag_kg=25.0, on_hand_kg=500.0)
    prescription, field = prescribed(*(application(bagged, each.on, 100.0) for each in twice))
    (line,) = operator_sheet(prescription, field, Spreader()).order
    assert (line.units, line.order_kg, line.in_bags) == (310, 7750.0, True)
    # what the shed holds need not be bought
    prescription, field = prescribed(application(Product("potash", {}, on_hand_kg=9e3), None, 100.0))
    assert operator_sheet(prescription, field, Spreader()).order[0].units == 0


def test_little_is_not_rounded_up_to_much():
    # a green of 0.5 ha at 60 kg/ha: 30.9 kg are 31 kg, not 100
    prescription, field = prescribed(application(POTASH, None, 60.0), hectares=0.5)
    (line,) = operator_sheet(prescription, field, Spreader()).order
    assert (line.units, line.unit_kg) == (31, 1.0)


def test_in_us_units_bulk_comes_by_the_hundred_pounds_and_runs_are_a_hundred_feet():
    prescription, field = prescribed(
        application(POTASH, None, 150 * KG_HA_PER_LB_AC), hectares=10 * HA_PER_AC, units="us"
    )
    sheet = operator_sheet(prescription, field, Spreader(), margin=0.0)
    assert sheet.order[0].units == 15
    assert sheet.order[0].unit_kg == 100 * KG_PER_LB
    assert sheet.calibration[0].run_m == pytest.approx(30.48)
