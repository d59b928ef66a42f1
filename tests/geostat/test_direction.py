"""Patterns that reach farther in one direction: found where they are, and hardly where they are not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from zonemap.geostat import direction
from zonemap.geostat.covariance import axes_of, in_axes, site_covariance
from zonemap.geostat.direction import with_direction
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.kriging import ordinary_block_kriging, ordinary_point_kriging
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.variogram import Variogram

PLAIN = Variogram("exponential", 120.0, 0.15, 0.85)


@pytest.fixture(autouse=True)
def one_thread():
    # threads of the linear algebra library wait for one another on a busy machine, as the module of threads says
    with one_linear_algebra_thread():
        yield


def drawn(model, *, count, seed):
    rng = np.random.default_rng(seed)
    sites = rng.uniform(0, 600, (count, 2))
    return sites, np.linalg.cholesky(site_covariance(sites, model)) @ rng.standard_normal(count)


def test_the_threshold_is_the_stated_quantile():
    assert pytest.approx(chi2.isf(1e-5, 2)) == direction._EARNED


@pytest.mark.parametrize(("azimuth_deg", "along"), [(0.0, [0.0, 1.0]), (90.0, [1.0, 0.0]), (45.0, [0.5**0.5] * 2)])
def test_azimuths_turn_clockwise_from_north_and_across_them_distances_grow(azimuth_deg, along):
    model = Variogram("exponential", 100.0, 0.0, 1.0, ratio=0.5, azimuth_deg=azimuth_deg)
    along = np.array(along)
    across = np.array([along[1], -along[0]])

    np.testing.assert_allclose(np.linalg.norm(axes_of(model) @ along), 1.0)
    np.testing.assert_allclose(np.linalg.norm(axes_of(model) @ across), 2.0)
    # what is 100 m along is as alike as what is 50 m across
    near = site_covariance(np.array([[0.0, 0.0], 100 * along, 50 * across]), model)
    assert near[0, 1] == pytest.approx(near[0, 2]) == pytest.approx(np.exp(-1))


def test_a_strong_direction_is_found_in_many_samples():
    truth = Variogram("exponential", 300.0, 0.1, 0.9, ratio=0.2, azimuth_deg=60.0)
    found = [
        with_direction(*drawn(truth, count=150, seed=seed), PLAIN, relative_nugget=np.ones(150)) for seed in range(8)
    ]

    found = [model for model in found if model is not None]
    assert len(found) >= 5
    assert np.median([model.azimuth_deg for model in found]) == pytest.approx(60.0, abs=10.0)
    assert all(0.2 <= model.ratio < 0.7 for model in found)


def test_without_a_direction_none_is_found():
    truth = Variogram("exponential", 120.0, 0.15, 0.85)

    found = [
        with_direction(*drawn(truth, count=40, seed=seed), PLAIN, relative_nugget=np.ones(40)) for seed in range(20)
    ]

    assert found == [None] * 20


def test_a_field_turned_by_a_right_angle_turns_its_map(measure, square_grid, monkeypatch):
    monkeypatch.setattr(direction, "_EARNED", -np.inf)
    truth = Variogram("exponential", 300.0, 0.05, 0.95, ratio=0.25, azimuth_deg=20.0)
    sites, g = drawn(truth, count=60, seed=1)
    turned = np.column_stack([600 - sites[:, 1], sites[:, 0]])  # counterclockwise
    grid = square_grid(600.0, 12)

    for method in (integrated_block_kriging, ordinary_block_kriging, ordinary_point_kriging):
        one, other = (method((measure(places, 10 + g),), grid, transform="none")[0] for places in (sites, turned))
        assert one.evidence.variogram.ratio < 0.7
        apart = (one.evidence.variogram.azimuth_deg - other.evidence.variogram.azimuth_deg) % 180.0
        assert apart == pytest.approx(90.0, abs=1.0)
        # rows run from the north: a quarter turn of the raster is a quarter turn of the field
        np.testing.assert_allclose(np.rot90(one.mean().reshape(12, 12)), other.mean().reshape(12, 12), rtol=0.02)


def test_coordinates_without_a_direction_stay_as_they_are():
    places = np.array([[1.0, 2.0]])

    assert in_axes(places, PLAIN) is places
