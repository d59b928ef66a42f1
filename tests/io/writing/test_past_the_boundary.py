"""Files of a prescription that reaches past the boundary: areas and totals are those of the field."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio.raw
import pytest
import shapely

from zonemap.io.geopackage import write_geopackage
from zonemap.io.iso11783.readme import write_readme as write_task_readme
from zonemap.io.iso11783.verify import verify_taskdata
from zonemap.io.iso11783.write import write_taskdata
from zonemap.io.shapefile import README, write_shapefiles
from zonemap.io.verify import verify_geopackage, verify_shapefiles
from zonemap.units import KG_HA_PER_LB_AC, KG_PER_LB, M2_PER_AC
from zonemap.zoning.edges import reach_past


def extended(plan: Any) -> Any:
    polygons, zone, inside_ha = reach_past(plan.prescription.polygon, plan.prescription.zone, by_m=10.0)
    return replace(
        plan.prescription,
        polygon=polygons,
        zone=zone,
        inside_ha=inside_ha,
        outside_rate_kg_ha=50 * KG_HA_PER_LB_AC,
    )


def test_area_is_what_lies_inside_and_the_outline_what_the_controller_sees(tmp_path: Path, plan: Any) -> None:
    prescription = extended(plan)
    path, _ = write_shapefiles(tmp_path, field_name="north", prescription=prescription)
    meta, _, geometry, values = pyogrio.raw.read(path)
    column = dict(zip(meta["fields"], values, strict=True))
    ha = 1e4 if plan.prescription.units == "metric" else M2_PER_AC

    assert column["ZONE"].tolist() == [0, 1, 2]
    assert column["AREA"] * ha == pytest.approx([1_600, 79_200, 159_200], abs=0.01)
    assert [polygon.area for polygon in prescription.polygon] == pytest.approx(
        [1_600, 79_200 + 8_000 + 156.07, 159_200 + 12_000 + 156.07], abs=0.01
    )
    assert shapely.coverage_is_valid(shapely.from_wkb(geometry))
    verify_shapefiles(tmp_path, field_name="north", prescription=prescription)


def test_the_readme_totals_the_field_and_states_the_rest_apart(tmp_path: Path, plan: Any) -> None:
    write_shapefiles(tmp_path, field_name="north", prescription=extended(plan))
    text = (tmp_path / README).read_text(encoding="utf-8")
    us = plan.prescription.units == "us"

    # 100 and 205 lb/ac on 7.92 and 15.92 ha; past the boundary on 0.8156 and 1.2156 ha
    kg = (100 * 7.92 + 205 * 15.92) * KG_HA_PER_LB_AC
    past = (100 * 0.8156073 + 205 * 1.2156073) * KG_HA_PER_LB_AC
    assert (
        f"potash.shp: {kg / KG_PER_LB:,.1f} lb in all" if us else "potash.shp: 4,545.7 kg in all"
    ) in text  # 112.09 x 7.92 + 229.77 x 15.92
    assert (f"  potash: {past / KG_PER_LB:,.1f} lb" if us else f"  potash: {past:,.1f} kg") in text
    assert "inside the field; polygons on its edge reach past it" in text
    assert f"Rate outside all polygons: {'50 lb/ac' if us else '56.04 kg/ha'}" in text
    assert f"Rate while the position is lost: 0 {'lb/ac' if us else 'kg/ha'}" in text


def test_the_geopackage_says_that_areas_are_inside_the_field(tmp_path: Path, plan: Any) -> None:
    prescription, path = extended(plan), tmp_path / "p.gpkg"
    given = {"field": plan.field, "samples": plan.samples, "outlines": plan.outlines, "prescription": prescription}
    write_geopackage(path, **given)

    layers = pyogrio.raw.read(path, layer="prescription")
    area = dict(zip(layers[0]["fields"], layers[3], strict=True))["area"]
    ha = 1e4 if plan.prescription.units == "metric" else M2_PER_AC
    assert np.asarray(area[:3]) * ha == pytest.approx([1_600, 79_200, 159_200], abs=0.01)
    verify_geopackage(path, **given)


@pytest.mark.parametrize("kind", ["zones", "grid_1", "grid_2"])
@pytest.mark.parametrize("version", [3, 4])
def test_task_data_adds_up_with_what_lies_past_the_boundary(tmp_path: Path, plan: Any, version: Any, kind: Any) -> None:
    prescription = replace(extended(plan), outside_rate_kg_ha=0.0)
    given = {"field_name": "north", "prescription": prescription, "boundary": plan.field.boundary}
    written = write_taskdata(tmp_path, **given, version=version, kind=kind)
    total, *_ = verify_taskdata(tmp_path, **given, version=version, kind=kind)
    write_task_readme(tmp_path / "README.txt", "north", written, variant="grid", units=prescription.units, notes=())

    # 100 and 205 lb/ac on 7.92 and 15.92 ha; past the boundary on 0.8156 and 1.2156 ha
    beyond = (100 * 0.8156073 + 205 * 1.2156073) * KG_HA_PER_LB_AC
    inside = (100 * 7.92 + 205 * 15.92) * KG_HA_PER_LB_AC
    assert total.beyond_kg == pytest.approx(beyond, rel=1e-4)
    assert total.planned_kg == pytest.approx(inside + beyond, rel=1e-4)
    assert total.written_kg == pytest.approx(inside + beyond, rel=1e-3)
    assert "of it past the boundary" in (tmp_path / "README.txt").read_text(encoding="utf-8")
