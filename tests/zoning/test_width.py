"""Zones a machine can follow, against plain openings and hand-drawn rasters."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import binary_opening, gaussian_filter

from zonemap.values.grid import Grid
from zonemap.values.zones import Features, Zones
from zonemap.zoning.width import narrow_cells, widen


def field(raster):
    raster = np.asarray(raster)
    return Zones(raster[raster > 0]), Grid("EPSG:32614", 0.0, 0.0, 10.0, np.where(raster > 0, 100.0, 0.0))


def widened(raster, *, across_m, along_m, heading_deg=0.0):
    zones, grid = field(raster)
    return grid.raster(
        widen(zones, grid, alike(zones), across_m=across_m, along_m=along_m, heading_deg=heading_deg).number, outside=0
    )


def alike(zones):
    """Features that are the zones' own numbers."""
    return Features(("K",), zones.number[:, None].astype(float))


def test_a_strip_narrower_than_the_swath_goes_to_its_neighbours():
    raster = np.ones((9, 12), dtype=int)
    raster[:, 5:7] = 2  # 20 m wide from north to south
    assert np.unique(widened(raster, across_m=30.0, along_m=10.0)).tolist() == [1]
    assert np.array_equal(widened(raster, across_m=20.0, along_m=10.0), raster)


def test_the_heading_says_which_way_is_across():
    raster = np.ones((9, 12), dtype=int)
    raster[:, 5:7] = 2
    # driven from west to east the strip is 20 m long for the controller, and 90 m wide for the swath
    assert np.array_equal(widened(raster, across_m=30.0, along_m=20.0, heading_deg=90.0), raster)
    assert np.unique(widened(raster, across_m=30.0, along_m=30.0, heading_deg=90.0)).tolist() == [1]


def test_what_the_field_s_edge_cuts_off_is_not_narrow():
    raster = np.ones((8, 8), dtype=int)
    raster[:, 0] = 2  # one cell along the boundary, but the machine may be half outside
    assert np.array_equal(widened(raster, across_m=40.0, along_m=40.0), raster)


def test_a_corner_too_thin_is_rounded_off():
    raster = np.ones((20, 20), dtype=int)
    raster[5:15, 5:15] = 2
    raster[9, 15:18] = 2  # a whisker
    expected = raster.copy()
    expected[9, 15:18] = 1
    assert np.array_equal(widened(raster, across_m=30.0, along_m=30.0), expected)


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 5),
    st.integers(1, 5),
    st.sampled_from([0.0, 90.0, 180.0, 270.0]),
)
def test_narrow_cells_are_those_outside_a_plain_opening(seed, across, along, heading):
    # scipy.ndimage.binary_opening with the rectangle itself, the field's outside counted as anybody's
    rng = np.random.default_rng(seed)
    raster = np.kron(rng.integers(1, 4, (6, 6)), np.ones((3, 3), dtype=int))
    raster[rng.uniform(size=raster.shape) < 0.1] = 0
    numbers = np.unique(raster[raster > 0])
    raster = np.where(raster > 0, np.searchsorted(numbers, raster) + 1, 0)
    zones, grid = field(raster)
    rows, columns = (along, across) if heading % 180 == 0 else (across, along)

    found = narrow_cells(zones, grid, across_m=10.0 * across, along_m=10.0 * along, heading_deg=heading)

    padded = np.pad(raster, 12)
    covered = np.zeros(padded.shape, dtype=bool)
    for number in np.unique(raster[raster > 0]):
        opened = binary_opening((padded == number) | (padded == 0), np.ones((rows, columns), dtype=bool))
        covered |= (padded == number) & opened
    inside = covered[12:-12, 12:-12][grid.inside]
    assert found.tolist() == np.flatnonzero(~inside).tolist()


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.floats(0, 359), st.floats(0, 80), st.floats(0, 80))
def test_after_widening_every_cell_has_a_zone_and_no_more_are_narrow(seed, heading, across_m, along_m):
    rng = np.random.default_rng(seed)
    raster = np.kron(rng.integers(1, 5, (5, 5)), np.ones((6, 6), dtype=int))
    raster[rng.uniform(size=raster.shape) < 0.1] = 1
    numbers = np.unique(raster)
    raster = np.searchsorted(numbers, raster) + 1
    zones, grid = field(raster)

    wide = widen(zones, grid, alike(zones), across_m=across_m, along_m=along_m, heading_deg=heading)

    assert wide.number.size == zones.number.size
    before = narrow_cells(zones, grid, across_m=across_m, along_m=along_m, heading_deg=heading).size
    after = narrow_cells(wide, grid, across_m=across_m, along_m=along_m, heading_deg=heading).size
    assert after <= before


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("heading", [0.0, 30.0, 135.0])
def test_zones_of_smooth_fields_become_wide_enough_nearly_everywhere(seed, heading):
    # levels of smoothed noise, 25 m across and 20 m along at 5 m cells: what zones of surfaces look like
    rng = np.random.default_rng(seed)
    height = gaussian_filter(rng.standard_normal((80, 100)), 8) + 0.002 * rng.standard_normal((80, 100))
    raster = 1 + np.searchsorted(np.quantile(height, [0.3, 0.6, 0.8]), height)
    zones, grid = Zones(raster.ravel()), Grid("EPSG:32614", 0.0, 0.0, 5.0, np.full((80, 100), 25.0))
    machine = {"across_m": 25.0, "along_m": 20.0, "heading_deg": heading}

    wide = widen(zones, grid, Features(("K",), height.reshape(-1, 1)), **machine)

    assert narrow_cells(zones, grid, **machine).size > 100
    assert narrow_cells(wide, grid, **machine).size < 0.0125 * zones.number.size
    assert np.mean(wide.number != zones.number) < 0.25


@pytest.mark.parametrize("metres", [0.0, 10.0])
def test_a_machine_no_wider_than_a_cell_changes_nothing(metres):
    raster = np.random.default_rng(0).integers(1, 4, (10, 10))
    assert np.array_equal(widened(raster, across_m=metres, along_m=metres), raster)


def test_narrow_cells_go_to_the_zone_they_are_most_like():
    raster = np.ones((9, 12), dtype=int)
    raster[:, 5:7] = 2
    raster[:, 7:] = 3
    zones, grid = field(raster)
    for value, taken in ((1.2, 1), (2.8, 3)):
        features = Features(("K",), np.where(zones.number == 2, value, zones.number.astype(float))[:, None])
        wide = widen(zones, grid, features, across_m=30.0, along_m=10.0, heading_deg=0.0)
        mine = np.unique(wide.number[zones.number == 2])
        # zones close up: the third is now the second
        assert mine.tolist() == [1 if taken == 1 else 2]
