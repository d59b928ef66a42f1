"""The surface method with integrated parameters: laws, evidence, refusals, whatever the samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from zonemap.errors import InputError
from zonemap.geostat import integrated
from zonemap.geostat.integrated import MOST_INTEGRATED_POINTS, integrated_block_kriging
from zonemap.geostat.kriging import ordinary_block_kriging
from zonemap.values.covariate import PointCovariate, RasterCovariate
from zonemap.values.variogram import Variogram

PROBABILITIES = (0.02, 0.05, 0.25, 0.5, 0.75, 0.95, 0.98)


@pytest.fixture
def structured(simulate, measure):
    def build(seed=12, count=45, **kept):
        model = Variogram("exponential", 220.0, 0.04, 0.2)
        sites, g = simulate(count=count, side_m=600.0, variogram=model, seed=seed)
        return measure(sites, np.exp(1 + g), **kept)

    return build


def moved(measure, samples, value=None, *, order=slice(None), **changed):
    sites = np.column_stack([samples.easting_m, samples.northing_m])
    return measure(sites[order], (samples.value if value is None else value)[order], **changed)


def test_a_surface_carries_all_its_evidence(structured, square_grid):
    surface = integrated_block_kriging((structured(),), square_grid(600.0, 15))[0]

    validation = surface.evidence.cross_validation
    assert (surface.quantity, surface.unit) == ("K", "kg/ha/day")
    assert (surface.evidence.samples, surface.evidence.structure) == (45, "found")
    assert surface.evidence.variogram.family in ("exponential", "matern_5_2")
    assert surface.evidence.empirical.pairs.sum() > 0
    assert validation.rmse < np.std(structured().value)
    assert 0.6 < validation.msdr < 1.6
    assert 0.8 <= validation.coverage_90 <= 1.0
    assert 0.1 * validation.rmse < validation.crps < validation.rmse
    assert abs(validation.mean_error) < 0.3 * validation.rmse
    assert surface.cells == 225


def test_a_map_is_less_sure_than_one_that_takes_its_variogram_for_the_truth(structured, square_grid):
    samples, grid = (structured(count=20, seed=3),), square_grid(600.0, 12)

    integrated, plugged_in = (
        method(samples, grid, structure_level=1.0)[0] for method in (integrated_block_kriging, ordinary_block_kriging)
    )

    width, plugged_in_width = (
        np.mean(surface.g_at_score(1.6449) - surface.g_at_score(-1.6449)) for surface in (integrated, plugged_in)
    )
    assert width > plugged_in_width


def test_a_map_is_surer_near_samples_than_outside_them(structured, square_grid):
    surface = integrated_block_kriging((structured(),), square_grid(1200.0, 12))[0]

    deviation = surface.standard_deviation().reshape(12, 12) / surface.mean().reshape(12, 12)
    assert deviation[6:, :6].mean() < deviation[:3, 9:].mean()


def test_a_longer_short_range_leaves_more_of_the_nugget_in_a_cell(structured, square_grid):
    samples = (structured(repeatability_cv=0.02),)

    widths = [
        np.mean(surface.g_at_score(1.6449) - surface.g_at_score(-1.6449))
        for short_range_m in (0.5, 10.0, 100.0)
        for surface in integrated_block_kriging(samples, square_grid(600.0, 30), short_range_m=short_range_m)
    ]

    assert widths[0] < widths[1] < widths[2]


@pytest.mark.parametrize("short_range_m", [0.0, -3.0, np.inf, np.nan])
def test_a_short_range_that_is_no_length_is_refused(structured, square_grid, short_range_m):
    with pytest.raises(InputError, match="positive number of metres"):
        integrated_block_kriging((structured(),), square_grid(600.0, 2), short_range_m=short_range_m)


def test_without_structure_the_surface_keeps_near_the_field_mean_and_says_so(measure, square_grid):
    leaning = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        noise = measure(rng.uniform(0, 600, (20, 2)), 10 + rng.standard_normal(20))
        surface = integrated_block_kriging((noise,), square_grid(600.0, 6), transform="none", structure_level=0.0)[0]
        assert surface.evidence.structure == "not_found"
        assert "apply one rate" in surface.evidence.notes[-1].text
        leaning.append(np.std(surface.mean()) / np.std(noise.value))

    assert np.median(leaning) < 0.25


def test_structure_counts_only_where_the_mixture_predicts_left_out_samples_no_worse_than_the_mean(measure, square_grid):
    # At level 1 the p-value never objects, so leave-one-out alone decides.
    vetoed = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        noise = measure(rng.uniform(0, 600, (12, 2)), 10 + rng.standard_normal(12))
        evidence = integrated_block_kriging((noise,), square_grid(600.0, 2), transform="none", structure_level=1.0)[
            0
        ].evidence
        of_mean = np.sqrt(np.mean(np.square((noise.value - noise.value.mean()) * 12 / 11)))
        assert (evidence.structure == "found") == (evidence.cross_validation.rmse <= of_mean)
        vetoed += evidence.structure == "not_found"
    assert vetoed > 0


def test_with_many_points_one_fitted_covariance_is_used(measure, simulate, square_grid, monkeypatch):
    assert MOST_INTEGRATED_POINTS > 60
    monkeypatch.setattr(integrated, "MOST_INTEGRATED_POINTS", 60)  # a fit of as many takes seconds
    model = Variogram("exponential", 150.0, 0.1, 1.0)
    sites, g = simulate(count=61, side_m=600.0, variogram=model, seed=1)
    samples, grid = (measure(sites, 10 + g),), square_grid(600.0, 4)

    whole, plugged_in = (method(samples, grid)[0] for method in (integrated_block_kriging, ordinary_block_kriging))

    for score in (-2.0, 0.0, 2.0):
        np.testing.assert_array_equal(whole.g_at_score(score), plugged_in.g_at_score(score))


@pytest.mark.parametrize("seed", [0, 1, 4])
def test_the_order_of_the_rows_changes_nothing(seed, structured, measure, square_grid):
    samples = structured(seed)
    order = np.random.default_rng(seed).permutation(samples.count)

    one = integrated_block_kriging((samples,), square_grid(600.0, 10))[0]
    other = integrated_block_kriging((moved(measure, samples, order=order),), square_grid(600.0, 10))[0]

    for score in (-2.0, 0.0, 2.0):
        np.testing.assert_array_equal(other.g_at_score(score), one.g_at_score(score))
    assert other.evidence.cross_validation.crps == pytest.approx(one.evidence.cross_validation.crps, rel=1e-12)


@pytest.mark.parametrize("factor", [1 / 1.120851, 1e-9, 1e9])
@pytest.mark.parametrize("transform", ["none", "log"])
def test_a_change_of_unit_changes_nothing_but_the_unit(factor, transform, structured, measure, square_grid):
    samples = structured()

    one = integrated_block_kriging((samples,), square_grid(600.0, 10), transform=transform)[0]
    stretched = moved(measure, samples, factor * samples.value)
    other = integrated_block_kriging((stretched,), square_grid(600.0, 10), transform=transform)[0]

    for probability in PROBABILITIES:
        np.testing.assert_allclose(other.quantile(probability), factor * one.quantile(probability), rtol=1e-4)
    assert other.evidence.cross_validation.msdr == pytest.approx(one.evidence.cross_validation.msdr, rel=1e-6)


def test_a_shift_of_the_values_shifts_the_surface(structured, measure, square_grid):
    # replicate rows state the error in the unit of the values, so that it does not move with them
    replicates, variance = np.full(45, 2), np.full(45, 0.02)
    samples = structured(replicates=replicates, replicate_variance=variance)
    higher = moved(measure, samples, 50 + samples.value, replicates=replicates, replicate_variance=variance)

    one, other = (
        integrated_block_kriging((quantity,), square_grid(600.0, 10), transform="none")[0]
        for quantity in (samples, higher)
    )

    for probability in PROBABILITIES:
        np.testing.assert_allclose(other.quantile(probability), 50 + one.quantile(probability), atol=1e-4)


def test_quantities_mapped_together_are_as_if_mapped_alone(structured, measure, square_grid):
    first = structured(1)
    second = moved(measure, first, structured(2).value[::-1] * 0.3 + first.value, quantity="P")
    elsewhere = structured(12, quantity="N")
    grid = square_grid(600.0, 12)

    together = integrated_block_kriging((first, second, elsewhere), grid)
    alone = tuple(integrated_block_kriging((quantity,), grid)[0] for quantity in (first, second, elsewhere))

    assert [surface.quantity for surface in together] == ["K", "P", "N"]
    for one, other in zip(together, alone, strict=True):
        for probability in PROBABILITIES:
            np.testing.assert_allclose(one.quantile(probability), other.quantile(probability), rtol=1e-3)


def test_intervals_of_what_is_in_the_field_hold_what_they_promise(measure, square_grid):
    # 60 log-normal fields, 15 samples each, nugget of 20 % that is measurement error, one cell each in 600 x 600 m.
    # Coverage of 0.90 has a standard error of 0.039 here: 3 of them, both ways.
    rng = np.random.default_rng(0)
    model = Variogram("exponential", 250.0, 0.0, 0.16)
    inside = []
    for _ in range(60):
        sites = np.vstack([rng.uniform(0, 600, (15, 2)), [[300.0, 300.0]]])
        covariance = model.sill * np.exp(-np.hypot(*(sites[:, None] - sites).transpose(2, 0, 1)) / model.range_m)
        g = np.linalg.cholesky(covariance + 1e-10 * np.eye(16)) @ rng.standard_normal(16)
        value = np.exp(g[:15] + 0.2 * rng.standard_normal(15))
        grid = square_grid(600.0, 1)
        small = type(grid)(grid.crs, 299.5, 300.5, 1.0, np.ones((1, 1)))
        samples = (measure(sites[:15], value, repeatability_cv=0.2),)
        surface = integrated_block_kriging(samples, small, structure_level=1.0)[0]
        inside.append(surface.quantile(0.05)[0] <= np.exp(g[15]) <= surface.quantile(0.95)[0])

    assert np.mean(inside) == pytest.approx(0.90, abs=0.117)


HARD_VALUES = st.one_of(
    arrays(float, st.integers(1, 14), elements=st.floats(-1e30, 1e30).map(lambda v: 0.0 if abs(v) < 1e-30 else v)),
    arrays(float, st.integers(8, 14), elements=st.floats(1e-30, 1e30)),
    arrays(float, st.integers(8, 14), elements=st.sampled_from([0.0, 1.0, 1.0 + 1e-12, 2.0])),
    arrays(float, st.integers(8, 14), elements=st.floats(1.0, 1.5)),
)


def covariates_beside(beside, sites, seed):
    rng = np.random.default_rng(seed)
    pixels = np.full((5, 5), 2.0) if beside == "a constant" else rng.lognormal(0, 3, (5, 5))
    raster = RasterCovariate("raster", sites[:, 0].min(), sites[:, 1].max(), 20.0, pixels)
    points = PointCovariate("points", *rng.uniform(0, 100, (2, 30)) + sites[:1].T, rng.normal(0, 1, 30))
    return {"nothing": (), "a raster and points": (raster, points)}.get(beside, (raster,))


# 2,000 of them: pytest --hypothesis-profile=thorough
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    value=HARD_VALUES,
    layout=st.sampled_from(["scattered", "line", "pairs a hand apart", "one far away"]),
    family=st.sampled_from(["auto", "spherical", "exponential", "matern_3_2", "matern_5_2"]),
    beside=st.sampled_from(["nothing", "a raster", "a constant", "a raster and points"]),
    cv=st.sampled_from([0.0, 0.15, 2.0]),
    cell_m=st.sampled_from([0.01, 25.0, 1e5]),
    seed=st.integers(0, 100),
    in_order=st.booleans(),
)
def test_no_set_of_samples_gives_a_crash_or_a_number_that_is_not_finite(
    value, layout, family, beside, cv, cell_m, seed, in_order, measure, square_grid
):
    n = len(value)
    sites = np.random.default_rng(seed).uniform(0, 100, (n, 2)) + np.array([5e5, 4.5e6])
    if layout == "line":
        sites = np.column_stack([np.arange(n) * 10.0, np.arange(n) * 20.0])
    elif layout == "pairs a hand apart":
        sites[n // 2 :] = sites[: n - n // 2] + 0.02 * np.arange(1, n - n // 2 + 1)[:, None]
    elif layout == "one far away":
        sites[0] += 1e6
    if in_order:  # values that rise to the east are structure, however odd they are
        sites, value = sites[np.argsort(sites[:, 0])], np.sort(value)

    samples = (measure(sites, value, repeatability_cv=cv),)
    surface = integrated_block_kriging(
        samples,
        square_grid(4 * cell_m, 4),
        covariates=covariates_beside(beside, sites, seed),
        family=family,
        structure_level=1.0,
    )[0]

    assert np.all(np.isfinite([surface.g_at_score(score) for score in (-2.0, 0.0, 2.0)]))
    assert np.all(np.diff([surface.g_at_score(score) for score in np.linspace(-4, 4, 33)], axis=0) >= 0)
    validation = surface.evidence.cross_validation
    if validation is not None:
        assert np.all(np.isfinite([validation.msdr, validation.rmse, validation.mean_error]))
