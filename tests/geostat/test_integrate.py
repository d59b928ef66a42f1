"""Weights, predictions and leave-one-out of integrated parameters, against slow plain loops."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad, trapezoid
from scipy.special import ndtri
from scipy.stats import multivariate_normal
from scipy.stats import t as student_t

from zonemap.geostat import integrate, parameters
from zonemap.geostat.covariance import CORRELATIONS, PRACTICAL_RANGE, block_offsets, distances, nearest_gap_m
from zonemap.geostat.integrate import Block, integrated_blocks, integrated_leave_one_out
from zonemap.geostat.mixture import mixture_distribution
from zonemap.geostat.parameters import ParameterPoints, parameter_points
from zonemap.geostat.signal import (
    COVARIATES,
    Places,
    Signal,
    Standard,
    own_line,
    signals_of,
    site_correlations,
    weighed_families,
)
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.variogram import Variogram

NONE = np.zeros(1)
EXPONENTIAL = ("exponential",)


@pytest.fixture
def field():
    """(20, 2) points, (20, 2) values of two quantities at unit spread, (6, 2) targets."""
    rng = np.random.default_rng(4)
    sites = rng.uniform(0, 400, (20, 2))
    values = np.column_stack([np.sin(sites[:, 0] / 90), np.cos(sites[:, 1] / 120)]) + rng.normal(0, 0.3, (20, 2))
    return sites, (values - values.mean(axis=0)) / values.std(axis=0), rng.uniform(0, 400, (6, 2))


def a_surface(distribution):
    return Surface("K", "kg/ha/day", Transform(), distribution, Evidence(20, "found", 0.01, None, None, None))


def plainly(sites, value, targets, *, range_m, share, family="exponential", side_m=0.0, points=1, nugget=None):
    """Restricted log likelihood, sill, predictions and variances at unit sill less the targets' own, by dense inverses.

    The likelihood leaves out what does not depend on range and share.
    """
    n = len(value)
    covariance = (1 - share) * CORRELATIONS[family](distances(sites, sites) / range_m)
    covariance = covariance + share * np.diag(np.ones(n) if nugget is None else nugget)
    inverse, ones = np.linalg.inv(covariance), np.ones(n)
    precision = ones @ inverse @ ones
    mean = ones @ inverse @ value / precision
    squares = (value - mean) @ inverse @ (value - mean)
    log_likelihood = -0.5 * (np.linalg.slogdet(covariance)[1] + np.log(precision) + (n - 1) * np.log(squares))
    shared = np.zeros((n, len(targets)))
    for offset in block_offsets(side_m, points):
        shared += (1 - share) * CORRELATIONS[family](distances(sites, targets + offset) / range_m) / points**2
    centre = mean + shared.T @ inverse @ (value - mean)
    unit = -np.einsum("im,ij,jm->m", shared, inverse, shared) + (1 - ones @ inverse @ shared) ** 2 / precision
    return log_likelihood, squares / (n - 1), centre, unit


def test_weights_of_the_grid_are_likelihood_times_prior_with_mean_and_sill_integrated_out(monkeypatch):
    # Both integrals done numerically, of the plain normal density with a prior of 1 / sill: no restricted likelihood.
    # The variable sill is exp(u): its prior is then flat in u.
    monkeypatch.setattr(parameters, "_KEPT_WEIGHT", 1.0)
    rng = np.random.default_rng(8)
    sites, value = rng.uniform(0, 100, (6, 2)), rng.standard_normal(6)
    points = parameter_points(Places.plain(sites), value[:, None], families=EXPONENTIAL, measurement_variance=NONE)
    ranges = np.array([signal.range_m for signal in points.signals])[points.signal]

    rate = -np.log(0.01) * nearest_gap_m(sites) / PRACTICAL_RANGE["exponential"]
    every_range = np.unique(ranges)
    # ranges are even in the logarithm: a cell is as wide as its range is long
    range_prior = rate / every_range * np.exp(-rate / every_range)
    range_prior /= range_prior.sum()
    *shares, none = np.unique(points.nugget_share)
    edges = np.concatenate([[0.0], np.add(shares[1:], shares[:-1]) / 2, [1.0]])
    assert none == 1.0
    nothing = int(np.flatnonzero(points.nugget_share == none).item())

    every_u, every_mean = np.linspace(-5, 5, 201), np.linspace(-12, 12, 481)
    deviation = value - every_mean[:, None]
    chosen = [10, 60, 101, nothing]
    weight = []
    for k in chosen:
        share, range_m = points.nugget_share[k], ranges[k]
        correlation = (1 - share) * np.exp(-distances(sites, sites) / range_m) + share * np.eye(6)

        # by the trapezoidal rule, which for a density that dies away on both sides gains digits with every halved step
        density = [multivariate_normal.pdf(deviation, cov=np.exp(u) * correlation) for u in every_u]
        likelihood = trapezoid(trapezoid(density, every_mean), every_u)
        if k == nothing:
            prior = 0.1
        else:
            width = np.diff(edges)[np.searchsorted(shares, share)]
            prior = 0.9 * range_prior[np.searchsorted(every_range, range_m)] * width
        weight.append(likelihood * prior)

    np.testing.assert_allclose(
        points.weight[chosen, 0] / points.weight[chosen[0], 0], np.array(weight) / weight[0], rtol=2e-3
    )


def test_the_prior_of_the_range_is_short_with_the_stated_probability():
    # P(range < r0) = exp(-l / r0) for the density l / r^2 exp(-l / r) (Fuglstad et al. 2019; integrated here).
    shortest = 7.0
    rate = -np.log(0.01) * shortest

    below, _ = quad(lambda r: rate / r**2 * np.exp(-rate / r), 0, shortest)

    assert below == pytest.approx(0.01, rel=1e-6)


def test_a_nugget_below_the_measurement_variance_weighs_less(field):
    sites, values, _ = field
    plain, known = (
        parameter_points(
            Places.plain(sites), values[:, :1], families=EXPONENTIAL, measurement_variance=np.array([error])
        )
        for error in (0.0, 0.4)
    )

    def mean_share(points):
        return points.nugget_share @ points.weight[:, 0]

    assert mean_share(known) > mean_share(plain) + 0.05
    assert known.weight.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("family", ["spherical", "exponential", "matern_3_2", "matern_5_2"])
def test_one_parameter_point_is_ordinary_block_kriging_with_students_t(field, family):
    sites, values, targets = field
    share, sill = 0.3, 1.4
    points = ParameterPoints(
        (Signal(family, 80.0),), np.array([0]), np.array([share]), np.ones((1, 1)), np.array([[sill]])
    )
    variogram = Variogram(family, 80.0, share * sill, (1 - share) * sill)

    # a short range of next to nothing averages out, as the nugget of a block does there
    block = Block.square(30.0, 8, 1e-9, NONE)
    said = integrated_blocks(Places.plain(sites), values[:, :1], Places.plain(targets), points, block)[0]

    mean, variance = krige(
        (kriging_system(sites, values[:, 0], variogram),), sites, targets, offsets=block_offsets(30.0, 8)
    )
    own = share * sill / 64  # the regular rule counts each of the 8 x 8 points with itself
    surface = a_surface(said)
    np.testing.assert_allclose(surface.quantile(0.5), mean[0], atol=5e-4)
    np.testing.assert_allclose(
        surface.quantile(0.95) - surface.quantile(0.5), student_t.ppf(0.95, 19) * np.sqrt(variance[0] + own), rtol=2e-3
    )


@pytest.mark.parametrize("side_m", [0.0, 25.0])
def test_predictions_of_all_parameter_points_are_those_of_a_plain_loop(field, side_m):
    sites, values, targets = field
    nugget = np.where(np.arange(20) % 3 == 0, 0.5, 1.0)
    measured = np.array([0.05, 0.1])
    points = parameter_points(
        Places.plain(sites), values, families=EXPONENTIAL, measurement_variance=measured, relative_nugget=nugget
    )
    block = Block(side_m, 8, 12.0, measured, np.array([0.4, 0.0]), np.zeros(2), np.eye(2))

    said = integrated_blocks(Places.plain(sites), values, Places.plain(targets), points, block, relative_nugget=nugget)

    apart = np.flatnonzero(distances(sites, targets).min(axis=0) > side_m)
    assert len(apart) >= 3  # a sample's cusp within a cell is the last test's
    offsets = block_offsets(side_m, 8)
    for q in range(2):
        parts = []
        for number, share, weight in zip(points.signal, points.nugget_share, points.weight[:, q], strict=True):
            range_m = points.signals[number].range_m
            _, sill, centre, unit = plainly(
                sites, values[:, q], targets, range_m=range_m, share=share, side_m=side_m, points=8, nugget=nugget
            )
            short = max(share * sill - measured[q], 0.0)
            shared = (1 - share) * sill
            within, short_within = (np.exp(-distances(offsets, offsets) / r).mean() for r in (range_m, 12.0))
            own = shared * within + short * short_within
            rise = 0.5 * (shared + short - own) * (0.4, 0.0)[q]
            parts.append((weight, centre + rise, np.sqrt(sill * unit + own)))
        for probability in (0.01, 0.05, 0.5, 0.95, 0.99):
            value = a_surface(said[q]).quantile(probability)
            cdf = sum(w * student_t.cdf((value - c) / s, 19) for w, c, s in parts)
            density = sum(w * student_t.pdf((value - c) / s, 19) / s for w, c, s in parts)
            spread = np.sqrt(sum(w * s**2 for w, _, s in parts))
            # how far off the quantile is, from how far off its probability is
            off = (cdf - probability) / density / spread
            np.testing.assert_allclose(off[apart], 0.0, atol=1e-3)


def test_leave_one_out_in_closed_form_is_weighing_and_predicting_again_without_each_sample(field, monkeypatch):
    monkeypatch.setattr(parameters, "_KEPT_WEIGHT", 1.0)
    sites, values, _ = field
    nugget = np.where(np.arange(20) % 4 == 0, 0.5, 1.0)
    points = parameter_points(
        Places.plain(sites), values, families=EXPONENTIAL, measurement_variance=np.zeros(2), relative_nugget=nugget
    )
    ranges = np.array([signal.range_m for signal in points.signals])[points.signal]

    left_out = integrated_leave_one_out(Places.plain(sites), values, points, relative_nugget=nugget)

    shape = points.weight.shape
    everything = [
        [plainly(sites, values[:, q], sites[:1], range_m=r, share=s, nugget=nugget)[0] for q in range(2)]
        for r, s in zip(ranges, points.nugget_share, strict=True)
    ]
    prior = np.log(points.weight) - np.array(everything)
    for i in (0, 7, 19):
        others = np.arange(20) != i
        for q in range(2):
            log_weight = np.empty(shape[0])
            for k, (r, s) in enumerate(zip(ranges, points.nugget_share, strict=True)):
                ll, sill, centre, unit = plainly(
                    sites[others], values[others, q], sites[i : i + 1], range_m=r, share=s, nugget=nugget[others]
                )
                log_weight[k] = ll + prior[k, q]
                assert left_out.centre[k, i, q] == pytest.approx(centre[0], abs=1e-8)
                own = (1 - s) + s * nugget[i]
                assert left_out.scale[k, i, q] == pytest.approx(np.sqrt(sill * (unit[0] + own)), rel=1e-7)
            weight = np.exp(log_weight - log_weight.max())
            np.testing.assert_allclose(left_out.weight[:, i, q], weight / weight.sum(), atol=1e-9)


def test_few_points_stand_for_a_small_cell_as_well_as_many(field):
    sites, values, targets = field
    targets = np.vstack([targets, sites[:3]])  # where a sample lies in the cell the rule is worst
    points = parameter_points(Places.plain(sites), values, families=EXPONENTIAL, measurement_variance=np.zeros(2))

    few, many = (
        integrated_blocks(
            Places.plain(sites), values, Places.plain(targets), points, Block.square(10.0, count, 12.0, np.zeros(2))
        )
        for count in (4, 16)
    )

    for q in range(2):
        for score in (-2.0, 0.0, 2.0):
            moved = a_surface(few[q]).at_score(score) - a_surface(many[q]).at_score(score)
            assert np.abs(moved[:6]).max() < 5e-4
            assert np.abs(moved).max() < 5e-3


@pytest.fixture
def with_covariates(field):
    """Sites and targets of the field with three covariates, one of them also a drift beside the constant."""
    sites, _, targets = field
    rng = np.random.default_rng(7)
    raw = rng.standard_normal((26, 3)) * [1.0, 30.0, 0.01] + [0.0, 200.0, 5.0]
    standard = Standard.of(raw[:20])
    drift = np.column_stack([np.ones(26), raw[:, 1]])
    return (
        Places(sites, standard(raw[:20]), drift[:20]),
        Places(targets, standard(raw[20:]), drift[20:]),
    )


def densely(sites, value, targets, signal, share):
    """Sill, universal kriging predictions and variances (with the target's own) at unit sill, by one dense system."""
    (correlation,) = site_correlations((signal,), Places(*(np.vstack([getattr(sites, a), getattr(targets, a)])
                                       for a in ("xy", "features", "drift"))))  # fmt: skip
    n, q = sites.drift.shape
    inside, across = correlation[:n, :n], correlation[:n, n:]
    noisy = (1 - share) * inside + share * np.eye(n)
    system = np.block([[noisy, sites.drift], [sites.drift.T, np.zeros((q, q))]])
    right = np.vstack([(1 - share) * across, targets.drift.T])
    weight = np.linalg.solve(system, right)
    residual_maker = np.linalg.inv(noisy)
    gls = np.linalg.solve(sites.drift.T @ residual_maker @ sites.drift, sites.drift.T @ residual_maker @ value)
    residual = value - sites.drift @ gls
    sill = residual @ residual_maker @ residual / (n - q)
    own = (1 - share) * np.diag(correlation)[n:]
    return sill, weight[:n].T @ value, own - np.einsum("im,im->m", weight, right)


def test_covariates_and_drift_are_those_of_one_dense_universal_kriging_system(field, with_covariates, monkeypatch):
    monkeypatch.setattr(parameters, "_KEPT_WEIGHT", 1.0)
    _, values, _ = field
    sites, targets = with_covariates
    points = parameter_points(
        sites, values, families=("exponential", "matern_3_2"), measurement_variance=np.zeros(2), mixes=COVARIATES
    )

    for k in (0, 50, 200, len(points.signal) - 1):
        signal, share = points.signals[points.signal[k]], points.nugget_share[k]
        sill, centre, unit = densely(sites, values[:, 0], targets, signal, share)
        one = ParameterPoints((signal,), np.array([0]), np.array([share]), np.ones((1, 1)), np.array([[sill]]))
        surface = a_surface(integrated_blocks(sites, values[:, :1], targets, one, Block.square(0.0, 1, 1.0, NONE))[0])

        assert points.sill[k, 0] == pytest.approx(sill, rel=1e-8)
        np.testing.assert_allclose(surface.quantile(0.5), centre, atol=1e-6)
        half = surface.quantile(0.95) - surface.quantile(0.5)
        # a point keeps the whole nugget, none of which is stated to be error
        np.testing.assert_allclose(half, student_t.ppf(0.95, 18) * np.sqrt(sill * (unit + share)), rtol=2e-3)


def test_leave_one_out_with_covariates_and_drift_is_predicting_again(field, with_covariates, monkeypatch):
    monkeypatch.setattr(parameters, "_KEPT_WEIGHT", 1.0)
    _, values, _ = field
    sites, _ = with_covariates
    points = parameter_points(sites, values, families=EXPONENTIAL, measurement_variance=np.zeros(2), mixes=COVARIATES)

    left_out = integrated_leave_one_out(sites, values, points)

    assert left_out.degrees == 17
    for i, k in ((0, 3), (7, 100), (19, len(points.signal) - 1)):
        signal, share = points.signals[points.signal[k]], points.nugget_share[k]
        others = np.flatnonzero(np.arange(20) != i)
        sill, centre, unit = densely(sites.part(others), values[others, 0], sites.part(np.array([i])), signal, share)
        assert left_out.centre[k, i, 0] == pytest.approx(centre[0], abs=1e-7)
        assert left_out.scale[k, i, 0] == pytest.approx(np.sqrt(sill * (unit[0] + share)), rel=1e-6)


def test_every_signal_is_a_correlation(with_covariates):
    sites, _ = with_covariates
    signals = signals_of(sites.xy, weighed_families("auto"), COVARIATES)

    for signal, correlation in zip(signals, site_correlations(signals, sites), strict=True):
        assert np.linalg.eigvalsh(correlation).min() > -1e-10
        own = signal.place + signal.likeness + signal.line * own_line(sites)
        np.testing.assert_allclose(np.diag(correlation), own, atol=1e-7)
    assert len({(s.family, s.range_m, s.place, s.line) for s in signals}) == len(signals)
    # a ridge's line in standardised covariates explains one unit of variance on average over the sites
    assert own_line(sites).mean() == pytest.approx(1.0)


def test_a_covariate_in_another_unit_is_the_same_covariate():
    rng = np.random.default_rng(1)
    raw = rng.standard_normal((30, 2))

    one, other = (Standard.of(values[:20])(values) for values in (raw, raw * [1000.0, -3.0] + [5.0, 7.0]))

    np.testing.assert_allclose(other, one * [1.0, -1.0], atol=1e-12)


def test_a_covariate_that_does_not_differ_between_the_samples_is_left_out():
    sampled = np.column_stack([np.full(9, 3.3), np.arange(9.0)])

    assert Standard.of(sampled)(sampled).shape == (9, 1)


def test_far_beyond_what_was_sampled_a_covariate_goes_no_farther():
    standard = Standard.of(np.arange(11.0)[:, None])

    np.testing.assert_array_equal(standard(np.array([[12.5], [500.0]])), standard(np.array([[12.5], [12.5]])))
    assert standard(np.array([[12.0]])) < standard(np.array([[12.5]]))


def test_quantiles_of_every_cell_are_those_of_its_mixture_where_a_sample_lies_too(field, monkeypatch):
    sites, values, targets = field
    across = np.linspace(0, 400, 12)
    grid = np.column_stack([axis.ravel() for axis in np.meshgrid(across, across)])
    targets = np.vstack([targets, grid, sites, sites + 1.0])
    measured = np.array([0.0, 0.2])
    points = parameter_points(Places.plain(sites), values, families=EXPONENTIAL, measurement_variance=measured)
    mixtures = []

    def noted(weight, centre, scale, *, degrees):
        mixtures.append((weight[:, None], centre, scale))
        return mixture_distribution(weight, centre, scale, degrees=degrees)

    monkeypatch.setattr(integrate, "mixture_distribution", noted)
    monkeypatch.setattr(integrate, "_CHUNK_ELEMENTS", 10**6)
    for side_m in (0.0, 4.0, 12.0):
        mixtures.clear()
        block = Block.square(side_m, 4, 12.0, measured)
        said = integrated_blocks(Places.plain(sites), values, Places.plain(targets), points, block)

        assert len(mixtures) == 2
        assert any(np.isin(np.arange(len(targets) - 40, len(targets)), one.own.cell).any() for one in said)
        for q, (weight, centre, scale) in enumerate(mixtures):
            for probability in (0.005, 0.02, 0.1, 0.25, 0.5, 0.6, 0.8, 0.93, 0.99, 0.995):
                value = said[q].at_score(float(ndtri(probability)))
                low, high = (value + side * 1e-3 * said[q].spread for side in (-1, 1))
                assert np.all((weight * student_t.cdf((low - centre) / scale, 19)).sum(axis=0) < probability)
                assert np.all((weight * student_t.cdf((high - centre) / scale, 19)).sum(axis=0) > probability)
