"""Cross-validation that refits in every fold."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.geostat.folds import k_fold, spread_folds
from zonemap.geostat.kriging import field_mean, ordinary_block_kriging, ordinary_point_kriging
from zonemap.values.variogram import Variogram

METHODS = {
    "integrated_block_kriging": {},
    "ordinary_block_kriging": {"method": ordinary_block_kriging, "block_support": True},
    "ordinary_point_kriging": {"method": ordinary_point_kriging},
    "field_mean": {"method": field_mean},
}


@pytest.fixture(scope="module")
def noise(measure):
    rng = np.random.default_rng(8)
    return measure(rng.uniform(0, 600, (60, 2)), np.exp(rng.normal(0, 0.3, 60)))


@pytest.fixture(scope="module")
def smooth(measure, simulate):
    sites, g = simulate(count=60, side_m=600.0, variogram=Variogram("matern_5_2", 90.0, 0.002, 0.2), seed=5)
    return measure(sites, np.exp(1 + g), repeatability_cv=0.04)


@pytest.mark.parametrize("name", METHODS)
def test_on_white_noise_no_method_is_better_than_the_mean(noise, name):
    said = k_fold(noise, **METHODS[name])

    # chance alone moves the ratio by a few hundredths; a method that saw the left-out values would fall far below
    assert said.diagnostics.rmse > 0.97 * said.rmse_of_mean
    assert said.mapped <= 0.2


@pytest.mark.parametrize("name", ["integrated_block_kriging", "ordinary_block_kriging", "ordinary_point_kriging"])
def test_on_a_smooth_field_a_map_is_much_better_than_the_mean(smooth, name):
    said = k_fold(smooth, **METHODS[name])

    assert said.mapped == 1.0
    assert said.diagnostics.rmse < 0.4 * said.rmse_of_mean
    assert said.diagnostics.crps < 0.4 * k_fold(smooth, method=field_mean).diagnostics.crps
    assert 0.5 < said.diagnostics.msdr < 2.0
    assert said.diagnostics.coverage_90 >= 0.8


def test_a_block_method_with_its_short_range_variation_put_back_is_the_point_method(measure, simulate):
    # Two ways to one number: kriging blocks of no size and adding the real nugget, or kriging points with it (PyKrige).
    sites, g = simulate(count=40, side_m=600.0, variogram=Variogram("exponential", 150.0, 0.08, 0.2), seed=2)
    quantity = measure(sites, np.exp(g), repeatability_cv=0.1)

    block = k_fold(quantity, folds=5, **METHODS["ordinary_block_kriging"])
    point = k_fold(quantity, folds=5, **METHODS["ordinary_point_kriging"])

    assert block.mapped == point.mapped > 0
    np.testing.assert_allclose(block.predicted, point.predicted, rtol=1e-6)
    assert block.diagnostics.msdr == pytest.approx(point.diagnostics.msdr, rel=1e-6)
    assert block.diagnostics.crps == pytest.approx(point.diagnostics.crps, rel=1e-6)


def test_leaving_one_out_at_a_time_of_the_mean_is_the_textbook_value(measure):
    # Leaving one out of n moves the mean by (z - mean) / (n - 1): the error is n / (n - 1) (z - mean).
    rng = np.random.default_rng(1)
    value = rng.normal(0, 1, 9)

    said = k_fold(measure(rng.uniform(0, 9, (9, 2)), value), folds=99, method=field_mean)

    assert sorted(said.fold) == list(range(9))
    np.testing.assert_allclose(said.predicted - value, -9 / 8 * (value - value.mean()), atol=1e-12)
    assert said.diagnostics.rmse == pytest.approx(said.rmse_of_mean)


def test_intervals_of_readings_hold_what_they_promise(measure):
    # No structure and normal values: nine tenths of left-out readings are inside. A quarter of their variance is
    # measurement error, which the surface leaves out: without it only 0.85 would be inside.
    rng = np.random.default_rng(6)
    inside = []
    for _ in range(30):
        quantity = measure(rng.uniform(0, 500, (30, 2)), 10 + rng.normal(0, 1, 30), repeatability_cv=0.05)
        said = k_fold(quantity, folds=5, method=partial(field_mean, transform="none"))
        inside.append(said.diagnostics.coverage_90)

    assert np.mean(inside) == pytest.approx(0.90, abs=0.02)


def test_values_that_hardly_differ_are_judged_without_dividing_by_nothing(measure):
    value = np.zeros(10)
    value[4] = 5.0

    said = k_fold(measure(np.random.default_rng(0).uniform(0, 9, (10, 2)), value), folds=10, method=field_mean)

    assert said.predicted[4] == 0
    assert np.isfinite(said.diagnostics.crps)
    assert said.diagnostics.msdr > 1e9


def test_the_order_of_the_rows_does_not_matter(measure, smooth):
    turned = np.random.default_rng(0).permutation(smooth.count)
    sites = np.column_stack([smooth.easting_m, smooth.northing_m])[turned]

    said = k_fold(smooth, folds=4)
    other = k_fold(measure(sites, smooth.value[turned], repeatability_cv=0.04), folds=4)

    np.testing.assert_array_equal(other.fold, said.fold[turned])
    np.testing.assert_allclose(other.predicted, said.predicted[turned], rtol=1e-9)


@given(count=st.integers(3, 80), folds=st.integers(2, 12), seed=st.integers(0, 5))
def test_folds_are_even_and_do_not_depend_on_the_order_of_the_points(count, folds, seed):
    rng = np.random.default_rng(count)
    easting, northing = rng.uniform(0, 900, (2, count)).round(1)
    turned = rng.permutation(count)

    fold = spread_folds(easting, northing, folds=folds, seed=seed)

    sizes = np.bincount(fold, minlength=min(folds, count))
    assert len(sizes) == min(folds, count)
    assert np.ptp(sizes) <= 1
    np.testing.assert_array_equal(spread_folds(easting[turned], northing[turned], folds=folds, seed=seed), fold[turned])


def test_every_fold_covers_the_field():
    easting, northing = (axis.ravel() for axis in np.meshgrid(np.arange(8.0), np.arange(8.0)))

    fold = spread_folds(easting, northing, folds=4)

    quadrant = 2 * (easting > 3.5) + (northing > 3.5)
    for k in range(4):
        np.testing.assert_array_equal(np.bincount(quadrant[fold == k].astype(int), minlength=4), [4, 4, 4, 4])


def test_another_seed_deals_other_folds():
    easting, northing = np.random.default_rng(0).uniform(0, 1, (2, 40))
    assert np.any(spread_folds(easting, northing, folds=5) != spread_folds(easting, northing, folds=5, seed=1))


def test_two_places_are_too_few_to_leave_any_out(measure):
    with pytest.raises(InputError, match="Take 3 samples or more"):
        k_fold(measure(np.array([[0.0, 0.0], [5.0, 5.0]]), np.array([1.0, 2.0])))


def test_one_fold_is_refused(noise):
    with pytest.raises(InputError, match="Give 2 or more"):
        k_fold(noise, folds=1)
