"""Whether there is structure: the test's level, its power, its vetoes, and what few samples get."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, boxcox_llf

from zonemap.geostat.fit import fit_covariances
from zonemap.geostat.repeatability import measurement_variance
from zonemap.geostat.scale import candidates, half_variance_rise
from zonemap.values.surface import Transform
from zonemap.values.variogram import Variogram


def test_white_noise_shows_structure_as_rarely_as_the_level_says(measure):
    # The p-value is exact under the null by construction (Monte Carlo test): 240 fields, three levels, limits with a
    # chance of one in a thousand of failing for a right program.
    p = []
    for layout in range(40):
        rng = np.random.default_rng(layout)
        sites = rng.uniform(0, 600, (15, 2))
        quantities = tuple(measure(sites, rng.standard_normal(15), quantity=str(k)) for k in range(6))
        p += [fit.structure_p for fit in fit_covariances(quantities, transform="none", seed=layout)]

    for level in (0.05, 0.2, 0.5):
        seen = int(np.count_nonzero(np.array(p) <= level))
        assert binom.ppf(0.0005, len(p), level) <= seen <= binom.ppf(0.9995, len(p), level)


def test_a_field_with_a_long_range_and_40_samples_is_found(measure, simulate):
    found = 0
    for seed in range(10):
        sites, g = simulate(count=40, side_m=600.0, variogram=Variogram("exponential", 300.0, 0.05, 1.0), seed=seed)
        found += fit_covariances((measure(sites, 10 + g),), transform="none")[0].structure == "found"

    assert found >= 9


def test_found_parameters_are_near_the_truth_with_many_samples(measure, simulate):
    truth = Variogram("exponential", 100.0, 0.3, 1.0)
    fits = []
    for seed in range(6):
        sites, g = simulate(count=300, side_m=1500.0, variogram=truth, seed=seed)
        fits.append(fit_covariances((measure(sites, 10 + g, repeatability_cv=0.0),), transform="none")[0].variogram)

    # Sampling error of the mean of six fits of 300 samples, from the likelihood's curvature: about 10 % of each.
    assert np.mean([fit.range_m for fit in fits]) == pytest.approx(100.0, rel=0.35)
    assert np.mean([fit.sill for fit in fits]) == pytest.approx(1.3, rel=0.2)
    assert np.mean([fit.nugget for fit in fits]) == pytest.approx(0.3, rel=0.5)


def test_no_structure_means_pure_nugget_and_a_warning_that_names_the_mend(measure):
    rng = np.random.default_rng(3)
    noise = measure(rng.uniform(0, 600, (25, 2)), 10 + rng.standard_normal(25))

    fit = fit_covariances((noise,), transform="none")[0]

    assert fit.structure == "not_found"
    assert fit.structure_p > 0.05
    assert fit.variogram.partial_sill == 0
    assert fit.variogram.nugget == pytest.approx(np.var(noise.value, ddof=1))
    assert [note.kind for note in fit.notes] == ["warning"]
    assert "apply one rate" in fit.notes[0].text


def test_structure_counts_only_where_left_out_samples_are_predicted_no_worse_than_by_the_mean(measure):
    # At level 1 the p-value never objects, so leave-one-out alone decides.
    verdicts = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        noise = measure(rng.uniform(0, 600, (12, 2)), 10 + rng.standard_normal(12))
        verdicts.append(fit_covariances((noise,), transform="none", structure_level=1.0)[0])

    vetoed = [fit for fit in verdicts if fit.structure == "not_found"]
    assert vetoed
    assert all("the mean predicts left-out samples better" in fit.notes[0].text for fit in vetoed)


@pytest.mark.parametrize(("count", "structure"), [(7, "too_few"), (8, "found")])
def test_eight_places_are_the_fewest_for_a_model(count, structure, measure):
    sites = np.column_stack([np.arange(count) * 50.0, np.arange(count) % 2 * 20.0])
    trend = measure(sites, 10.0 + np.arange(count))

    fit = fit_covariances((trend,), transform="none")[0]

    assert fit.structure == structure
    assert (fit.variogram is None) == (structure == "too_few")


def test_equal_values_are_no_structure_and_no_model(measure):
    sites = np.random.default_rng(0).uniform(0, 100, (12, 2))

    fit = fit_covariances((measure(sites, np.full(12, 3.3)),))[0]

    assert (fit.structure, fit.variogram) == ("not_found", None)
    assert np.isnan(fit.structure_p)
    assert "laboratory" in fit.notes[0].text


@pytest.mark.parametrize(("transform", "made"), [("log", np.exp), ("none", np.asarray)])
def test_the_likelihood_finds_the_scale_the_values_were_made_on(transform, made, measure, simulate):
    chosen = []
    for seed in range(8):
        sites, g = simulate(count=60, side_m=600.0, variogram=Variogram("exponential", 100.0, 0.1, 0.4), seed=seed)
        chosen.append(fit_covariances((measure(sites, made(g) if transform == "log" else 3.5 + g),))[0].transform.name)

    assert chosen.count(transform) >= 7


def test_a_scale_between_is_taken_where_it_earns_its_exponent(measure, simulate):
    chosen = []
    for seed in range(6):
        sites, g = simulate(count=150, side_m=600.0, variogram=Variogram("exponential", 100.0, 0.1, 0.4), seed=seed)
        chosen.append(fit_covariances((measure(sites, np.square(2.0 + g)),))[0].transform)

    between = [transform for transform in chosen if transform.name == "box_cox"]
    assert len(between) >= 4
    assert {transform.exponent for transform in between} <= {0.25, 0.5, 0.75}
    assert np.median([transform.exponent for transform in between]) == 0.5


@pytest.mark.parametrize("transform", ["none", "log", "box_cox"])
def test_the_jacobian_is_that_of_a_reference_library(transform):
    # scipy.stats.boxcox_llf counts n values, the restricted likelihood n - 1
    value = np.random.default_rng(3).lognormal(1.0, 0.6, 30)

    for scale in candidates(value, transform):
        exponent = {"none": 1.0, "log": 0.0}.get(scale.transform.name, scale.transform.exponent)
        assert scale.log_jacobian == pytest.approx(29 / 30 * boxcox_llf(exponent, value), rel=1e-12)


@pytest.mark.parametrize("transform", [Transform(), Transform("log"), Transform("box_cox", 0.5)])
def test_the_arithmetic_mean_of_a_block_is_the_mean_on_the_scale_raised_by_half_its_curvature(transform):
    node, weight = np.polynomial.hermite_e.hermegauss(40)
    for centre in (0.5, 2.0):
        mean = transform.backward(centre + 0.3 * node) @ weight / weight.sum()

        raised = transform.backward(np.array([centre]) + half_variance_rise(transform, np.array([centre]), 0.09))

        assert raised[0] == pytest.approx(mean, rel=2e-3)


def test_an_error_on_a_scale_between_is_the_relative_error_times_the_slope(measure):
    value = np.full(12, 4.0) + 1e-3 * np.arange(12)
    samples = measure(np.random.default_rng(0).uniform(0, 9, (12, 2)), value, repeatability_cv=0.05)

    # g = 2 (sqrt v - 1): 5 % of 4 is 0.2, and g' = 1 / 2 there
    assert measurement_variance(samples, Transform("box_cox", 0.5)) == pytest.approx(0.1**2, rel=0.01)


def test_a_log_is_never_taken_of_a_value_that_is_not_positive(measure):
    sites = np.random.default_rng(0).uniform(0, 100, (12, 2))
    value = np.append(np.exp(np.random.default_rng(1).normal(0, 2, 11)), 0.0)

    for transform in ("auto", "log"):
        assert fit_covariances((measure(sites, value),), transform=transform)[0].transform.name == "none"


def test_replicates_win_over_the_stated_repeatability_and_split_the_nugget(measure, simulate):
    sites, g = simulate(count=60, side_m=600.0, variogram=Variogram("exponential", 150.0, 0.3, 1.0), seed=5)
    twice = np.where(np.arange(60) < 20, 2, 1)
    spread = np.where(twice == 2, 0.04, np.nan)

    stated = fit_covariances((measure(sites, 10 + g, repeatability_cv=0.01),), transform="none")[0].variogram
    replicated = fit_covariances(
        (measure(sites, 10 + g, repeatability_cv=0.01, replicates=twice, replicate_variance=spread),), transform="none"
    )[0].variogram

    assert stated.measurement_variance == pytest.approx((0.01 * np.mean(10 + g)) ** 2)
    assert replicated.measurement_variance == pytest.approx(0.04)
    assert replicated.nugget > replicated.measurement_variance


def test_measurement_error_is_never_more_than_the_nugget(measure, simulate):
    sites, g = simulate(count=60, side_m=600.0, variogram=Variogram("exponential", 150.0, 0.3, 1.0), seed=5)

    fitted = fit_covariances((measure(sites, 10 + g, repeatability_cv=5.0),), transform="none")[0].variogram

    assert fitted.measurement_variance == fitted.nugget


def test_pooled_replicates_have_the_variance_computed_by_hand(measure):
    # Places of 2 and 3 rows (1 and 2 degrees of freedom), variances 0.5 and 2.0, means 5 and 10.
    # Pooled: (0.5 + 2 * 2.0) / 3 = 1.5; squared CVs 0.02 and 0.02 pool to 0.02, on the log scale log(1.02).
    sites = np.array([[0.0, 0.0], [10.0, 0.0], [0.0, 10.0]])
    rows, spread = np.array([2, 1, 3]), np.array([0.5, np.nan, 2.0])
    samples = measure(sites, np.array([5.0, 7.0, 10.0]), replicates=rows, replicate_variance=spread)

    assert measurement_variance(samples, Transform("none")) == pytest.approx(1.5)
    assert measurement_variance(samples, Transform("log")) == pytest.approx(np.log(1.02))


def test_the_choice_of_scale_weighs_the_same_in_every_unit():
    # The unit moves the likelihood of n - 1 standardised contrasts not at all: the Jacobians' difference must not move.
    value = np.array([1.0, 2.5, 4.0, 9.0, 3.0])

    none, log, *_ = candidates(value, "auto")
    none_lb, log_lb, *_ = candidates(1000.0 * value, "auto")

    assert log_lb.log_jacobian - none_lb.log_jacobian == pytest.approx(log.log_jacobian - none.log_jacobian)
    # By hand: 4 (mean log(1 / z) - log sd log z) - 4 (-log sd z).
    by_hand = 4 * (-np.log(value).mean() - np.log(np.std(np.log(value))) + np.log(np.std(value)))
    assert log.log_jacobian - none.log_jacobian == pytest.approx(by_hand)


def averaged(simulate, measure, *, seed, count, partial_sill, real_nugget=1e-9):
    """Half of the places (the western ones) average 20 rows with a measurement variance of 0.6, the others have one."""
    sites, signal = simulate(
        count=count, side_m=900.0, variogram=Variogram("exponential", 150.0, real_nugget, partial_sill), seed=seed
    )
    rows = np.where(sites[:, 0] < 450.0, 20, 1)
    rng = np.random.default_rng(seed + 1000)
    value = 10.0 + signal + rng.normal(0, np.sqrt(0.6 / rows))
    return measure(sites, value, replicates=rows, replicate_variance=np.where(rows > 1, 0.6, np.nan))


@pytest.mark.parametrize("real_nugget", [1e-9, 1.0], ids=["error only", "error and short-range variation"])
def test_the_nugget_is_a_plain_samples_where_many_values_are_averages(real_nugget, measure, simulate):
    nuggets = []
    for seed in range(5):
        samples = averaged(simulate, measure, seed=seed, count=250, partial_sill=1.0, real_nugget=real_nugget)
        nuggets.append(fit_covariances((samples,), transform="none")[0].variogram.nugget)

    # Taken as equals, averages (0.03) and plain samples (0.6) would share a nugget of about 0.3; with all of the nugget
    # taken for error, also where only a part of it is, it would be far above 1.6.
    assert np.mean(nuggets) == pytest.approx(0.6 + real_nugget, rel=0.25)


def test_no_field_is_taken_for_perfectly_smooth(measure):
    # 1e-4 of the sill, 1 % of the standard deviation, stays as nugget: a smooth model without any is singular.
    sites = np.random.default_rng(4).uniform(0, 600, (40, 2))

    smooth = measure(sites, 10 + np.sin(sites[:, 0] / 200) + np.cos(sites[:, 1] / 150))

    fitted = fit_covariances((smooth,), families=("matern_5_2",), transform="none")[0].variogram
    assert fitted.nugget_ratio == pytest.approx(1e-4)


def test_white_noise_with_unequal_errors_shows_structure_no_more_often_than_the_level_says(measure, simulate):
    p = []
    for seed in range(120):
        samples = averaged(simulate, measure, seed=seed, count=14, partial_sill=1e-9)
        p.append(fit_covariances((samples,), transform="none", seed=seed)[0].structure_p)

    # In well over half of such fields the best spatial model is no better than pure nugget (p is 1), so that levels
    # above that share cannot be reached: only lower ones are compared.
    for level in (0.05, 0.2):
        seen = int(np.count_nonzero(np.array(p) <= level))
        assert binom.ppf(0.0005, len(p), level) <= seen <= binom.ppf(0.9995, len(p), level)
