"""What the simulated spreader lays down as GeoTIFF, its totals and shares worked out again from the file."""

from dataclasses import replace

import numpy as np
import pytest
import rasterio

from zonemap.errors import OutputError
from zonemap.io.delivered_raster import delivered_rasters, verify_delivered_raster
from zonemap.io.geotiff import write_layers
from zonemap.units import KG_HA_PER_LB_AC, M2_PER_AC
from zonemap.values.delivery import Delivery
from zonemap.values.grid import Grid


@pytest.fixture
def grid(plan):
    """Cells of 20 m over the field of 600 x 400 m."""
    return Grid(plan.prescription.crs, 500_000.0, 4_650_400.0, 20.0, np.full((20, 30), 400.0))


@pytest.fixture
def deliveries(plan, grid):
    """100 kg/ha meant but in a closed column; on its way east the rate goes from 80 to 120 kg/ha."""
    column = np.tile(np.arange(30), 20)
    meant = np.where(column == 12, 0.0, 100.0)
    falls = np.where(column == 12, 5.0, 80.0 + 40.0 * column / 29)
    area = np.full(grid.cells, 0.04)
    closed = np.where(column == 12, area, 0.0)
    return tuple(
        Delivery(application, 15.0, 24.0, 12, 1, meant, falls, area - closed, closed, 300.0)
        for application in plan.prescription.applications
    )


def written(folder, plan, deliveries, grid):
    (path, layers), *_ = delivered_rasters("north", plan.prescription, deliveries, grid).items()
    (folder / "delivered").mkdir()
    write_layers(folder / path, layers, grid)
    return folder / path, layers


def test_rates_errors_totals_and_shares_are_those_of_the_simulation(tmp_path, plan, grid, deliveries):
    path, layers = written(tmp_path, plan, deliveries, grid)
    verify_delivered_raster(path, layers, plan.prescription, grid)
    us = plan.prescription.units == "us"
    per_rate, per_area = (KG_HA_PER_LB_AC, M2_PER_AC) if us else (1.0, 1e4)

    with rasterio.open(path) as raster:
        rate, off = raster.read().astype(np.float64)
        assert raster.descriptions == ("delivered", "off by")
        assert raster.units == ("lb/ac" if us else "kg/ha", "%")
        tags = raster.tags()
    assert rate[0, [0, 12, 29]] == pytest.approx(np.array([80.0, 5.0, 120.0]) / per_rate, rel=1e-6)
    assert off[0, [0, 29]] == pytest.approx([-20.0, 20.0], rel=1e-5)
    assert np.isnan(off).sum() == 20
    assert float(tags["total_delivered"]) == pytest.approx(rate.sum() * 400 / per_area, rel=1e-6)
    # by hand: columns 8 to 21 are off by at most a tenth (80 + 40 x 8 / 29 = 91.0), less the closed one, of 29
    assert float(tags["share_within_10_percent"]) == pytest.approx(13 / 29, abs=1e-6)
    assert np.mean(np.abs(off[~np.isnan(off)]) <= 10) == pytest.approx(13 / 29)


def test_without_a_simulation_there_is_no_raster(plan, grid):
    assert delivered_rasters("north", plan.prescription, (), grid) == {}


def test_a_raster_whose_cells_do_not_add_up_is_not_published(tmp_path, plan, grid, deliveries):
    path, layers = written(tmp_path, plan, deliveries, grid)
    wrong = replace(layers, tags={**layers.tags, "total_delivered": "1.000000"})
    write_layers(path, wrong, grid)
    with pytest.raises(OutputError, match=r"does not hold the total 1\.000"):
        verify_delivered_raster(path, wrong, plan.prescription, grid)


def test_a_raster_with_another_cell_is_not_published(tmp_path, plan, grid, deliveries):
    path, layers = written(tmp_path, plan, deliveries, grid)
    bands = layers.bands.copy()
    bands[0, 3, 3] += 1
    write_layers(path, replace(layers, bands=bands), grid)
    with pytest.raises(OutputError, match="the values of every cell"):
        verify_delivered_raster(path, layers, plan.prescription, grid)
