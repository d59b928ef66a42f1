"""One mapped field in every format: each, read by another library than wrote it, adds up to the same totals."""

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
from isoxml.util.isoxml_io import isoxml_from_path

from zonemap.io.manifest import sha256_of
from zonemap.job import plan_field
from zonemap.units import HA_PER_AC, KG_PER_LB

SAMPLE_FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"


@pytest.fixture
def outcome(every_format):
    return every_format


def planned(outcome):
    return [product["total_kg"] for product in outcome.summary["products"]]


def kg_per_mass(outcome):
    return KG_PER_LB if outcome.plan.case.units == "us" else 1.0


def test_the_table_of_zones_adds_up(outcome):
    with (outcome.folder / "zones.csv").open(encoding="utf-8", newline="") as file:
        _, *rows = csv.reader(file)
    for number, total in enumerate(planned(outcome)):
        in_table = sum(float(row[3 + 2 * number]) for row in rows) * kg_per_mass(outcome)
        assert in_table == pytest.approx(total, rel=1e-6)


def test_rate_rasters_add_up(outcome):
    grid = outcome.plan.grid
    hectares = np.where(grid.inside, grid.field_area_m2, 0) / 10_000
    kg_ha = KG_PER_LB / HA_PER_AC if outcome.plan.case.units == "us" else 1.0
    rasters = sorted((outcome.folder / "rates").glob("*.tif"))
    sums = []
    for path in rasters:
        with rasterio.open(path) as raster:
            sums.append(float(np.nansum(raster.read(1) * hectares)) * kg_ha)
    assert sorted(sums) == pytest.approx(sorted(planned(outcome)), rel=0.01)


def test_delivered_rasters_tell_the_shares_of_the_summary(outcome):
    hectares = np.where(outcome.plan.grid.inside, outcome.plan.grid.field_area_m2, 0) / 10_000
    stems = [path.name for path in sorted((outcome.folder / "rates").glob("*.tif"))]
    rasters = sorted((outcome.folder / "delivered").glob("*.tif"))
    assert [path.name for path in rasters] == stems
    shares = []
    for path in rasters:
        with rasterio.open(path) as raster:
            off = raster.read(2)
        meant = ~np.isnan(off)
        shares.append(hectares[meant & (np.abs(off) <= 10 + 1e-5)].sum() / hectares[meant].sum())
    told = [each["share_within_10_percent"] for each in outcome.summary["delivery"]["applications"]]
    assert sorted(shares) == pytest.approx(sorted(told), abs=1e-6)


def test_every_task_data_has_a_task_for_each_product_and_day(outcome):
    folders = sorted(outcome.folder.glob("controller/iso_*/TASKDATA"))
    assert len(folders) == 6
    for folder in folders:
        file, grids = isoxml_from_path(folder)
        assert file.version_major.value == folder.parent.name[5]
        assert len(file.tasks) == len(planned(outcome))
        assert len(grids) == (0 if folder.parent.name.endswith("zones") else len(file.tasks))


def test_what_the_files_say_of_themselves_is_in_summary_and_manifest(outcome):
    manifest = json.loads((outcome.folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["notes"] == outcome.summary["notes"]
    assert {"zones.csv", "controller/iso_v4_grid2/TASKDATA/TASKDATA.XML"} <= set(manifest["files"])


@pytest.mark.usefixtures("surfaces_anew")
def test_a_second_run_writes_the_same_bytes(outcome, tmp_path):
    again = plan_field(SAMPLE_FIELDS / "limed_rotation", out=tmp_path / "out", formats="all")

    hashes = [
        {path.relative_to(top).as_posix(): sha256_of(path) for path in top.rglob("*") if path.is_file()}
        for top in (outcome.folder, again.folder)
    ]

    assert hashes[0] == hashes[1]
    kinds = {Path(name).suffix.lower() for name in hashes[0]}
    assert {".gpkg", ".shp", ".tif", ".csv", ".xml", ".bin", ".json", ".png", ".txt"} <= kinds


def test_a_field_without_days_of_spreading_is_written_in_every_format(tmp_path, blank_pictures):
    del blank_pictures
    field = shutil.copytree(SAMPLE_FIELDS / "home_garden", tmp_path / "field", ignore=shutil.ignore_patterns("plan*"))
    toml = field / "field.toml"
    text = toml.read_text(encoding="utf-8")
    assert "apply_on = [2026-05-16]\n" in text
    spreader = "[spreader]\nswath_ft = 2\n"
    toml.write_text(text.replace("apply_on = [2026-05-16]\n", "") + spreader, encoding="utf-8")
    outcome = plan_field(field, formats="all")
    assert [product["date"] for product in outcome.summary["products"]] == [None] * len(planned(outcome))
    names = sorted(path.name for path in (outcome.folder / "rates").iterdir())
    assert len(names) == len(planned(outcome)) > 0
    assert all("undated" in name for name in names)
    assert sorted(path.name for path in (outcome.folder / "delivered").iterdir()) == names
