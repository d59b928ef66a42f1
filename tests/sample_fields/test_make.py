import csv
import json
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
import rasterio
import shapely

FOLDER = Path(__file__).parents[2] / "sample_fields"
NAMES = ("home_garden", "irrigated_corn", "limed_rotation", "organic_tomatoes", "rolling_potatoes", "turf_greens")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    module = SimpleNamespace(**runpy.run_path(str(FOLDER / "make.py")))
    folder = tmp_path_factory.mktemp("made")
    return folder, module.write_all(folder), module


def rows(name):
    with (FOLDER / name / "samples.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def column(name, header):
    return np.array([float(row[header]) for row in rows(name)])


def outline(name):
    [feature] = json.loads((FOLDER / name / "boundary.geojson").read_text(encoding="utf-8"))["features"]
    return shapely.geometry.shape(feature["geometry"])


def area_ha(name):
    area_m2, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(outline(name))
    return abs(area_m2) / 1e4


def test_a_fresh_run_writes_the_files_that_are_here(made):
    folder, files, _ = made

    assert len(files) == 2 * len(NAMES) + 5
    for file in files:
        assert file.read_bytes() == (FOLDER / file.relative_to(folder)).read_bytes(), file.name


def test_every_folder_is_complete():
    assert tuple(sorted(path.name for path in FOLDER.iterdir() if (path / "field.toml").exists())) == NAMES
    for name in NAMES:
        assert {"README.md", "boundary.geojson", "field.toml", "samples.csv"} <= {
            p.name for p in (FOLDER / name).iterdir()
        }
        assert "Invented." in (FOLDER / name / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "size_ha", "parts", "holes", "samples"),
    [
        ("irrigated_corn", 60, 1, 1, 64),
        ("organic_tomatoes", 2, 1, 0, 14),
        ("rolling_potatoes", 41, 1, 0, 32),
        ("turf_greens", 0.84, 4, 0, 24),
        ("limed_rotation", 30, 1, 0, 38),
        ("home_garden", 0.025, 1, 0, 1),
    ],
)
def test_fields_have_the_size_and_shape_their_readme_says(name, size_ha, parts, holes, samples):
    polygons = shapely.get_parts(outline(name))

    assert shapely.is_valid(outline(name))
    assert area_ha(name) == pytest.approx(size_ha, rel=0.06)
    assert len(polygons) == parts
    assert sum(len(polygon.interiors) for polygon in polygons) == holes
    assert len(rows(name)) == samples


@pytest.mark.parametrize("name", NAMES)
def test_rings_turn_as_rfc_7946_asks(name):
    # RFC 7946 (Butler et al. 2016), section 3.1.6: exterior rings counterclockwise, interior rings clockwise.
    for polygon in shapely.get_parts(outline(name)):
        assert polygon.exterior.is_ccw
        assert not any(ring.is_ccw for ring in polygon.interiors)


@pytest.mark.parametrize(
    "name", ["irrigated_corn", "limed_rotation", "organic_tomatoes", "rolling_potatoes", "turf_greens"]
)
def test_samples_lie_inside_their_field(name):
    places = shapely.points(column(name, "lon"), column(name, "lat"))

    assert shapely.contains(outline(name), places).all()


def test_places_in_degrees_agree_with_geodesics(made):
    # Independent: geodesics of PROJ against the generator's radii of curvature.
    _, _, module = made
    origin = module.Origin(-98.4370, 40.6130)

    [[longitude, latitude]] = origin.degrees(np.array([[900.0, 700.0]]))

    geod = pyproj.Geod(ellps="WGS84")
    assert geod.inv(-98.4370, 40.6130, longitude, latitude)[2] == pytest.approx(np.hypot(900, 700), abs=0.2)


def test_the_random_surface_has_the_covariance_it_states(made):
    # exp(-h / 100) at 0, 50, 100 and 200 m: 1, 0.607, 0.368, 0.135, over 4,000 surfaces.
    _, _, module = made
    rng = np.random.default_rng(7)
    line = np.array([[0.0, 0.0], [50, 0], [0, 100], [120, 160]])

    values = np.array([module.random_surface(rng, scale_m=100)(line) for _ in range(4000)])

    covariance = (values * values[:, :1]).mean(axis=0)
    # Standard error of a mean of 4,000 products of unit normals: at most sqrt(2 / 4000) = 0.022; four of them.
    np.testing.assert_allclose(covariance, np.exp([-0.0, -0.5, -1.0, -2.0]), atol=0.09)


def test_the_tomatoes_have_a_strong_gradient_in_nitrogen_and_none_in_calcium():
    latitude = column("organic_tomatoes", "lat")

    assert np.corrcoef(latitude, np.log(column("organic_tomatoes", "no3_n")))[0, 1] < -0.9
    assert abs(np.corrcoef(latitude, np.log(column("organic_tomatoes", "ca")))[0, 1]) < 0.7


def test_the_greens_supply_less_than_half_of_what_the_fairway_does():
    fairway = np.array([row["sample"].startswith("F") for row in rows("turf_greens")])

    for header in ("n_kg_ha_day", "k_kg_ha_day", "ca_kg_ha_day"):
        value = column("turf_greens", header)
        assert value[~fairway].max() < value[fairway].min()
        assert np.median(value[~fairway]) < 0.5 * np.median(value[fairway])


