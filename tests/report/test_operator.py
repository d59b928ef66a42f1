"""The operator's sheet in words."""

from __future__ import annotations

from datetime import date

import numpy as np
import shapely
from shapely import MultiPolygon

from zonemap.machine.operator import operator_sheet
from zonemap.report.operator import operator_text
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, KG_PER_LB, M_PER_FT
from zonemap.values.field import Field, NoSpread
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product, Spreader


def test_the_sheet_reads_as_its_hand_calculation():
    # 10 acres in two halves at 200 and 100 lb/ac: 1,500 lb; hopper 1,000 lb: 2 fills, the last 500; 3 % more is 1,545:
    # 16 units of 100 lb. 40 ft x 100 ft at 200 lb/ac 18.365 lb, at 8 mph (704 ft/min) 129.3 lb/min;
    # a tray of 0.25 m2 (2.69 ft2): 2.69 x 200 / 43,560 lb = 5.60 g
    half = shapely.box(0, 0, 100, 5 * HA_PER_AC * 100), shapely.box(100, 0, 200, 5 * HA_PER_AC * 100)
    well = NoSpread("well", MultiPolygon([shapely.box(300, 0, 400, HA_PER_AC * 100)]))
    field = Field("f", MultiPolygon(list(half)), "EPSG:32614", (well,))
    rates = np.array([200.0, 100.0]) * KG_HA_PER_LB_AC
    potash = Application(Product("potash", {}), date(2026, 5, 20), rates, rates)
    prescription = Prescription("us", field.crs, half, [1, 2], (potash,))
    spreader = Spreader(swath_m=40 * M_PER_FT, speed_m_s=704 * M_PER_FT / 60, hopper_kg=1000 * KG_PER_LB)

    assert operator_text(operator_sheet(prescription, field, spreader), "us").splitlines() == [
        "Order of work",
        "  1. potash, 2026-05-20: 1,500 lb; 2 fills of 1,000 lb, the last 500 lb",
        "To order, 3% to spare",
        "  potash: 1,600 lb",
        "To check the machine",
        "  potash, zone 1 at 200 lb/ac: 5.6 g in a tray of 2.69 ft2, 18.4 lb over 100 ft, 129 lb/min at speed",
        "  potash, zone 2 at 100 lb/ac: 2.8 g in a tray of 2.69 ft2, 9.18 lb over 100 ft, 64.6 lb/min at speed",
        "Keep out",
        "  well, 1 ac",
    ]


def test_in_metric_units_with_bags_what_is_on_hand_is_said_and_rates_of_nothing_are_left_out():
    area = shapely.box(0, 0, 100, 100)
    field = Field("f", MultiPolygon([area]), "EPSG:32614")
    meal = Product("bone meal", {}, bag_kg=25.0, on_hand_kg=50.0)
    applied = Application(meal, None, np.array([300.0, 0.0]), np.array([300.0, 0.0]))
    prescription = Prescription("metric", field.crs, (area,), [1], (applied,))
    text = operator_text(operator_sheet(prescription, field, Spreader(tender_kg=200.0)), "metric")

    # 300 kg and 3 %, less 50: 259 kg are 11 bags
    assert "bone meal: 275 kg (11 bags of 25 kg), besides 50 kg on hand" in text
    assert "1. bone meal: 300 kg; 2 tender loads" in text
    assert "zone 1 at 300 kg/ha: 7.5 g in a tray of 0.25 m2\n" in text
    assert "zone 2" not in text
    assert "Keep out" not in text


def test_a_field_that_gets_nothing_has_no_sheet():
    area = shapely.box(0, 0, 100, 100)
    field = Field("f", MultiPolygon([area]), "EPSG:32614")
    prescription = Prescription("metric", field.crs, (area,), [1], ())
    assert operator_text(operator_sheet(prescription, field, Spreader()), "metric") == ""
