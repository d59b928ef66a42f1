"""zones.csv: read by the standard library's reader here, by pandas in our own check."""

import csv
from dataclasses import replace

import numpy as np
import pytest

from zonemap.errors import OutputError
from zonemap.io.zone_table import verify_zone_table, write_zone_table
from zonemap.units import HA_PER_AC, KG_PER_LB
from zonemap.values.season import Product


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    return header, rows


def test_a_row_a_zone_with_rates_and_totals_that_add_up(tmp_path, plan):
    path = tmp_path / "zones.csv"
    write_zone_table(path, plan.prescription)
    verify_zone_table(path, plan.prescription)

    header, rows = read(path)

    us = plan.prescription.units == "us"
    rate, mass, area = ("lb/ac", "lb", "ac") if us else ("kg/ha", "kg", "ha")
    assert header == [
        "zone",
        f"area [{area}]",
        f"potash 2026-05-20 [{rate}]",
        f"potash 2026-05-20, total [{mass}]",
        f"Señor blend 21/7 [{rate}]",
        f"Señor blend 21/7, total [{mass}]",
    ]
    assert [row[0] for row in rows] == ["0", "1", "2"]
    # 600 x 400 m less a well of 40 x 40 m across the border of two zones
    hectares = np.array([0.16, 7.92, 15.92])
    assert [float(row[1]) for row in rows] == pytest.approx(hectares / (HA_PER_AC if us else 1), rel=1e-9)
    for number, application in enumerate(plan.prescription.applications):
        total = sum(float(row[3 + 2 * number]) for row in rows) * (KG_PER_LB if us else 1)
        assert total == pytest.approx(plan.prescription.total_kg(application), rel=1e-9)
    if us:
        assert [row[2] for row in rows] == ["0", "100", "205"]


@pytest.mark.parametrize("name", ["=1+1", "@sum", "-2", "+cmd|' /C calc'!A0", 'a,"b"', "potash.1"])
def test_a_product_named_like_a_formula_is_text(tmp_path, plan, name):
    first = replace(plan.prescription.applications[0], product=Product(name, {}))
    prescription = replace(plan.prescription, applications=(first,))
    write_zone_table(tmp_path / "zones.csv", prescription)
    verify_zone_table(tmp_path / "zones.csv", prescription)

    header, _ = read(tmp_path / "zones.csv")

    assert header[2].lstrip("'").startswith(name)
    assert header[2][0] not in "=+-@"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("\n1,", "\n3,"),
        ("\n1,", "\n"),
        ("total", "sum"),
        ("2026-05-20", "2026-05-21"),
        ("\n0,", "\n0,1"),
        ("\n2,", "\n2,x"),
    ],
)
def test_a_table_that_was_changed_is_refused(tmp_path, plan, old, new):
    path = tmp_path / "zones.csv"
    write_zone_table(path, plan.prescription)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_zone_table(path, plan.prescription)


def test_a_table_cut_short_is_refused(tmp_path, plan):
    path = tmp_path / "zones.csv"
    write_zone_table(path, plan.prescription)
    path.write_bytes(path.read_bytes()[:-30])
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_zone_table(path, plan.prescription)


def test_one_product_twice_on_a_day_is_refused(tmp_path, plan):
    first = plan.prescription.applications[0]
    with pytest.raises(OutputError, match="Join the two rates"):
        write_zone_table(tmp_path / "zones.csv", replace(plan.prescription, applications=(first, first)))


def test_a_missing_folder_is_an_output_error(tmp_path, plan):
    with pytest.raises(OutputError, match="Check free space and permission"):
        write_zone_table(tmp_path / "nowhere" / "zones.csv", plan.prescription)
