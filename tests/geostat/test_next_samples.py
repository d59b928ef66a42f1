"""What a sample more takes off the variances, against kriging with that sample added, here and elsewhere."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.geostat.covariance import CORRELATIONS
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.kriging import ordinary_block_kriging, pykrige_points
from zonemap.geostat.next_samples import outlook
from zonemap.values.variogram import Variogram, WeighedVariogram

#: the one that the reference program is given too
NEW = np.array([[210.5, 333.25]])
RANGES = {"spherical": 260.0, "exponential": 120.0, "matern_3_2": 60.0, "matern_5_2": 50.0}


def one(variogram, **more):
    return (WeighedVariogram(1.0, variogram, **more),)


def test_the_variance_with_a_sample_more_is_that_of_the_reference_program(reference, peer_sites, peer_targets, measure):
    # gstat (Pebesma 2004): blocks of 30 m, a direction; the value of the new sample does not count
    model = Variogram("exponential", 120.0, 0.4, 1.3, ratio=0.4, azimuth_deg=30.0)

    before = outlook(measure(*peer_sites), one(model), peer_targets, NEW, side_m=30.0, block_points=4)
    after = before.with_sample(0)

    was, then = (np.loadtxt(reference / name)[:, 1] for name in ("turned.txt", "one_more.txt"))
    np.testing.assert_allclose((before.variance - after.variance)[0], was - then, rtol=1e-8, atol=1e-12)
    # a cell's own variance is summed over 8 x 8 points here, 4 x 4 there
    np.testing.assert_allclose(after.variance[0], then, rtol=0.03)


@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_variance_with_a_sample_more_is_that_of_another_library(family, peer_sites, peer_targets, measure):
    # PyKrige, point support: its variance holds the nugget of a new reading
    model = Variogram(family, RANGES[family], 0.4, 1.3)
    sites, value = peer_sites

    after = outlook(measure(sites, value), one(model), peer_targets, NEW, side_m=0.0).with_sample(0)

    _, expected = pykrige_points(np.vstack([sites, NEW]), np.append(value, 0.0), model, peer_targets)
    np.testing.assert_allclose(after.variance[0], expected, rtol=1e-7)


@given(st.integers(0, 2**32 - 1))
def test_samples_added_one_by_one_give_what_all_at_once_give(measure, seed):
    rng = np.random.default_rng(seed)
    sites, cells, places = rng.uniform(0, 300, (9, 2)), rng.uniform(0, 300, (7, 2)), rng.uniform(0, 300, (4, 2))
    models = tuple(
        WeighedVariogram(weight, Variogram(family, range_m, nugget, 1.0, nugget / 2), 5.0)
        for weight, family, range_m, nugget in ((0.6, "exponential", 40.0, 0.3), (0.4, "matern_3_2", 25.0, 0.05))
    )

    stepwise = outlook(measure(sites, rng.normal(size=9)), models, cells, places, side_m=10.0)
    start = stepwise.before
    for place in (2, 0, 3):
        told = stepwise.left_with_one_more()[place]
        stepwise = stepwise.with_sample(place)
        np.testing.assert_allclose(stepwise.left, told, rtol=1e-9)
    added = np.vstack([sites, places[[2, 0, 3]]])
    at_once = outlook(measure(added, rng.normal(size=12)), models, cells, places, side_m=10.0)

    np.testing.assert_allclose(stepwise.variance, at_once.variance, rtol=1e-8)
    np.testing.assert_allclose(stepwise.shared, at_once.shared, atol=1e-10)
    assert np.all(stepwise.left <= 1)
    np.testing.assert_allclose(stepwise.left, at_once.before / start, rtol=1e-8)


def test_averages_of_replicates_count_as_what_they_are(measure):
    # Derived: at the sample itself, without a pattern, the mean's variance is nugget / n; four rows of pure error are
    # worth four samples.
    sites, places = np.array([[0.0, 0.0], [50.0, 0.0]]), np.array([[20.0, 0.0]])
    model = Variogram("exponential", 10.0, 0.8, 0.0, measurement_variance=0.8)

    seen = outlook(measure(sites, np.zeros(2), replicates=np.array([4, 1])), one(model), places, places, side_m=0.0)

    np.testing.assert_allclose(seen.variance, 0.8 / 5)
    np.testing.assert_allclose(seen.with_sample(0).variance, 0.8 / 6)


def test_the_models_of_a_surface_are_those_it_was_predicted_with(measure, square_grid):
    rng = np.random.default_rng(4)
    sites = rng.uniform(0, 600, (40, 2))
    level = np.sin(sites[:, 0] / 90) + np.cos(sites[:, 1] / 110)
    samples, grid = measure(sites, np.exp(1 + 0.4 * level + rng.normal(0, 0.08, 40))), square_grid(600.0, 20)

    (surface,), (plugged,) = integrated_block_kriging((samples,), grid), ordinary_block_kriging((samples,), grid)

    models = surface.evidence.models
    assert sum(model.weight for model in models) == pytest.approx(1.0)
    assert [model.weight for model in models] == sorted((model.weight for model in models), reverse=True)
    assert plugged.evidence.models == ()
    seen = outlook(samples, models, np.column_stack(grid.centres()), NEW, side_m=grid.cell_m)
    # the surface's spread holds also what the models' means differ by, and the sills' own uncertainty
    within = np.sqrt(seen.before) / surface.spread()
    assert 0.85 < np.median(within) < 1.0


def test_an_outlook_without_a_model_is_refused(measure):
    with pytest.raises(ValueError, match="needs a model"):
        outlook(measure(np.zeros((1, 2)), np.ones(1)), (), NEW, NEW, side_m=0.0)
