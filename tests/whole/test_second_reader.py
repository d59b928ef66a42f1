"""Everything that GDAL reads, read by the GDAL of the system: another build than those that wrote it."""

import json
import shutil
import subprocess

import numpy as np
import pytest

from zonemap.io.geotiff import surface_layers, surface_names
from zonemap.units import KG_PER_LB
from zonemap.values.file_units import HA_PER_AREA

pytestmark = pytest.mark.skipif(
    shutil.which("ogrinfo") is None or shutil.which("gdalinfo") is None, reason="no ogrinfo and gdalinfo (gdal-bin)"
)


def told_by(*command):
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert not run.stderr
    return run.stdout


def features(path, layer):
    """Layer's text: how many features, which CRS, and attribute -> values."""
    text = told_by("ogrinfo", "-ro", "-al", "-geom=NO", str(path), layer)
    values = {}
    for line in text.splitlines():
        if line.startswith("  ") and " = " in line and "(" in line.split(" = ")[0]:
            name, value = line.strip().split(" = ", 1)
            values.setdefault(name.split(" ")[0], []).append(value)
    return text, values


@pytest.fixture
def outcome(every_format):
    return every_format


def kg(outcome):
    return KG_PER_LB if outcome.plan.case.units == "us" else 1.0


def total(values):
    return float(
        np.array(values["RATE" if "RATE" in values else "rate"], dtype=float)
        @ np.array(values["AREA" if "AREA" in values else "area"], dtype=float)
    )


def test_the_geopackage_has_its_layers_rows_and_totals(outcome):
    plan, path = outcome.plan, outcome.folder / "prescription.gpkg"
    polygons = len(plan.prescription.polygon)
    rows = {
        "prescription": polygons * len(plan.prescription.applications),
        "zones": plan.zones.count,
        "samples": plan.case.samples.count,
        "boundary": 1,
        "no_spread": len(plan.case.field.no_spread),
    }

    for layer, count in rows.items():
        text, _ = features(path, layer)
        assert f"Feature Count: {count}\n" in text
        code = 4326 if layer == "prescription" else int(plan.grid.crs.split(":")[1])
        assert f'ID["EPSG",{code}]]\n' in text

    _, values = features(path, "prescription")
    planned = sum(plan.prescription.total_kg(each) for each in plan.prescription.applications)
    assert total(values) * kg(outcome) == pytest.approx(planned, rel=1e-6)


def test_every_shapefile_has_its_polygons_and_its_total(outcome):
    prescription = outcome.plan.prescription
    paths = sorted((outcome.folder / "controller").glob("*.shp"))
    assert len(paths) == len(prescription.applications)
    totals = []
    for path in paths:
        text, values = features(path, path.stem)
        assert f"Feature Count: {len(prescription.polygon)}\n" in text
        assert "WGS 84" in text
        totals.append(total(values) * kg(outcome))
    planned = [prescription.total_kg(each) for each in prescription.applications]
    assert sorted(totals) == pytest.approx(sorted(planned), rel=0.001)


def test_every_raster_lies_on_the_grid_and_holds_numbers(outcome):
    grid = outcome.plan.grid
    paths = sorted(outcome.folder.rglob("*.tif"))
    assert {path.parent.name for path in paths} == {"surfaces", "rates", "delivered", outcome.folder.name}
    for path in paths:
        told = json.loads(told_by("gdalinfo", "-json", "-checksum", str(path)))
        assert told["driverShortName"] == "GTiff"
        assert told["size"] == [grid.shape[1], grid.shape[0]]
        assert told["geoTransform"] == [grid.west_m, grid.cell_m, 0.0, grid.north_m, 0.0, -grid.cell_m]
        assert f'ID["EPSG",{grid.crs.split(":")[1]}]]' in told["coordinateSystem"]["wkt"]
        assert all(band["checksum"] > 0 for band in told["bands"])


def cells_of(path, band, shape):
    """Values of a band, northernmost row first; NaN where there is none."""
    lines = told_by("gdal_translate", "-q", "-of", "XYZ", "-b", str(band), str(path), "/vsistdout/").splitlines()
    return np.array([line.split(" ")[2] for line in lines], dtype=float).reshape(shape)


def test_every_surface_holds_its_values(outcome):
    plan = outcome.plan
    for quantity, name in surface_names(plan.surfaces).items():
        layers = surface_layers(plan.surfaces[quantity], plan.grid, probability=1 - plan.case.decision.assurance)
        for band, values in enumerate(layers.bands, start=1):
            found = cells_of(outcome.folder / "surfaces" / name, band, plan.grid.shape)
            # single precision, told in the digits that the program prints
            assert np.allclose(found, values, rtol=1e-6, equal_nan=True)


def test_every_rate_raster_adds_up_to_what_its_tags_say(outcome):
    plan = outcome.plan
    paths = sorted((outcome.folder / "rates").glob("*.tif"))
    assert len(paths) == len(plan.prescription.applications)
    area = np.where(plan.grid.inside, plan.grid.field_area_m2, 0.0) / 10_000 / HA_PER_AREA[plan.case.units]
    for path in paths:
        tags = json.loads(told_by("gdalinfo", "-json", str(path)))["metadata"][""]
        total = float(np.nansum(cells_of(path, 1, plan.grid.shape) * area))
        assert total == pytest.approx(float(tags["total_of_cells"]), rel=1e-6)
        assert total == pytest.approx(float(tags["total_planned"]), rel=0.01)
        assert tags["unit"] == ("lb/ac" if plan.case.units == "us" else "kg/ha")


def test_the_table_of_zones_has_a_row_a_zone_and_the_totals(outcome):
    plan = outcome.plan
    text = told_by("ogrinfo", "-ro", "-q", "-al", "-oo", "AUTODETECT_TYPE=YES", str(outcome.folder / "zones.csv"))
    cells = {}
    for line in text.splitlines():
        if " = " in line:
            heading, value = line.strip().split(" = ")
            name, _, kind = heading.rpartition(" ")
            assert kind in {"(Integer)", "(Real)"}  # a number, whatever reads it
            cells.setdefault(name, []).append(float(value))
    assert cells["zone"] == sorted({float(zone) for zone in plan.prescription.zone})
    area = next(values for name, values in cells.items() if name.startswith("area ["))
    assert sum(area) * HA_PER_AREA[plan.case.units] == pytest.approx(plan.case.field.area_ha, rel=1e-6)
    totals = [sum(values) * kg(outcome) for name, values in cells.items() if ", total [" in name]
    assert totals == pytest.approx(
        [plan.prescription.total_kg(each) for each in plan.prescription.applications], rel=1e-6
    )


def test_every_folder_of_the_result_is_read_here_or_by_the_reader_of_task_data(outcome):
    """Task data is read by an independent library in test_formats; what is left is for people."""
    kinds = {path.suffix for path in outcome.folder.rglob("*") if path.is_file() and "TASKDATA" not in path.parts}
    read_here = {".gpkg", ".shp", ".shx", ".dbf", ".prj", ".cpg", ".tif", ".csv"}
    for_people = {".png", ".pdf", ".html", ".txt", ".json"}
    assert kinds == read_here | for_people
