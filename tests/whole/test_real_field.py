"""A real field, from points to a lime prescription, through the user's own rate table.

Open data: BB.250 of LimeSoDa (precision liming soil datasets; CC BY-SA 4.0), 250 points in EPSG:25833 with pH. The rate
table is an invented example, not a recommendation.
"""

import json

import fiona
import numpy as np
import pandas as pd
import pytest
import shapely
from LimeSoDa import load_dataset
from shapely.geometry import mapping

from zonemap.cli import main

POINTS = [[5.0, 4000.0], [6.0, 1500.0], [6.8, 0.0]]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lime")
    dataset = load_dataset("BB.250")
    points = dataset["Coordinates"].to_numpy()
    ph = dataset["Dataset"]["pH_target"].to_numpy()
    table = pd.DataFrame({"id": range(1, 251), "x": points[:, 0], "y": points[:, 1], "ph": ph})
    table.to_csv(folder / "samples.csv", index=False)
    hull = shapely.concave_hull(shapely.MultiPoint(points), ratio=0.3).buffer(20)
    schema = {"geometry": "Polygon", "properties": {}}
    with fiona.open(folder / "boundary.gpkg", "w", driver="GPKG", crs="EPSG:25833", schema=schema) as layer:
        layer.write({"geometry": mapping(hull), "properties": {}})
    (folder / "field.toml").write_text(
        f"""
[field]
name = "Real field"
boundary = "boundary.gpkg"
working_crs = "EPSG:25833"
units = "metric"
[samples]
file = "samples.csv"
basis = "extract"
extractant = "CaCl2"
unit = "pH"
repeatability_cv = 0.02
crs = "EPSG:25833"
columns = {{ id = "id", easting = "x", northing = "y", pH = "ph" }}
[[rate_table]]
value = "pH"
product = "lime"
points = {json.dumps(POINTS)}
[spreader]
step = 50
min_rate = 200
max_rate = 5000
""",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="module")
def summary(folder):
    from click.testing import CliRunner

    done = CliRunner().invoke(main, ["plan", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_the_real_field_becomes_a_lime_prescription(summary, folder):
    assert summary["nutrients"]["pH"]["samples"] == 250
    assert summary["nutrients"]["pH"]["structure"] == "found"
    assert summary["nutrients"]["pH"]["unit"] == "pH"
    assert len(summary["zones"]) >= 2
    (lime,) = summary["products"]
    with fiona.open(folder / "plan" / "prescription.gpkg", layer="prescription") as layer:
        total = sum(f["properties"]["rate"] * f["properties"]["area"] for f in layer)
    assert total == pytest.approx(lime["total_kg"], rel=1e-6)


def test_rates_follow_the_users_table(summary):
    # A zone's rate is a cautious quantile: never a step below the table at its mean pH, never above its top.
    value, rate = np.array(POINTS).T
    for zone in summary["zones"]:
        prescribed = zone["rate"]["lime"]["undated"]
        assert prescribed <= 4000
        assert prescribed >= np.interp(zone["measured"]["pH"], value, rate) - 50


def test_cross_validation_beats_the_mean_on_the_real_field(summary):
    dataset = load_dataset("BB.250")
    spread = float(dataset["Dataset"]["pH_target"].std(ddof=1))
    assert summary["nutrients"]["pH"]["rmse"] < 0.95 * spread
    assert 0.8 <= summary["nutrients"]["pH"]["msdr"] <= 1.25
    assert 0.85 <= summary["nutrients"]["pH"]["coverage_90"] <= 0.95
