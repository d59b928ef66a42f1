import hashlib
from pathlib import Path

import numpy as np
import pytest
import rasterio
from scipy.stats import norm

from zonemap.errors import OutputError
from zonemap.io.geotiff import TILE, overview_factors, surface_layers, surface_names, write_layers, zone_layers
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Memberships, ZoneChoice, Zones


@pytest.fixture
def wide_grid() -> Grid:
    area = np.full((300, 700), 25.0)
    area[:40, :] = 0.0
    return Grid("EPSG:32614", 500_000.0, 4_650_000.0, 5.0, area)


def normal_surface(grid: Grid, *, mean: float = 2.0, deviation: float = 0.5) -> Surface:
    said = Distribution.normal(np.full(grid.cells, mean), np.full(grid.cells, deviation))
    return Surface("K", "kg/ha/day", Transform("none"), said, Evidence(9, "found", 0.01, None, None, None))


def write_surface(path: Path, surface: Surface, grid: Grid, *, probability: float) -> None:
    write_layers(path, surface_layers(surface, grid, probability=probability), grid)


def test_bands_hold_mean_deviation_and_quantile_and_nothing_outside_the_field(tmp_path: Path, wide_grid: Grid) -> None:
    write_surface(tmp_path / "K.tif", normal_surface(wide_grid), wide_grid, probability=0.25)
    with rasterio.open(tmp_path / "K.tif") as raster:
        bands = raster.read()
    assert np.isnan(bands[:, :40]).all()
    # Quantile of a normal distribution by scipy.stats: mean + deviation x normal quantile.
    expected = np.array([2.0, 0.5, norm.ppf(0.25, 2.0, 0.5)])
    np.testing.assert_allclose(bands[:, 40:], np.broadcast_to(expected[:, None, None], (3, 260, 700)), rtol=1e-6)


def test_the_file_says_where_it_is_and_what_it_holds(tmp_path: Path, wide_grid: Grid) -> None:
    write_surface(tmp_path / "K.tif", normal_surface(wide_grid), wide_grid, probability=0.25)
    with rasterio.open(tmp_path / "K.tif") as raster:
        assert raster.crs.to_epsg() == 32614
        assert raster.bounds == (500_000.0, 4_648_500.0, 503_500.0, 4_650_000.0)
        assert raster.dtypes == ("float32",) * 3
        assert np.isnan(raster.nodata)
        assert raster.descriptions == ("mean", "standard deviation", "quantile 0.25")
        assert raster.units == ("kg/ha/day",) * 3
        assert raster.profile["tiled"]
        assert raster.compression.value == "DEFLATE"
        tags = raster.tags()
    assert {key: tags[key] for key in ("quantity", "unit", "transform", "probability")} == {
        "quantity": "K",
        "unit": "kg/ha/day",
        "transform": "none",
        "probability": "0.25",
    }


def test_row_zero_is_north_and_column_zero_is_west(tmp_path: Path) -> None:
    grid = Grid("EPSG:32614", 500_000.0, 4_650_000.0, 10.0, np.full((2, 3), 100.0))
    surface = Surface(
        "K", "ppm", Transform("none"), Distribution.normal(np.arange(6.0), np.ones(6)), normal_surface(grid).evidence
    )
    write_surface(tmp_path / "K.tif", surface, grid, probability=0.5)
    easting, northing = grid.centres()
    with rasterio.open(tmp_path / "K.tif") as raster:
        sampled = [float(value[0]) for value in raster.sample(zip(easting, northing, strict=True), indexes=1)]
    assert sampled == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def test_overviews_thin_the_picture_to_one_tile(tmp_path: Path, wide_grid: Grid) -> None:
    write_surface(tmp_path / "K.tif", normal_surface(wide_grid), wide_grid, probability=0.25)
    with rasterio.open(tmp_path / "K.tif") as raster:
        factors = raster.overviews(1)
    assert factors == overview_factors(wide_grid) == [2, 4]
    assert max(wide_grid.shape) / factors[-1] <= TILE


def test_the_same_surface_gives_the_same_bytes(tmp_path: Path, wide_grid: Grid) -> None:
    hashes = set()
    for name in ("one.tif", "two.tif"):
        write_surface(tmp_path / name, normal_surface(wide_grid), wide_grid, probability=0.25)
        hashes.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(hashes) == 1


def test_quantities_that_differ_in_case_only_get_different_files() -> None:
    names = surface_names(["K", "k", "P"])
    assert names["K"] == "K.tif"
    assert len({name.casefold() for name in names.values()}) == 3


def test_a_missing_folder_is_an_output_error(tmp_path: Path, wide_grid: Grid) -> None:
    with pytest.raises(OutputError, match="Check free space and permission"):
        write_surface(tmp_path / "nowhere" / "K.tif", normal_surface(wide_grid), wide_grid, probability=0.25)


def test_zones_are_written_with_their_certainty_and_grades(tmp_path: Path) -> None:
    grid = Grid("EPSG:32614", 500_000.0, 4_650_000.0, 10.0, np.full((2, 2), 100.0))
    grades = np.array([[0.9, 0.1], [0.6, 0.4], [0.2, 0.8], [0.0, 1.0]])
    choice = ZoneChoice(
        Zones([1, 1, 2, 2]), {1: 3.0, 2: 1.0}, memberships=Memberships(grades), certainty=[0.9, 0.5, 0.7, 1.0]
    )
    write_layers(tmp_path / "zones.tif", zone_layers(choice, grid), grid)
    with rasterio.open(tmp_path / "zones.tif") as raster:
        assert raster.descriptions == ("zone", "certainty", "grade in group 1", "grade in group 2")
        bands = raster.read().reshape(4, 4)
    np.testing.assert_allclose(bands, [[1, 1, 2, 2], [0.9, 0.5, 0.7, 1.0], *grades.T], rtol=1e-6)


def test_overviews_of_zones_hold_zones_only(tmp_path: Path, wide_grid: Grid) -> None:
    number = 1 + (np.arange(wide_grid.cells) % 2) * 2
    choice = ZoneChoice(Zones(np.where(number == 3, 2, 1)), {1: 3.0, 2: 1.0})
    write_layers(tmp_path / "zones.tif", zone_layers(choice, wide_grid), wide_grid)
    with rasterio.open(tmp_path / "zones.tif", overview_level=1) as raster:
        assert set(np.unique(raster.read(1)[~np.isnan(raster.read(1))])) <= {1.0, 2.0}
