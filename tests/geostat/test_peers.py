"""Independent programs and slow plain loops give the same numbers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import t as student_t

from zonemap.geostat.covariance import (
    CORRELATIONS,
    PRACTICAL_RANGE,
    block_offsets,
    distances,
    in_axes,
    site_covariance,
    without_direction,
)
from zonemap.geostat.crossval import cross_validate, leave_one_out
from zonemap.geostat.empirical import empirical_variogram
from zonemap.geostat.integrate import Block, integrated_blocks
from zonemap.geostat.kriging import pykrige_points
from zonemap.geostat.likelihood import NUGGET_SHARES, likelihood_grid, refine
from zonemap.geostat.parameters import ParameterPoints
from zonemap.geostat.signal import Places, Signal, range_grid
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.variogram import Variogram

RANGES = {"spherical": 260.0, "exponential": 120.0, "matern_3_2": 60.0, "matern_5_2": 50.0}


@pytest.mark.parametrize("family", CORRELATIONS)
def test_block_kriging_agrees_with_the_reference_program(family, reference, peer_sites, peer_targets):
    sites, value = peer_sites
    system = kriging_system(sites, value, Variogram(family, RANGES[family], 0.4, 1.3))

    mean, variance = krige((system,), sites, peer_targets, offsets=block_offsets(30.0, 4))

    expected = np.loadtxt(reference / f"{family}.txt")
    np.testing.assert_allclose(mean[0], expected[:, 0], rtol=1e-10)
    np.testing.assert_allclose(variance[0], expected[:, 1], rtol=1e-10)


def test_block_kriging_with_a_direction_agrees_with_the_reference_program(reference, peer_sites, peer_targets):
    # there too the angle is that of the longest range, clockwise from north, and the ratio that of the shortest to it
    sites, value = peer_sites
    model = Variogram("exponential", 120.0, 0.4, 1.3, ratio=0.4, azimuth_deg=30.0)
    system = kriging_system(in_axes(sites, model), value, without_direction(model))

    mean, variance = krige(
        (system,), in_axes(sites, model), in_axes(peer_targets, model), offsets=in_axes(block_offsets(30.0, 4), model)
    )

    expected = np.loadtxt(reference / "turned.txt")
    np.testing.assert_allclose(mean[0], expected[:, 0], rtol=1e-10)
    np.testing.assert_allclose(variance[0], expected[:, 1], rtol=1e-10)


def test_kriging_with_an_external_drift_agrees_with_the_reference_program(reference, peer_sites, peer_targets):
    sites, value = peer_sites
    drift = [np.column_stack([np.ones(len(places)), places[:, 1]]) for places in (sites, peer_targets)]
    empty = [np.empty((len(places), 0)) for places in (sites, peer_targets)]
    here, there = Places(sites, empty[0], drift[0]), Places(peer_targets, empty[1], drift[1])
    share, sill = 0.4 / 1.7, 1.7
    one = ParameterPoints(
        (Signal("exponential", 120.0),), np.array([0]), np.array([share]), np.ones((1, 1)), np.array([[sill]])
    )

    said = integrated_blocks(here, value[:, None], there, one, Block.square(0.0, 1, 1.0, np.zeros(1)))[0]

    # the reference program's variance of a point holds the nugget, as here, where none of it is said to be error
    expected = np.loadtxt(reference / "drift.txt")
    surface = Surface("K", "ppm", Transform(), said, Evidence(40, "found", 0.01, None, None, None))
    np.testing.assert_allclose(surface.quantile(0.5), expected[:, 0], rtol=1e-7)
    half = student_t.ppf(0.95, 38) * np.sqrt(expected[:, 1])
    np.testing.assert_allclose(surface.quantile(0.95) - surface.quantile(0.05), 2 * half, rtol=2e-3)


def test_the_empirical_variogram_agrees_with_the_reference_program(reference, peer_sites):
    sites, value = peer_sites

    found = empirical_variogram(sites[:, 0], sites[:, 1], value, lags=12, cutoff_m=300.0)

    pairs, lag_m, semivariance = np.loadtxt(reference / "variogram.txt").T
    np.testing.assert_array_equal(found.pairs, pairs)
    np.testing.assert_allclose(found.lag_m, lag_m, rtol=1e-12)
    np.testing.assert_allclose(found.semivariance, semivariance, rtol=1e-12)


def test_distances_on_the_border_of_two_lag_classes_fall_where_the_reference_program_puts_them(reference):
    # A lattice of 25 m: most distances of a class of 25 m are its border.
    northing, easting = (25.0 * axis.ravel() for axis in np.mgrid[0:6, 0:6])

    found = empirical_variogram(easting, northing, (7 * easting + 3 * northing) % 40, lags=4, cutoff_m=100.0)

    pairs, lag_m, semivariance = np.loadtxt(reference / "lattice.txt").T
    np.testing.assert_array_equal(found.pairs, pairs)
    np.testing.assert_allclose(found.lag_m, lag_m, rtol=1e-12)
    np.testing.assert_allclose(found.semivariance, semivariance, rtol=1e-12)


@pytest.mark.parametrize("family", CORRELATIONS)
def test_point_kriging_agrees_with_pykrige(family, peer_sites, peer_targets):
    sites, value = peer_sites
    variogram = Variogram(family, RANGES[family], 0.4, 1.3)
    system = kriging_system(sites, value, variogram)

    mean, variance = krige((system,), sites, peer_targets, target_nugget=(variogram.nugget,))

    peer_mean, peer_variance = pykrige_points(sites, value, variogram, peer_targets)
    np.testing.assert_allclose(mean[0], peer_mean, rtol=1e-8)
    np.testing.assert_allclose(variance[0], peer_variance, rtol=1e-8)


@pytest.mark.parametrize(
    ("family", "built_in", "scale"), [("spherical", "spherical", 1), ("exponential", "exponential", 3)]
)
def test_the_model_handed_to_pykrige_is_its_own_built_in_one(family, built_in, scale, peer_sites, peer_targets):
    # PyKrige's exponential is exp(-3 h / range): its parameter is the practical range.
    from pykrige.ok import OrdinaryKriging

    sites, value = peer_sites
    variogram = Variogram(family, RANGES[family], 0.4, 1.3)
    parameters = {"psill": 1.3, "range": scale * variogram.range_m, "nugget": 0.4}
    kriging = OrdinaryKriging(*sites.T, value, variogram_model=built_in, variogram_parameters=parameters)

    expected = kriging.execute("points", *peer_targets.T)

    found = pykrige_points(sites, value, variogram, peer_targets)
    np.testing.assert_allclose(found, [np.asarray(part) for part in expected], rtol=1e-10)


@pytest.mark.parametrize("family", CORRELATIONS)
def test_correlation_falls_to_a_twentieth_at_the_practical_range(family):
    expected = 0.0 if family == "spherical" else 0.05

    assert CORRELATIONS[family](np.array([PRACTICAL_RANGE[family]]))[0] == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(("family", "order"), [("matern_3_2", 1.5), ("matern_5_2", 2.5)])
def test_the_matern_family_is_the_bessel_formula(family, order):
    # Abramowitz & Stegun (1964), Handbook of Mathematical Functions, section 9.6: K of half-integer order by scipy.
    from scipy.special import gamma, kv

    ratio = np.linspace(0.01, 8.0, 50)

    np.testing.assert_allclose(
        CORRELATIONS[family](ratio), ratio**order * kv(order, ratio) / (gamma(order) * 2 ** (order - 1)), rtol=1e-12
    )


def test_pykrige_does_not_jump_to_a_sample_where_a_target_falls_on_it(peer_sites):
    # A sample carries error, so that the surface must pass it by as it does a hair's breadth beside it.
    sites, value = peer_sites
    variogram = Variogram("exponential", 120.0, 0.4, 1.3)

    on, _ = pykrige_points(sites, value, variogram, sites)
    beside, _ = pykrige_points(sites, value, variogram, sites + 1e-6)

    np.testing.assert_allclose(on, beside, atol=1e-6)
    assert np.abs(on - value).max() > 0.1


def plain_restricted_likelihood(sites, value, *, family, range_m, share, relative_nugget):
    """Textbook form with determinants (Patterson & Thompson 1971; Harville 1974, Biometrika 61:383-385)."""
    n = len(value)
    matrix = (1 - share) * CORRELATIONS[family](distances(sites, sites) / range_m) + share * np.diag(relative_nugget)
    inverse = np.linalg.inv(matrix)
    ones = np.ones(n)
    information = ones @ inverse @ ones
    residual = value - ones @ inverse @ value / information
    sill = residual @ inverse @ residual / (n - 1)
    log_determinants = np.linalg.slogdet(matrix)[1] + np.log(information) - np.log(n)
    return -0.5 * ((n - 1) * (np.log(2 * np.pi * sill) + 1) + log_determinants), sill


@pytest.mark.parametrize("plain", [True, False], ids=["plain samples", "averages of replicates"])
@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_likelihood_grid_is_the_textbook_formula_at_every_point(family, plain, peer_sites):
    sites, value = peer_sites
    relative = np.ones(len(value)) if plain else np.where(np.arange(len(value)) % 3 == 0, 0.6, 1.0)
    values = np.column_stack([value, value[::-1]])

    ranges = np.array([20.0, 90.0])

    grid = likelihood_grid(
        (CORRELATIONS[family](distances(sites, sites) / range_m) for range_m in ranges),
        values,
        nugget_share=np.array([0.05, 0.5]),
        relative_nugget=relative,
    )

    for i, range_m in enumerate(ranges):
        for j, share in enumerate(grid.nugget_share):
            for q in range(2):
                likelihood, sill = plain_restricted_likelihood(
                    sites, values[:, q], family=family, range_m=range_m, share=share, relative_nugget=relative
                )
                assert grid.log_likelihood[i, j, q] == pytest.approx(likelihood, rel=1e-9)
                assert grid.sill[i, j, q] == pytest.approx(sill, rel=1e-9)
    likelihood, sill = plain_restricted_likelihood(
        sites, value, family=family, range_m=1.0, share=1.0, relative_nugget=relative
    )
    assert grid.null_log_likelihood[0] == pytest.approx(likelihood, rel=1e-9)
    assert grid.null_sill[0] == pytest.approx(sill, rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_refining_finds_what_a_general_optimiser_finds(seed, simulate):
    sites, value = simulate(count=50, side_m=800.0, variogram=Variogram("exponential", 150.0, 0.3, 1.0), seed=seed)
    ranges = range_grid(sites, "exponential")
    grid = likelihood_grid(
        (np.exp(-distances(sites, sites) / range_m) for range_m in ranges),
        value[:, None],
        nugget_share=np.array(NUGGET_SHARES),
    )

    def likelihood(log_range, share):
        share = np.clip(share, 0.0, 0.98)
        return plain_restricted_likelihood(
            sites, value, family="exponential", range_m=np.exp(log_range), share=share, relative_nugget=np.ones(50)
        )[0]

    range_m, share, _ = refine(
        sites,
        value,
        family="exponential",
        range_m=ranges,
        nugget_share=grid.nugget_share,
        log_likelihood=grid.log_likelihood[:, :, 0],
    )

    start = np.log(range_m), share
    bounds = [np.log(ranges[[0, -1]]), (0.0, 0.98)]
    peer = minimize(lambda p: -likelihood(*p), start, method="L-BFGS-B", bounds=bounds)
    assert likelihood(*start) >= grid.log_likelihood.max() - 1e-9
    assert likelihood(*start) == pytest.approx(-peer.fun, abs=0.005)


def test_leave_one_out_is_kriging_each_sample_from_the_others(peer_sites):
    sites, value = peer_sites
    variogram = Variogram("exponential", 120.0, 0.4, 1.3)

    residual, variance = leave_one_out(site_covariance(sites, variogram), value)

    for k in range(len(value)):
        others = np.delete(np.arange(len(value)), k)
        system = kriging_system(sites[others], value[others], variogram)
        mean, var = krige((system,), sites[others], sites[k : k + 1], target_nugget=(variogram.nugget,))
        assert residual[k] == pytest.approx(value[k] - mean[0, 0], rel=1e-9)
        assert variance[k] == pytest.approx(var[0, 0], rel=1e-9)


def test_diagnostics_of_a_log_scale_are_of_means_of_log_normals(measure, peer_sites):
    # Mean of a log-normal: exp(m + v / 2); its central 90 % interval is that of the logarithm. 1.685 is Student's 0.95
    # quantile with 39 degrees of freedom in every printed table.
    sites, g = peer_sites[0], peer_sites[1] / 5
    variogram = Variogram("exponential", 120.0, 0.02, 0.05, 0.02)
    left_out = []
    for k in range(40):
        others = np.delete(np.arange(40), k)
        system = kriging_system(sites[others], g[others], variogram)
        mean, var = krige((system,), sites[others], sites[k : k + 1], target_nugget=(variogram.nugget,))
        left_out.append((mean[0, 0], var[0, 0]))
    mean, var = np.array(left_out).T
    error = np.exp(mean + var / 2) - np.exp(g)

    found = cross_validate(measure(sites, np.exp(g)), transform=Transform("log"), variogram=variogram)

    assert found.mean_error == pytest.approx(error.mean(), rel=1e-9)
    assert found.rmse == pytest.approx(np.sqrt(np.mean(error**2)), rel=1e-9)
    assert found.msdr == pytest.approx(np.mean((g - mean) ** 2 / var), rel=1e-9)
    assert found.coverage_90 == np.mean(np.abs(g - mean) <= 1.685 * np.sqrt(var))


def test_an_average_of_replicates_is_worth_its_rows_taken_one_by_one(peer_sites):
    # The rows of one place share signal and real short-range variation, not measurement error. The plain system with
    # a Lagrange multiplier (Cressie 1993, section 3.2) over all rows must agree with the averages.
    sites, value = peer_sites[0][:12], peer_sites[1][:12]
    variogram = Variogram("exponential", 120.0, 0.5, 1.3, measurement_variance=0.3)
    rows = np.array([1, 3, 1, 2, 1, 1, 4, 1, 1, 1, 2, 1])
    place = np.repeat(np.arange(12), rows)
    target = np.array([[250.0, 250.0]])
    n = len(place)
    system = np.ones((n + 1, n + 1))
    system[n, n] = 0.0
    system[:n, :n] = 1.3 * np.exp(-distances(sites, sites) / 120.0)[np.ix_(place, place)]
    system[:n, :n] += 0.2 * (place[:, None] == place[None, :]) + 0.3 * np.eye(n)
    right = np.append(1.3 * np.exp(-distances(sites, target)[:, 0] / 120.0)[place], 1.0)
    weight = np.linalg.solve(system, right)

    averaged = kriging_system(sites, value, variogram, replicates=rows)
    mean, variance = krige((averaged,), sites, target)

    assert mean[0, 0] == pytest.approx(weight[:n] @ value[place], rel=1e-10)
    assert variance[0, 0] == pytest.approx(1.3 - weight @ right, rel=1e-10)


@pytest.mark.parametrize("family", ["exponential", "matern_3_2", "matern_5_2"])
def test_kriging_is_a_gaussian_process_with_an_unknown_mean(family, peer_sites, peer_targets):
    # scikit-learn's GaussianProcessRegressor with fixed parameters is simple kriging about 0 (Rasmussen & Williams
    # 2006, Gaussian Processes for Machine Learning, algorithm 2.1; numbers from memory). A constant kernel of variance
    # b gives the mean a prior; ordinary kriging is the limit of b without end (section 2.7 there). The difference is of
    # the order of 1 / b: results at 1e5 and 2e5 are extrapolated to 1 / b = 0. Its Matern is a function of
    # sqrt(2 nu) h / length, hence the length.
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern

    sites, value = peer_sites
    order = {"exponential": 0.5, "matern_3_2": 1.5, "matern_5_2": 2.5}[family]
    variogram = Variogram(family, RANGES[family], 0.4, 1.3)

    def process(constant):
        kernel = ConstantKernel(1.3) * Matern(RANGES[family] * np.sqrt(2 * order), nu=order) + ConstantKernel(constant)
        fitted = GaussianProcessRegressor(kernel, alpha=0.4, optimizer=None).fit(sites, value)
        mean, deviation = fitted.predict(peer_targets, return_std=True)
        return np.array([mean, deviation**2])

    mean, variance = krige((kriging_system(sites, value, variogram),), sites, peer_targets)

    expected = 2 * process(2e5) - process(1e5)
    np.testing.assert_allclose([mean[0], variance[0]], expected, rtol=0, atol=1e-8)
