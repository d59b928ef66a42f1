"""Liquids are metered by volume: rates, totals and units of the files are in gallons or litres."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pyogrio.raw
import pytest

from zonemap.errors import OutputError
from zonemap.io.geopackage import write_geopackage
from zonemap.io.shapefile import README, write_shapefiles
from zonemap.io.verify import verify_geopackage, verify_shapefiles
from zonemap.units import KG_HA_PER_LB_AC, KG_L_PER_LB_GAL, KG_PER_LB
from zonemap.values.prescription import Application
from zonemap.values.season import Product

# UAN-32 weighs 11.06 lb/gal (state extension tables of fluid fertilizers), so 40 gal/ac are 442.4 lb/ac.
UAN = Product("UAN-32", {"N": 0.32}, density_kg_l=11.06 * KG_L_PER_LB_GAL)
RATES = np.array([442.4, 0.0]) * KG_HA_PER_LB_AC


def with_liquid(plan: Any) -> Any:
    """Return the prescription with potash as it was and a liquid beside it."""
    return replace(
        plan.prescription, applications=(plan.prescription.applications[0], Application(UAN, None, RATES, RATES))
    )


def test_the_geopackage_states_each_product_in_its_own_unit(tmp_path: Path, plan: Any) -> None:
    prescription, path = with_liquid(plan), tmp_path / "p.gpkg"
    write_geopackage(path, field=plan.field, samples=plan.samples, outlines=plan.outlines, prescription=prescription)
    with fiona.open(path, layer="prescription") as layer:
        rows = [dict(each.properties) for each in layer]
    us = prescription.units == "us"
    liquid = [row for row in rows if row["product"] == "UAN-32"]

    assert {row["unit"] for row in rows} == ({"lb/ac", "gal/ac"} if us else {"kg/ha", "L/ha"})
    # 40 gal/ac x 3.785411784 L/gal / 0.40468564224 ha/ac = 374.158 L/ha
    assert [row["rate"] for row in liquid] == pytest.approx([40.0 if us else 374.1583, 0.0, 0.0], abs=1e-4)
    verify_geopackage(path, field=plan.field, samples=plan.samples, outlines=plan.outlines, prescription=prescription)


def test_rate_times_area_adds_up_to_gallons_or_litres(tmp_path: Path, plan: Any) -> None:
    prescription = with_liquid(plan)
    _, path = write_shapefiles(tmp_path, field_name="north", prescription=prescription)
    meta, _, _, values = pyogrio.raw.read(path)
    column = dict(zip(meta["fields"], values, strict=True))
    us = prescription.units == "us"

    # zone 1 holds 200 x 400 m less half of the well, 7.92 ha
    gallons = 442.4 * KG_HA_PER_LB_AC * 7.92 / (11.06 * KG_PER_LB)
    litres = gallons * 3.785411784
    assert set(column["UNIT"]) == {"gal/ac" if us else "L/ha"}
    assert float(column["RATE"] @ column["AREA"]) == pytest.approx(gallons if us else litres, abs=0.1)
    text = (tmp_path / README).read_text(encoding="utf-8")
    assert f"UAN-32.shp: {gallons:,.1f} gal in all" in text if us else f"UAN-32.shp: {litres:,.1f} L in all" in text
    assert ("lb/ac or gal/ac" if us else "kg/ha or L/ha") in text
    verify_shapefiles(tmp_path, field_name="north", prescription=prescription)


def test_a_file_by_mass_is_not_taken_for_one_by_volume(tmp_path: Path, plan: Any) -> None:
    liquid = with_liquid(plan)
    dry = Application(replace(UAN, density_kg_l=None), None, RATES, RATES)
    write_shapefiles(
        tmp_path, field_name="north", prescription=replace(liquid, applications=(liquid.applications[0], dry))
    )
    with pytest.raises(OutputError, match="the rates"):
        verify_shapefiles(tmp_path, field_name="north", prescription=liquid)
