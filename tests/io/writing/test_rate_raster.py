"""Rates as GeoTIFF: written by rasterio, its cells read by Pillow (libtiff) as well."""

from dataclasses import replace

import numpy as np
import pytest
import rasterio
from shapely import box

from zonemap.errors import OutputError
from zonemap.io.geotiff import write_layers
from zonemap.io.rate_raster import difference_note, polygon_of_cells, rate_layers, rate_rasters, verify_rate_raster
from zonemap.units import KG_HA_PER_LB_AC, KG_PER_LB
from zonemap.values.grid import Grid

EAST, NORTH = 500_000.0, 4_650_000.0


def layers_of(prescription, grid):
    """Of the first application."""
    return rate_layers(prescription, prescription.applications[0], grid, polygon_of_cells(prescription, grid))


def grid_over(plan, cell_m=10.0):
    """Cells over the field of 600 x 400 m, with a frame of empty ones."""
    rows, columns = int(400 / cell_m) + 2, int(600 / cell_m) + 2
    area = np.zeros((rows, columns))
    area[1:-1, 1:-1] = cell_m**2
    return Grid(plan.prescription.crs, EAST - cell_m, NORTH + 400 + cell_m, cell_m, area)


def written(folder, plan, grid):
    (path, layers), *_ = rate_rasters("f", plan.prescription, grid).items()
    (folder / "rates").mkdir()
    write_layers(folder / path, layers, grid)
    return folder / path, layers


def test_one_raster_a_product_and_day_named_as_the_shapefiles_are(plan):
    names = list(rate_rasters("Alder Flat", plan.prescription, grid_over(plan)))
    assert names[0] == "rates/Alder_Flat_2026-05-20_potash.tif"
    assert len(names) == 2


def test_cells_hold_the_rate_at_their_centre_nothing_in_the_setback_and_no_data_outside(tmp_path, plan):
    grid = grid_over(plan)
    path, layers = written(tmp_path, plan, grid)
    verify_rate_raster(path, layers, plan.prescription, grid)

    with rasterio.open(path) as raster:
        places = [(105, 105), (405, 205), (195, 195), (-5, 5)]
        sampled = [float(v[0]) for v in raster.sample([(EAST + e, NORTH + n) for e, n in places])]
        assert np.isnan(raster.nodata)
        assert raster.units == layers.unit
        tags = raster.tags()
    factor = 1.0 if plan.prescription.units == "us" else KG_HA_PER_LB_AC
    assert sampled[:3] == pytest.approx([100 * factor, 205 * factor, 0.0], rel=1e-6)
    assert np.isnan(sampled[3])
    assert (tags["product"], tags["date"]) == ("potash", "2026-05-20")
    assert tags["unit"] == ("lb/ac" if plan.prescription.units == "us" else "kg/ha")


def test_a_product_without_a_day_has_no_tag_of_one(tmp_path, plan):
    potash, *rest = plan.prescription.applications
    undated = replace(plan, prescription=replace(plan.prescription, applications=(replace(potash, on=None), *rest)))
    grid = grid_over(undated)
    path, layers = written(tmp_path, undated, grid)
    verify_rate_raster(path, layers, undated.prescription, grid)
    with rasterio.open(path) as raster:
        assert "date" not in raster.tags()
        assert raster.tags()["product"] == "potash"


def test_cells_that_fit_the_outlines_add_up_to_the_plan(plan):
    layers = layers_of(plan.prescription, grid_over(plan))
    kg = KG_PER_LB if plan.prescription.units == "us" else 1.0
    planned = plan.prescription.total_kg(plan.prescription.applications[0])
    assert float(layers.tags["total_of_cells"]) * kg == pytest.approx(planned, rel=1e-7)
    assert difference_note("a.tif", layers) == ()


def test_a_total_that_coarse_cells_change_is_noted(plan):
    layers = layers_of(plan.prescription, grid_over(plan, cell_m=50.0))
    (note,) = difference_note("a.tif", layers)
    cells, planned = float(layers.tags["total_of_cells"]), float(layers.tags["total_planned"])
    assert abs(cells / planned - 1) > 0.001
    assert f"{cells / planned - 1:+.2%}" in note.text


def test_a_cell_whose_centre_is_outside_takes_the_nearest_rate(plan):
    # only the outer fifth of the cell is in the field: the field ends 2 m east of its west side
    grid = Grid(plan.prescription.crs, EAST + 598, NORTH + 200, 10.0, np.array([[20.0]]))
    layers = layers_of(plan.prescription, grid)
    factor = 1.0 if plan.prescription.units == "us" else KG_HA_PER_LB_AC
    assert layers.bands[0, 0, 0] == pytest.approx(205 * factor, rel=1e-6)


def test_a_centre_on_a_common_edge_takes_the_first_polygon(plan):
    halves = (box(EAST, NORTH, EAST + 15, NORTH + 10), box(EAST + 15, NORTH, EAST + 30, NORTH + 10))
    prescription = replace(plan.prescription, units="metric", polygon=halves, zone=np.array([1, 2]))
    grid = Grid(plan.prescription.crs, EAST, NORTH + 10, 10.0, np.full((1, 3), 100.0))
    rates = prescription.applications[0].rate_kg_ha
    layers = layers_of(prescription, grid)
    assert layers.bands[0, 0].tolist() == pytest.approx([rates[0], rates[0], rates[1]], rel=1e-6)


@pytest.mark.parametrize("fault", ["cell", "place", "unit", "cut"])
def test_a_raster_that_was_changed_is_refused(tmp_path, plan, fault):
    grid = grid_over(plan)
    path, layers = written(tmp_path, plan, grid)
    if fault == "cut":
        path.write_bytes(path.read_bytes()[:-200])
    else:
        with rasterio.open(path, "r+", driver="GTiff") as raster:
            if fault == "cell":
                band = raster.read(1)
                band[5, 5] += 1
                raster.write(band, 1)
            if fault == "place":
                raster.transform = raster.transform @ rasterio.Affine.translation(1, 0)
            if fault == "unit":
                raster.update_tags(unit="kg")
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_rate_raster(path, layers, plan.prescription, grid)
