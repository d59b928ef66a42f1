import csv
import json
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
import shapely

FOLDER = Path(__file__).parents[2] / "sample_fields"
NAMES = ("home_garden", "irrigated_corn", "organic_tomatoes", "turf_greens")


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

    assert len(files) == 2 * len(NAMES)
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
        ("turf_greens", 0.84, 4, 0, 24),
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


@pytest.mark.parametrize("name", ["irrigated_corn", "organic_tomatoes", "turf_greens"])
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
