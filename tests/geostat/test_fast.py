"""Compiled loops give what the plain ones give, and are used only where there is enough to do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zonemap.geostat import compiled, fast
from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances
from zonemap.geostat.neighbourhood import PointValues, krige_nearby
from zonemap.geostat.system import POINT, krige, kriging_system
from zonemap.values.variogram import Variogram

RANGES = {"spherical": 260.0, "exponential": 120.0, "matern_3_2": 60.0, "matern_5_2": 50.0}
UTM = np.array([412_345.678, 4_567_890.123])

needs_compiler = pytest.mark.skipif(compiled.njit is None, reason="the extra 'fast' is not installed")


def sampled(count, *, seed=0):
    rng = np.random.default_rng(seed)
    sites = rng.uniform(0, 600.0, (count, 2))
    return sites + UTM, 5 + np.sin(sites[:, 0] / 90) + rng.normal(0, 0.4, count)


def cells(along):
    axis = (np.arange(along) + 0.5) * 600.0 / along
    easting, northing = np.meshgrid(axis, axis[::-1])
    return np.column_stack([easting.ravel(), northing.ravel()]) + UTM


def with_loops(*, compiled_ones, task):
    """What a task gives with compiled or with plain loops, and how often the compiled ones were asked for and given."""
    given_out = []

    def watched(answer):
        given_out.append(answer is not None)
        return answer

    with pytest.MonkeyPatch.context() as patch:
        least = 0 if compiled_ones else 10**18
        patch.setattr(fast, "LEAST_CORRELATIONS", least)
        patch.setattr(fast, "LEAST_SYSTEM_ELEMENTS", least)
        for place, asked in (("system", "loops_for_correlations"), ("neighbourhood", "loops_for_systems")):
            ask = getattr(fast, asked)
            patch.setattr(f"zonemap.geostat.{place}.{asked}", lambda count, ask=ask: watched(ask(count)))
        result = task()
    assert given_out == [compiled_ones]
    return np.array(result)


def both(task):
    return with_loops(compiled_ones=True, task=task), with_loops(compiled_ones=False, task=task)


@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_loops_as_plain_python_give_the_published_formulas(family):
    correlate = getattr(compiled.correlate, "py_func", compiled.correlate)
    lag_m = np.concatenate([[0.0, 1e-12, 240.0], np.geomspace(1e-3, 6e4, 200)])
    found = lag_m.copy()

    correlate(found, compiled.KINDS[family], 1 / 120.0, 1.3, np.empty_like(lag_m))

    np.testing.assert_allclose(found, 1.3 * CORRELATIONS[family](lag_m / 120.0), rtol=1e-14, atol=1e-15)


@needs_compiler
@pytest.mark.parametrize("family", CORRELATIONS)
def test_correlations_are_right_to_the_last_digits(family):
    lag_m = np.concatenate([[0.0, 1e-12], np.random.default_rng(0).uniform(0, 5_000, 1_001)])
    found = lag_m.copy()

    compiled.correlate(found, compiled.KINDS[family], 0.1, 1.0, np.empty_like(lag_m))

    np.testing.assert_allclose(found, CORRELATIONS[family](lag_m / 10.0), rtol=4e-14, atol=1e-15)


@needs_compiler
@pytest.mark.parametrize("route", ["each", "tiles"])
@pytest.mark.parametrize("points", [1, 3])
def test_kriging_gives_the_same_on_either_route(route, points):
    sites, value = sampled(60)
    targets, offsets = cells(90), block_offsets(600 / 90, points)
    systems = tuple(
        kriging_system(sites, value + k, Variogram(family, RANGES[family], 0.4, 1.3))
        for k, family in enumerate(CORRELATIONS)
    )

    found, expected = both(lambda: krige(systems, sites, targets, offsets=offsets, route=route))

    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-10)


@needs_compiler
@pytest.mark.parametrize("points", [1, 3])
@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_nearest_few_give_the_same(family, points):
    sites, value = sampled(400)
    model = Variogram(family, RANGES[family], 0.4, 1.3, measurement_variance=0.2)
    quantities = (
        PointValues(model, value, 1.0 + np.arange(400) % 3),
        PointValues(Variogram("spherical", 90.0, 0.0, 2e6), 1e3 * value, np.ones(400)),
    )
    # 1,225 targets: the last lanes stay empty
    targets, offsets = cells(35), block_offsets(10.0, points)

    found, expected = both(
        lambda: krige_nearby(quantities, sites, targets, k=15, offsets=offsets, target_nugget=(0.2, 0.0))
    )

    scale = np.array([[1.7], [2e6]])
    np.testing.assert_allclose(found / scale, expected / scale, rtol=0, atol=1e-10)


@needs_compiler
@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    count=st.integers(2, 90),
    k=st.integers(2, 40),
    family=st.sampled_from(list(CORRELATIONS)),
    range_m=st.floats(1.0, 1e4),
    share=st.floats(0.0, 1.0),
    per_quadrant=st.integers(0, 1),
)
def test_whatever_the_points_and_the_model_the_nearest_few_agree(seed, count, k, family, range_m, share, per_quadrant):
    sites, value = sampled(count, seed=seed)
    quantity = PointValues(Variogram(family, range_m, 2.0 * share, 2.0 - 2.0 * share), value, np.ones(count))
    quadrants = per_quadrant if k >= 4 else 0

    found, expected = both(lambda: krige_nearby((quantity,), sites, cells(9), k=k, per_quadrant=quadrants))

    # relative where a smooth model without nugget runs to a hundred times what was measured
    np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-10)


@needs_compiler
def test_systems_that_are_singular_to_rounding_are_left_to_the_plain_loops():
    sites, value = sampled(60)
    sites = np.vstack([sites, sites + 1e-7])
    quantity = PointValues(Variogram("matern_5_2", 80.0, 0.0, 1.0), np.tile(value, 2), np.ones(120))
    mean, variance, good = np.empty(81), np.empty(81), np.ones(81, dtype=np.bool_)
    chosen = np.ascontiguousarray(np.argsort(distances(sites, cells(9)), axis=0)[:8])

    compiled.krige_nearest(
        sites, chosen, cells(9), POINT, 3, 80.0, 1.0, np.ones(120), np.tile(value, 2), mean, variance, good
    )
    found, expected = both(lambda: krige_nearby((quantity,), sites, cells(9), k=8))

    assert not good.any()
    np.testing.assert_array_equal(found, expected)


@needs_compiler
def test_a_task_done_twice_gives_the_same_digits_whatever_ran_before():
    sites, value = sampled(60)
    systems = (kriging_system(sites, value, Variogram("exponential", 120.0, 0.4, 1.3)),)
    task = lambda: krige(systems, sites, cells(60))  # noqa: E731

    first = with_loops(compiled_ones=False, task=task)
    with_loops(compiled_ones=True, task=task)

    np.testing.assert_array_equal(with_loops(compiled_ones=False, task=task), first)


def test_small_tasks_never_ask_for_the_compiler(monkeypatch):
    asked = []
    monkeypatch.setattr(fast, "find_spec", lambda name: asked.append(name))
    fast._compiled.cache_clear()

    # as large as a plan is: 60 samples, a hundred thousand cells, 4 x 4 points, a hundredth of them near a cell
    small = (fast.loops_for_correlations(100_000_000), fast.loops_for_systems(50_000 * 32**2))
    large = (fast.loops_for_correlations(10**10), fast.loops_for_systems(10**10))
    fast._compiled.cache_clear()

    assert small == large == (None, None)
    assert asked == ["numba"]


@pytest.mark.parametrize("fault", [RuntimeError("cannot cache function: no locator available"), OSError("disk full")])
def test_where_nothing_can_be_written_loops_are_compiled_without_being_kept(monkeypatch, fault):
    tried = []

    def njit(signature, *, cache=False, **options):
        tried.append((signature, cache, options["nogil"]))

        def made(loop):
            if cache:
                raise fault
            return loop

        return made

    monkeypatch.setattr(compiled, "njit", njit)

    assert compiled._compile("void(int64)")(print) is print
    assert tried == [("void(int64)", True, True), ("void(int64)", False, True)]


def test_without_the_compiler_the_loops_stay_plain(monkeypatch):
    monkeypatch.setattr(compiled, "njit", None)

    assert compiled._compile("void(int64)")(print) is print