def test_metres_are_the_inverse_of_degrees(made):
    _, _, module = made
    origin, place = module.Origin(-112.1520, 43.5610), np.array([[900.0, 700.0], [-30, 4], [0, 0]])

    np.testing.assert_allclose(origin.metres(origin.degrees(place)), place, atol=1e-6)


def test_the_hand_written_geotiff_is_one_to_another_library(made):
    # Peer: GDAL through rasterio reads size, place, CRS and values that the generator meant.
    _, _, module = made
    value = np.arange(12.0).reshape(3, 4) / 8

    content = module.geotiff(value, west=-112.5, north=43.5, degrees=0.25)

    with rasterio.MemoryFile(content) as memory, memory.open(driver="GTiff") as raster:
        np.testing.assert_array_equal(raster.read(1), value)
        assert raster.crs.to_epsg() == 4326
        assert raster.tags()["AREA_OR_POINT"] == "Area"
        assert tuple(raster.bounds) == (-112.5, 42.75, -111.5, 43.5)


def test_elevations_reach_beyond_the_potatoes_on_all_sides():
    with rasterio.open(FOLDER / "rolling_potatoes" / "elevation.tif", driver="GTiff") as raster:
        value, box = raster.read(1), raster.bounds

    west, south, east, north = outline("rolling_potatoes").bounds
    # 100 m are 0.0009 degrees of latitude and 0.0012 of longitude at 43.5 degrees
    assert box.left < west - 0.0012
    assert box.right > east + 0.0012
    assert box.bottom < south - 0.0009
    assert box.top > north + 0.0009
    assert 1_430 < value.min() < value.max() < 1_490


def test_the_potatoes_follow_elevation_and_conductivity_as_the_readme_says():
    places = np.column_stack([column("rolling_potatoes", "lon"), column("rolling_potatoes", "lat")])
    with rasterio.open(FOLDER / "rolling_potatoes" / "elevation.tif", driver="GTiff") as raster:
        height = np.array(list(raster.sample(places)))[:, 0]
    with (FOLDER / "rolling_potatoes" / "conductivity.csv").open(encoding="utf-8", newline="") as file:
        log = np.array([[float(row[key]) for key in ("lon", "lat", "ec_shallow")] for row in csv.DictReader(file)])
    scale = [np.cos(np.radians(43.56)), 1.0]
    away = np.hypot(*np.moveaxis((places[:, None] - log[None, :, :2]) * scale, 2, 0))
    conductivity = log[np.argsort(away, axis=1)[:, :8], 2].mean(axis=1)
    logarithm = {h: np.log(column("rolling_potatoes", f"{h}_kg_ha_day")) for h in "npks"}

    assert len(log) == 3034
    # Of the variance of log N 0.26^2 is height, 0.10^2 rest and 0.15^2 error: a correlation of 0.82.
    assert np.corrcoef(height, logarithm["n"])[0, 1] == pytest.approx(-0.82, abs=0.15)
    assert np.corrcoef(height, logarithm["p"])[0, 1] == pytest.approx(-0.77, abs=0.15)
    assert np.corrcoef(np.log(conductivity), logarithm["k"])[0, 1] == pytest.approx(0.84, abs=0.15)
    # 32 independent pairs correlate by chance within 0.35 in 19 of 20 cases
    assert abs(np.corrcoef(height, logarithm["s"])[0, 1]) < 0.45


def test_the_demand_of_the_potatoes_adds_up_to_what_the_readme_says():
    with (FOLDER / "rolling_potatoes" / "demand.csv").open(encoding="utf-8", newline="") as file:
        days = list(csv.DictReader(file))

    assert [int(day["day"]) for day in days] == list(range(120))
    for element, total in {"N": 215, "P": 28, "K": 270, "S": 18}.items():
        assert sum(float(day[element]) for day in days) == pytest.approx(total, abs=120 * 0.00005)


def test_the_spread_log_of_the_potatoes_is_small_and_driven_as_the_readme_says():
    path = FOLDER / "rolling_potatoes" / "potash_spread.csv"
    with path.open(encoding="utf-8", newline="") as file:
        log = list(csv.DictReader(file))
    lon, lat, rate = (np.array([float(row[key]) for row in log]) for key in ("lon", "lat", "rate_kg_ha"))
    # metres by the lengths of a degree at 43.56 degrees
    east, north = (lon + 112.1520) * 111_320 * np.cos(np.radians(43.56)), (lat - 43.5610) * 111_100

    assert path.stat().st_size < 100_000
    assert len(log) == 2252
    # 33 passes 24 m apart, number 21 driven again up to 310 m, number 11 only up to 290 m
    number = np.round((east - east.min()) / 24).astype(int)
    assert number.max() == 32
    assert north[number == 11].max() < 292 < north[number == 10].max()
    assert np.count_nonzero(number == 21) == pytest.approx(np.count_nonzero(number == 20) * (1 + 310 / 570), rel=0.05)
    # shut over well and ditch but for the time the rate takes to follow; noise of 2.5 % elsewhere
    well = np.hypot(east - (-112.1462 + 112.1520) * 111_320 * np.cos(np.radians(43.56)), north - 0.0030 * 111_100)
    assert rate[well < 30].max() < 20
    assert np.median(rate[rate > 180]) == pytest.approx(1.01 * 215, rel=0.01)
