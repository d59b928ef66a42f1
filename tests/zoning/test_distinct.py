"""Whether zones are real, by the published test and by Monte Carlo."""

import math

import numpy as np
import pytest

from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Features, Zones
from zonemap.zoning.distinct import alike, share_that_stays, touching

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)


def grid_of(shape):
    return Grid("EPSG:32614", 0.0, 0.0, 10.0, np.full(shape, 100.0))


def surface(mean, deviation):
    level = Distribution.normal(np.asarray(mean, dtype=float), np.full(len(mean), deviation))
    return Surface("K", "kg/ha/day", Transform("none"), level, EVIDENCE)


def test_zones_touch_by_their_sides_only():
    raster = np.array([[1, 1, 2], [1, 3, 2], [4, 3, 3]])
    zones = Zones(raster.ravel())
    assert touching(zones, grid_of((3, 3))) == ((1, 2), (1, 3), (1, 4), (2, 3), (3, 4))


@pytest.mark.parametrize(("deviation", "pairs"), [(0.99, ()), (1.01, ((1, 2),))])
def test_means_are_to_be_1_96_times_the_root_of_twice_the_variance_apart(deviation, pairs):
    # Whelan & McBratney 2003: |m1 - m2| >= 1.96 sqrt(2 v); here the means are 1.96 sqrt(2) apart.
    zones = Zones(np.repeat([1, 2], 8))
    mean = np.repeat([0.0, 1.96 * math.sqrt(2)], 8)
    assert alike(zones, grid_of((2, 8)), {"K": surface(mean, deviation)}, {}) == pairs


def test_zones_whose_means_are_known_well_are_told_apart_though_single_cells_are_not():
    zones = Zones(np.repeat([1, 2], 8))
    surfaces = {"K": surface(np.repeat([0.0, 1.0], 8), 2.0)}
    assert alike(zones, grid_of((2, 8)), surfaces, {}) == ((1, 2),)
    assert alike(zones, grid_of((2, 8)), surfaces, {"K": lambda *_: 0.25}) == ()
    assert alike(zones, grid_of((2, 8)), surfaces, {"K": lambda *_: 0.27}) == ((1, 2),)


def test_the_share_that_stays_is_the_probability_of_the_nearer_zone():
    # Two zones at 0 and 4: a cell at 1 with deviation 1 stays where it is below 2, with probability Phi(1) = 0.8413.
    mean = np.array([0.0, 0.0, 4.0, 4.0, 1.0, -1.0])
    zones = Zones([1, 1, 2, 2, 1, 1])
    found = share_that_stays(
        zones, [surface(mean, 1.0)], Features(("K",), 3 * mean[:, None]), np.ones(6), draws=4096, seed=1
    )
    assert found[4] == pytest.approx(0.8413, abs=0.02)
    assert found[5] == pytest.approx(0.9987, abs=0.005)
    assert found[2] == pytest.approx(0.9772, abs=0.01)
