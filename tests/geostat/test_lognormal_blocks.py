"""On a log scale the surface is the distribution of a cell's arithmetic mean: checked by conditional simulation."""

from __future__ import annotations

import numpy as np
import pytest

from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances, site_covariance, within_block_variance
from zonemap.geostat.kriging import ordinary_block_kriging
from zonemap.geostat.student import widening
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.variogram import Variogram


@pytest.mark.parametrize("real_nugget", [0.0, 0.15], ids=["no short-range variation", "short-range variation"])
def test_block_means_of_conditional_simulations_have_the_predicted_distribution(real_nugget):
    # Universe: mean with a flat prior (a variance of 1e4 stands for it), exponential field, measurement error 0.05.
    rng = np.random.default_rng(8)
    variogram = Variogram("exponential", 60.0, 0.05 + real_nugget, 0.3, measurement_variance=0.05)
    sites, value = rng.uniform(0, 100, (9, 2)), rng.normal(1.0, 0.5, 9)
    centre, offsets = np.array([[45.0, 55.0]]), block_offsets(30.0, 8)
    points = centre + offsets

    def covariance(a, b):
        return 0.3 * CORRELATIONS["exponential"](distances(a, b) / 60.0) + 1e4

    gain = np.linalg.solve(site_covariance(sites, variogram) + 1e4, covariance(sites, points)).T
    mean = 1.0 + gain @ (value - 1.0)
    spread = covariance(points, points) - gain @ covariance(sites, points)
    draws = mean + rng.standard_normal((20_000, len(points))) @ np.linalg.cholesky(spread + 1e-6 * np.eye(64)).T
    block_mean = np.exp(draws).mean(axis=1) * np.exp(real_nugget / 2)  # endless short-range points average to this

    kriged, variance = krige((kriging_system(sites, value, variogram),), sites, centre, offsets=offsets)
    median = kriged[0, 0] + 0.5 * within_block_variance(variogram, offsets)
    deviation = np.sqrt(variance[0, 0])

    # 20,000 draws fix a quantile to about 1 %; permanence of lognormality is itself good to a few percent here.
    predicted = np.exp(median + deviation * np.array([-1.6449, 0.0, 1.6449]))
    np.testing.assert_allclose(np.quantile(block_mean, [0.05, 0.5, 0.95]), predicted, rtol=0.04)
    assert block_mean.mean() == pytest.approx(np.exp(median + deviation**2 / 2), rel=0.03)


def test_a_log_surface_is_the_kriged_block_raised_by_half_the_variance_within_it(simulate, measure, square_grid):
    sites, g = simulate(count=40, side_m=600.0, variogram=Variogram("exponential", 200.0, 0.05, 0.3), seed=4)
    grid = square_grid(600.0, 6)

    surface = ordinary_block_kriging((measure(sites, np.exp(g)),), grid, transform="log")[0]

    variogram, offsets = surface.evidence.variogram, block_offsets(100.0, 4)
    system = kriging_system(sites, g, variogram)
    mean, variance = krige((system,), sites, np.column_stack(grid.centres()), offsets=offsets)
    rise = 0.5 * within_block_variance(variogram, offsets)
    np.testing.assert_allclose(surface.centre(), mean[0] + rise, rtol=1e-12)
    np.testing.assert_allclose(surface.spread(), np.sqrt(variance[0]) * widening(39), rtol=1e-12)


def test_intervals_of_true_block_means_hold_what_they_promise(measure, square_grid):
    # 60 log-normal fields, exponential range 250 m in 600 x 600 m, log sd 0.45, a fifth of it measurement error, 40
    # samples: the 90 % intervals must hold the truth in 84 to 96 % of cells (cells of one field go together, so the
    # share of 60 fields is fixed to about 2 %).
    truth = Variogram("exponential", 250.0, 0.0, 0.8 * 0.45**2)
    error = 0.2 * 0.45**2
    grid = square_grid(600.0, 5)
    centres = np.column_stack(grid.centres())
    points = np.concatenate([centres + offset for offset in block_offsets(120.0, 4)])
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        sites = rng.uniform(0, 600, (40, 2))
        covariance = site_covariance(np.vstack([sites, points]), truth)
        field = 1.0 + np.linalg.cholesky(covariance + 1e-9 * np.eye(len(covariance))) @ rng.standard_normal(440)
        value = np.exp(field[:40] + rng.normal(0, np.sqrt(error), 40))
        block = np.exp(field[40:]).reshape(16, -1).mean(axis=0)
        samples = measure(sites, value, repeatability_cv=float(np.sqrt(np.expm1(error))))
        surface = ordinary_block_kriging((samples,), grid)[0]
        inside.append(np.mean((surface.quantile(0.05) <= block) & (block <= surface.quantile(0.95))))

    assert 0.84 <= np.mean(inside) <= 0.96
