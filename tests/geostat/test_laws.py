"""What holds for every set of samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from zonemap.geostat.covariance import CORRELATIONS, block_offsets, within_block_correlation
from zonemap.geostat.kriging import ordinary_block_kriging, ordinary_point_kriging
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.variogram import Variogram

EASY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
FAMILIES = st.sampled_from(sorted(CORRELATIONS))


@st.composite
def scattered(draw, least=2, most=25):
    """Draw points of a half-metre lattice, no two at one place, and values."""
    count = draw(st.integers(least, most))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    cells = rng.choice(200 * 200, count, replace=False)
    return np.column_stack(np.divmod(cells, 200)) * 0.5, rng.normal(0, 1, count)


@EASY
@given(scattered(), FAMILIES, st.floats(2.0, 60.0))
def test_kriging_is_exact_at_samples_without_nugget(samples, family, range_m):
    sites, value = samples
    system = kriging_system(sites, value, Variogram(family, range_m, 0.0, 1.0))

    mean, variance = krige((system,), sites, sites)

    # A smooth model over a long range is ill-conditioned: 1e-13 jitter over a condition of up to 1e9.
    np.testing.assert_allclose(mean[0], value, atol=1e-4)
    np.testing.assert_allclose(variance[0], 0.0, atol=1e-4)
    assert np.all(variance >= 0)


@EASY
@given(scattered(), FAMILIES, st.floats(0.0, 0.9), st.floats(1.0, 80.0))
def test_kriging_weights_sum_to_one(samples, family, nugget, range_m):
    sites, value = samples
    variogram = Variogram(family, range_m, nugget, 1.0 - nugget)
    targets = np.array([[10.0, 20.0], [150.0, -30.0]])

    systems = tuple(kriging_system(sites, unit, variogram) for unit in np.eye(len(value)))
    weights, _ = krige(systems, sites, targets, offsets=block_offsets(5.0, 2))

    np.testing.assert_allclose(weights.sum(axis=0), 1.0, rtol=1e-6)


@EASY
@given(scattered(), FAMILIES, st.floats(-1e3, 1e3), st.floats(0.01, 100.0))
def test_kriging_moves_and_stretches_with_its_values(samples, family, shift, scale):
    sites, value = samples
    targets = np.array([[10.0, 20.0], [60.0, 60.0]])
    plain = kriging_system(sites, value, Variogram(family, 15.0, 0.1, 0.9, 0.05))
    changed = kriging_system(
        sites, shift + scale * value, Variogram(family, 15.0, 0.1 * scale**2, 0.9 * scale**2, 0.05 * scale**2)
    )

    mean, variance = krige((plain,), sites, targets)
    changed_mean, changed_variance = krige((changed,), sites, targets)

    np.testing.assert_allclose(changed_mean, shift + scale * mean, rtol=1e-9, atol=1e-9 * (1 + abs(shift) + scale))
    np.testing.assert_allclose(changed_variance, scale**2 * variance, rtol=1e-8)


@EASY
@given(scattered(least=3), FAMILIES)
def test_one_more_sample_never_makes_a_block_less_sure(samples, family):
    sites, value = samples
    variogram = Variogram(family, 20.0, 0.2, 0.8, 0.1)
    target, offsets = np.array([[30.0, 40.0]]), block_offsets(10.0, 3)

    def variance(count):
        system = kriging_system(sites[:count], value[:count], variogram)
        return krige((system,), sites[:count], target, offsets=offsets)[1][0, 0]

    assert variance(len(value)) <= variance(len(value) - 1) + 1e-9


@EASY
@given(FAMILIES, st.floats(1.0, 100.0), st.floats(0.1, 50.0))
def test_a_block_mean_varies_less_than_a_point_and_a_small_block_as_much(family, range_m, side_m):
    block = within_block_correlation(family, range_m, block_offsets(side_m, 4))

    assert 0.0 < block < 1.0
    assert within_block_correlation(family, range_m, block_offsets(range_m * 1e-6, 4)) == pytest.approx(1.0, abs=1e-5)


def structured(simulate, seed, count=30):
    sites, g = simulate(count=count, side_m=600.0, variogram=Variogram("exponential", 200.0, 0.02, 0.2), seed=seed)
    return sites, np.exp(1.0 + g)


@pytest.mark.parametrize("seed", range(4))
def test_the_order_of_the_rows_changes_nothing(seed, simulate, measure, square_grid):
    sites, value = structured(simulate, seed)
    order = np.random.default_rng(seed).permutation(len(value))

    one = ordinary_block_kriging((measure(sites, value),), square_grid(600.0, 10))[0]
    other = ordinary_block_kriging((measure(sites[order], value[order]),), square_grid(600.0, 10))[0]

    assert other.evidence.structure_p == one.evidence.structure_p
    np.testing.assert_allclose(other.centre(), one.centre(), rtol=1e-8)
    np.testing.assert_allclose(other.spread(), one.spread(), rtol=1e-8)


@pytest.mark.parametrize("factor", [1 / 1.120851, 1e-9, 1e9])
@pytest.mark.parametrize("seed", range(3))
def test_a_change_of_unit_changes_nothing_but_the_unit(seed, factor, simulate, measure, square_grid):
    # Transform, structure, range and nugget ratio must not depend on whether rates are in lb/ac or kg/ha.
    sites, value = structured(simulate, seed)

    one = ordinary_block_kriging((measure(sites, value),), square_grid(600.0, 10))[0]
    other = ordinary_block_kriging((measure(sites, factor * value),), square_grid(600.0, 10))[0]

    assert other.transform == one.transform
    assert other.evidence.structure_p == one.evidence.structure_p
    for probability in (0.05, 0.5, 0.95):
        np.testing.assert_allclose(other.quantile(probability), factor * one.quantile(probability), rtol=1e-6)


def test_quantities_fitted_together_are_as_if_fitted_alone(simulate, measure, square_grid):
    sites, first = structured(simulate, 1)
    _, second = structured(simulate, 2)
    quantities = (measure(sites, first, quantity="K"), measure(sites, second, quantity="P"))
    grid = square_grid(600.0, 12)

    together = ordinary_block_kriging(quantities, grid)
    alone = tuple(ordinary_block_kriging((quantity,), grid)[0] for quantity in quantities)

    assert [surface.quantity for surface in together] == ["K", "P"]
    for one, other in zip(together, alone, strict=True):
        np.testing.assert_allclose(one.centre(), other.centre(), rtol=1e-9)
        np.testing.assert_allclose(one.spread(), other.spread(), rtol=1e-9)


def screened(value):
    """Screening lets nothing through that is nearer to 0."""
    return 0.0 if abs(value) < 1e-30 else value


HARD_VALUES = st.one_of(
    arrays(float, st.integers(1, 14), elements=st.floats(-1e30, 1e30).map(screened)),
    arrays(float, st.integers(8, 14), elements=st.floats(1e-30, 1e30)),
    arrays(float, st.integers(8, 14), elements=st.sampled_from([0.0, 1.0, 1.0 + 1e-12, 2.0])),
    arrays(float, st.integers(8, 14), elements=st.floats(1.0, 1.5)),
)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    value=HARD_VALUES,
    layout=st.sampled_from(["scattered", "line", "pairs a hand apart", "one far away"]),
    family=FAMILIES,
    cv=st.sampled_from([0.0, 0.15, 2.0]),
    level=st.sampled_from([0.05, 1.0]),
    seed=st.integers(0, 100),
    in_order=st.booleans(),
)
def test_no_set_of_samples_gives_a_crash_or_a_number_that_is_not_finite(
    value, layout, family, cv, level, seed, in_order, measure, square_grid
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
    grid = square_grid(100.0, 4)

    for method in (ordinary_block_kriging, ordinary_point_kriging):
        surface = method(samples, grid, family=family, structure_level=level)[0]
        assert np.all(np.isfinite([surface.centre(), surface.spread()]))
        assert np.all(surface.spread() >= 0)
        validation = surface.evidence.cross_validation
        if validation is not None:
            assert np.all(np.isfinite([validation.msdr, validation.rmse, validation.mean_error]))
