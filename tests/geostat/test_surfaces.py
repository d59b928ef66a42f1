"""The surface methods: evidence, the field mean, one composite sample, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student_t

from zonemap.errors import InputError
from zonemap.geostat.kriging import field_mean, ordinary_block_kriging, ordinary_point_kriging, single_value
from zonemap.geostat.many_points import many_point_block_kriging
from zonemap.geostat.student import widening
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.variogram import Variogram


@pytest.fixture
def structured(simulate, measure):
    sites, g = simulate(count=45, side_m=600.0, variogram=Variogram("exponential", 220.0, 0.04, 0.2), seed=12)
    return measure(sites, np.exp(1 + g))


def test_a_kriged_surface_carries_all_its_evidence(structured, square_grid):
    surface = ordinary_block_kriging((structured,), square_grid(600.0, 15))[0]

    evidence = surface.evidence
    assert (surface.quantity, surface.unit) == ("K", "kg/ha/day")
    assert (evidence.samples, evidence.structure) == (45, "found")
    assert evidence.structure_p == pytest.approx(1 / 500)
    assert evidence.variogram.measurement_variance <= evidence.variogram.nugget
    assert evidence.empirical.pairs.sum() > 0
    assert evidence.cross_validation.rmse < np.std(structured.value)
    assert 0.5 < evidence.cross_validation.msdr < 2.0
    assert evidence.cross_validation.coverage_90 >= 0.75
    assert evidence.notes == ()
    assert surface.cells == 225


def test_a_map_is_surer_near_samples_than_outside_them(structured, square_grid):
    surface = ordinary_block_kriging((structured,), square_grid(1200.0, 12))[0]

    deviation = surface.spread().reshape(12, 12)
    assert deviation[6:, :6].mean() < deviation[:3, 9:].mean()


def test_point_kriging_is_less_sure_than_block_kriging_and_agrees_on_a_fine_grid(structured, square_grid):
    grid = square_grid(600.0, 100)

    block, point = (
        method((structured,), grid, family="exponential")[0]
        for method in (ordinary_block_kriging, ordinary_point_kriging)
    )

    assert point.evidence.variogram == block.evidence.variogram
    assert np.all(point.spread() >= block.spread() - 1e-9)
    np.testing.assert_allclose(point.mean(), block.mean(), rtol=0.05)


def test_point_kriging_predicts_the_true_value_not_what_a_new_sample_would_read(simulate, measure, square_grid):
    sites, g = simulate(count=60, side_m=600.0, variogram=Variogram("exponential", 220.0, 0.3, 1.0), seed=3)
    grid = square_grid(600.0, 8)

    surface = ordinary_point_kriging((measure(sites, 10 + g, repeatability_cv=0.03),), grid, transform="none")[0]

    variogram = surface.evidence.variogram
    assert 0 < variogram.measurement_variance < variogram.nugget
    system = kriging_system(sites, 10 + g, variogram)
    real = variogram.nugget - variogram.measurement_variance
    mean, variance = krige((system,), sites, np.column_stack(grid.centres()), target_nugget=(real,))
    np.testing.assert_allclose(surface.centre(), mean[0], rtol=1e-8)
    np.testing.assert_allclose(surface.spread(), np.sqrt(variance[0]) * widening(59), rtol=1e-8)


def test_without_structure_the_surface_is_the_mean_with_students_interval(measure, square_grid):
    # Textbook prediction interval: mean +- t s sqrt(1 + 1/n), here with the measurement part taken off the cell's own
    # share (e.g. Snedecor & Cochran 1989, Statistical Methods, 8th ed., chapter 4; from memory).
    rng = np.random.default_rng(2)
    noise = measure(rng.uniform(0, 600, (20, 2)), 10 + rng.standard_normal(20), repeatability_cv=0.05)

    surface = ordinary_block_kriging((noise,), square_grid(600.0, 4), transform="none")[0]

    spread = np.var(noise.value, ddof=1)
    variance = spread - (0.05 * noise.value.mean()) ** 2 + spread / 20
    assert surface.evidence.structure == "not_found"
    np.testing.assert_allclose(surface.mean(), noise.value.mean(), rtol=1e-12)
    np.testing.assert_allclose(
        surface.quantile(0.95), noise.value.mean() + student_t.ppf(0.95, 19) * np.sqrt(variance), rtol=1e-9
    )


def test_intervals_of_a_new_place_around_the_field_mean_hold_what_they_promise(measure, square_grid):
    # No structure, six samples, no measurement error: Student's prediction interval is exact, so 90 % of new places
    # are inside; 2,000 trials fix that to 0.7 %.
    rng = np.random.default_rng(0)
    sites, grid = rng.uniform(0, 600, (6, 2)), square_grid(600.0, 1)
    inside = []
    for _ in range(2000):
        value = np.exp(rng.normal(0, 0.4, 7))
        surface = field_mean((measure(sites, value[:6], repeatability_cv=0.0),), grid)[0]
        inside.append(surface.quantile(0.05)[0] <= value[6] <= surface.quantile(0.95)[0])

    assert np.mean(inside) == pytest.approx(0.90, abs=0.025)


def test_leave_one_out_of_the_mean_is_the_textbook_value(measure, square_grid):
    # Leaving one out of n moves the mean by (z - mean) / (n - 1): the error is n / (n - 1) (z - mean).
    rng = np.random.default_rng(1)
    value = rng.normal(10, 1, 5)
    value -= value.min() + 1  # not positive: no logarithm

    validation = field_mean((measure(rng.uniform(0, 9, (5, 2)), value),), square_grid(9.0, 1))[
        0
    ].evidence.cross_validation

    assert validation.rmse == pytest.approx(5 / 4 * np.std(value))
    assert validation.mean_error == pytest.approx(0.0, abs=1e-12)


def test_one_composite_sample_is_its_value_as_sure_as_it_is_repeatable(measure, square_grid):
    one = measure(np.array([[50.0, 50.0]]), np.array([3.0]), repeatability_cv=0.2)

    for surface in (
        *single_value((one,), square_grid(100.0, 3)),
        *ordinary_block_kriging((one,), square_grid(100.0, 3)),
    ):
        np.testing.assert_allclose(surface.mean(), 3.0, rtol=1e-12)
        np.testing.assert_allclose(surface.standard_deviation(), 0.2 * 3.0, rtol=1e-9)
        assert surface.evidence.structure == "too_few"
        assert surface.evidence.cross_validation is None
        assert surface.evidence.notes


def test_equal_values_give_that_value_and_its_repeatability(measure, square_grid):
    sites = np.random.default_rng(0).uniform(0, 100, (10, 2))

    surface = ordinary_block_kriging((measure(sites, np.full(10, 2.0)),), square_grid(100.0, 3))[0]

    np.testing.assert_allclose(surface.mean(), 2.0, rtol=1e-12)
    np.testing.assert_allclose(surface.standard_deviation(), 0.3, rtol=1e-9)
    assert surface.evidence.structure == "not_found"


def test_zeros_everywhere_give_zero(measure, square_grid):
    sites = np.random.default_rng(0).uniform(0, 100, (10, 2))

    surface = ordinary_block_kriging((measure(sites, np.zeros(10)),), square_grid(100.0, 3))[0]

    assert np.all(surface.quantile(0.95) == 0)


def test_two_samples_that_agree_by_chance_are_not_surer_than_their_repeatability(measure, square_grid):
    two = measure(np.array([[0.0, 0.0], [50.0, 50.0]]), np.array([3.0, 3.001]), repeatability_cv=0.2)

    surface = ordinary_block_kriging((two,), square_grid(100.0, 1))[0]

    assert surface.standard_deviation()[0] > 0.2 * 3.0 / np.sqrt(2)


def test_several_places_are_not_one_composite_sample(structured, square_grid):
    with pytest.raises(InputError, match="Use field_mean"):
        single_value((structured,), square_grid(600.0, 2))


def test_too_many_points_for_point_kriging_are_refused(measure, square_grid):
    sites = np.random.default_rng(0).uniform(0, 600, (3001, 2))

    with pytest.raises(InputError, match="or many_point_block_kriging"):
        ordinary_point_kriging((measure(sites, np.arange(3001.0)),), square_grid(600.0, 2))


def test_too_many_points_for_one_neighbourhood_are_kriged_from_the_nearest_and_that_is_said(
    structured, measure, square_grid, monkeypatch
):
    # the limit itself is lowered: a likelihood of thousands of points takes minutes
    monkeypatch.setattr("zonemap.geostat.kriging.MOST_POINTS", 60)
    rng = np.random.default_rng(0)
    sites = rng.uniform(0, 600, (150, 2))
    many = measure(sites, 5 + np.sin(sites[:, 0] / 90) + rng.normal(0, 0.3, 150), quantity="P")
    grid = square_grid(600.0, 8)

    few_surface, many_surface = ordinary_block_kriging((structured, many), grid)

    assert few_surface.quantity == "K"
    np.testing.assert_array_equal(
        few_surface.quantile(0.3), ordinary_block_kriging((structured,), grid)[0].quantile(0.3)
    )
    np.testing.assert_array_equal(many_surface.quantile(0.3), many_point_block_kriging((many,), grid)[0].quantile(0.3))
    assert many_surface.evidence.samples == 150
    assert "P: 150 points are more than the 60" in many_surface.evidence.notes[0].text


def test_many_points_are_fitted_to_a_choice_of_them_and_that_is_said(measure, simulate, square_grid):
    sites, g = simulate(count=700, side_m=600.0, variogram=Variogram("exponential", 150.0, 0.1, 1.0), seed=1)

    surface = ordinary_block_kriging((measure(sites, 10 + g),), square_grid(600.0, 4), transform="none")[0]

    assert surface.evidence.structure == "found"
    assert "600 of 700 points" in surface.evidence.notes[0].text
