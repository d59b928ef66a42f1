"""Many points: averages over blocks, and kriging from the nearest few."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from zonemap.errors import InputError
from zonemap.geostat import fit
from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances
from zonemap.geostat.kriging import ordinary_block_kriging
from zonemap.geostat.many_points import many_point_block_kriging
from zonemap.geostat.neighbourhood import PointValues, krige_nearby
from zonemap.geostat.regularised import point_variogram
from zonemap.geostat.system import krige, kriging_system
from zonemap.geostat.thin import average_over_blocks
from zonemap.values.basis import Basis
from zonemap.values.samples import Measurements
from zonemap.values.variogram import Variogram

RANGES = {"spherical": 260.0, "exponential": 120.0, "matern_3_2": 60.0, "matern_5_2": 50.0}


def measurements_of(sites, value, *, replicates=None, replicate_variance=None, repeatability_cv=0.15):
    n = len(value)
    return Measurements(
        quantity="K",
        unit="kg/ha/day",
        basis=Basis("resin", burial_days=4.0),
        sample=tuple(f"p{k}" for k in range(n)),
        easting_m=sites[:, 0],
        northing_m=sites[:, 1],
        value=value,
        replicates=np.ones(n, dtype=int) if replicates is None else replicates,
        replicate_variance=np.full(n, np.nan) if replicate_variance is None else replicate_variance,
        repeatability_cv=repeatability_cv,
        censored=np.zeros(n, dtype=bool),
    )


@pytest.fixture
def fitted_to_300(monkeypatch):
    """The model is fitted to 300 of the points and not to 600, in an eighth of the time; all are kriged from."""
    monkeypatch.setattr(fit, "_MOST_FITTED_POINTS", 300)


def plain(value, variogram):
    return PointValues(variogram, value, np.ones(len(value)))


def plain_loop(sites, value, variogram, targets, *, k, offsets):
    """Kriging equations with a Lagrange multiplier, target by target (Cressie 1993, section 3.2; from memory)."""
    found = []
    for target in targets:
        near = np.argsort(np.hypot(*(sites - target).T), kind="stable")[:k]
        matrix = np.ones((k + 1, k + 1))
        matrix[-1, -1] = 0.0
        correlation = CORRELATIONS[variogram.family]
        matrix[:k, :k] = variogram.partial_sill * correlation(distances(sites[near], sites[near]) / variogram.range_m)
        matrix[np.arange(k), np.arange(k)] += variogram.nugget
        to_block = correlation(distances(sites[near], target + offsets) / variogram.range_m).mean(axis=1)
        right = np.append(variogram.partial_sill * to_block, 1.0)
        weight = np.linalg.solve(matrix, right)
        own = variogram.partial_sill * correlation(distances(offsets, offsets) / variogram.range_m).mean()
        found.append((weight[:k] @ value[near], own - weight @ right))
    return np.array(found).T


@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_nearest_few_give_what_a_plain_loop_gives(family, peer_targets):
    rng = np.random.default_rng(3)
    sites, value = rng.uniform(-50, 550, (300, 2)), rng.normal(8, 2, 300)
    variogram, offsets = Variogram(family, RANGES[family], 0.4, 1.3), block_offsets(30.0, 3)

    mean, variance = krige_nearby((plain(value, variogram),), sites, peer_targets, k=17, offsets=offsets)

    expected = plain_loop(sites, value, variogram, peer_targets, k=17, offsets=offsets)
    np.testing.assert_allclose(mean[0], expected[0], rtol=1e-10)
    np.testing.assert_allclose(variance[0], expected[1], rtol=1e-10)


@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_nearest_few_agree_with_pykrige(family):
    # PyKrige's own moving window, compiled; its variance holds the whole nugget at the target.
    from pykrige.ok import OrdinaryKriging

    rng = np.random.default_rng(4)
    sites, value, targets = rng.uniform(0, 500, (400, 2)), rng.normal(size=400), rng.uniform(0, 500, (500, 2))
    variogram = Variogram(family, RANGES[family], 0.4, 1.3)
    kriging = OrdinaryKriging(
        *sites.T,
        value,
        variogram_model="custom",
        variogram_parameters=[],
        variogram_function=lambda _, lag: 1.7 - 1.3 * CORRELATIONS[family](np.asarray(lag) / RANGES[family]),
        exact_values=False,
    )

    mean, variance = krige_nearby((plain(value, variogram),), sites, targets, k=32, target_nugget=(0.4,))

    peer_mean, peer_variance = kriging.execute("points", *targets.T, backend="loop", n_closest_points=32)
    np.testing.assert_allclose(mean[0], peer_mean, atol=1e-10)
    np.testing.assert_allclose(variance[0], peer_variance, atol=1e-10)


@pytest.mark.parametrize("count", [1, 2, 31, 90, 300])
def test_with_all_points_it_is_the_one_neighbourhood(count, peer_targets):
    rng = np.random.default_rng(5)
    sites, offsets = rng.uniform(0, 500, (count, 2)), block_offsets(20.0, 4)
    replicates = rng.integers(1, 5, count)
    models = (Variogram("exponential", 120.0, 0.4, 1.3, 0.3), Variogram("matern_3_2", 40.0, 0.2, 9.0, 0.2))
    values = rng.normal(30, 5, (2, count))
    systems = tuple(
        kriging_system(sites, value, model, replicates=replicates) for value, model in zip(values, models, strict=True)
    )
    quantities = tuple(
        PointValues(model, value, replicates.astype(float)) for value, model in zip(values, models, strict=True)
    )

    found = krige_nearby(quantities, sites, peer_targets, k=max(count, 2), offsets=offsets)

    expected = krige(systems, sites, peer_targets, offsets=offsets)
    np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-10)


def test_a_target_does_not_depend_on_the_others_nor_on_their_order():
    rng = np.random.default_rng(6)
    sites, value, targets = rng.uniform(0, 900, (3000, 2)), rng.normal(size=3000), rng.uniform(0, 900, (5000, 2))
    quantity, order = (plain(value, Variogram("exponential", 90.0, 0.2, 1.0)),), rng.permutation(5000)

    together = krige_nearby(quantity, sites, targets)

    np.testing.assert_allclose(krige_nearby(quantity, sites, targets[order]), np.take(together, order, 2), rtol=1e-12)
    np.testing.assert_allclose(krige_nearby(quantity, sites, targets[:3]), np.asarray(together)[:, :, :3], rtol=1e-12)


def test_each_quadrant_gives_its_share_where_points_lie_along_lines():
    # Lines 12 m apart, a point every 2 m, the target beside the middle one: its 16 nearest are all of that line. A
    # plain loop takes the nearest 3 of each quadrant among the nearest 48, then the nearest others.
    row, column = (axis.ravel().astype(float) for axis in np.mgrid[0:5, -40:41])
    sites = np.column_stack([2.0 * column + 0.3 * row, 12.0 * row + 0.01 * column])
    target, variogram = np.array([[0.4, 25.0]]), Variogram("exponential", 50.0, 0.01, 1.0)
    value = sites[:, 1] + np.sin(sites[:, 0])
    near = np.argsort(np.hypot(*(sites - target).T))[:48]
    side = (sites[near] >= target) @ np.array([2, 1])
    first = [i for q in range(4) for i in near[side == q][:3]]
    expected = np.array([*first, *(i for i in near if i not in first)])[:16]

    found = krige_nearby((plain(value, variogram),), sites, target, k=16, per_quadrant=3)

    assert set(expected) != set(near[:16])
    system = kriging_system(sites[expected], value[expected], variogram)
    np.testing.assert_allclose(found, krige((system,), sites[expected], target), rtol=1e-10)


def test_quadrants_that_are_full_change_nothing():
    rng = np.random.default_rng(7)
    sites, value, targets = rng.uniform(0, 900, (2000, 2)), rng.normal(size=2000), rng.uniform(200, 700, (200, 2))
    quantity = (plain(value, Variogram("spherical", 200.0, 0.2, 1.0)),)

    np.testing.assert_allclose(
        krige_nearby(quantity, sites, targets, k=40, per_quadrant=1), krige_nearby(quantity, sites, targets, k=40)
    )


coordinates = st.one_of(
    st.sampled_from([0.0, 1.0, 2.0, 500.0]), st.floats(0, 1e4, allow_subnormal=False), st.floats(4e6, 4.001e6)
)


@given(
    sites=st.integers(1, 40).flatmap(lambda n: arrays(float, (n, 2), elements=coordinates)),
    scale=st.sampled_from([1e-30, 1.0, 1e30]),
    family=st.sampled_from(sorted(CORRELATIONS)),
    share=st.sampled_from([0.0, 1e-4, 0.5, 1.0]),
    k=st.integers(2, 45),
    quadrant=st.booleans(),
    line=st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_duplicates_lines_and_tiny_sets_give_finite_numbers(sites, scale, family, share, k, quadrant, line):
    if line:
        sites = np.column_stack([sites[:, 0], 3.0 * sites[:, 0]])
    value = scale * (1.0 + np.arange(len(sites)) % 3)
    variogram = Variogram(family, 80.0, share * scale**2, (1 - share) * scale**2)
    targets = np.vstack([sites, sites + 0.3, [[5e6, -5e6]]])

    mean, variance = krige_nearby(
        (plain(value, variogram),), sites, targets, k=k, per_quadrant=k // 8 if quadrant else 0
    )

    assert np.isfinite(mean).all()
    assert np.isfinite(variance).all()
    assert (variance >= 0).all()


def test_no_variance_at_all_is_the_mean_without_a_warning(peer_targets):
    sites = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]])

    mean, variance = krige_nearby(
        (plain(np.array([1.0, 2.0, 3.0]), Variogram("spherical", 9.0, 0, 0)),), sites, peer_targets
    )

    np.testing.assert_allclose(mean, 2.0)
    np.testing.assert_array_equal(variance, 0.0)


def test_a_neighbourhood_that_cannot_be_is_refused():
    quantity, one = (plain(np.ones(1), Variogram("spherical", 9.0, 0, 1.0)),), np.zeros((1, 2))

    with pytest.raises(InputError, match="Take 2 or more"):
        krige_nearby(quantity, one, one, k=1)
    with pytest.raises(InputError, match="Ask for 8 or fewer"):
        krige_nearby(quantity, one, one, k=32, per_quadrant=9)
    with pytest.raises(InputError, match="Give one or more"):
        krige_nearby((plain(np.ones(0), quantity[0].variogram),), np.empty((0, 2)), one)


def test_averages_and_their_spread_are_those_done_by_hand():
    # Blocks of 10 m: {1, 3 (two rows, variance 2)}, {7}. Mean (1 + 2 x 3) / 3; squares 2 + (4/3)^2 + 2 (2/3)^2, by 2.
    sites = np.array([[0.0, 0.0], [3.0, 9.0], [10.0, 0.0]])
    points = measurements_of(
        sites,
        np.array([1.0, 3.0, 7.0]),
        replicates=np.array([1, 2, 1]),
        replicate_variance=np.array([np.nan, 2.0, np.nan]),
    )

    averages, notes = average_over_blocks(points, side_m=10.0)

    np.testing.assert_allclose(averages.value, [7 / 3, 7])
    np.testing.assert_allclose(averages.easting_m, [2, 10])
    np.testing.assert_allclose(averages.northing_m, [6, 0])
    np.testing.assert_array_equal(averages.replicates, [3, 1])
    np.testing.assert_allclose(averages.replicate_variance, [(2 + 16 / 9 + 8 / 9) / 2, np.nan])
    assert averages.sample == ("p0+1 more", "p2")
    assert "3 points were averaged over blocks of 10 m, which leaves 2" in notes[0].text


@given(
    sites=st.integers(1, 60).flatmap(lambda n: arrays(float, (n, 2), elements=coordinates)),
    side_m=st.sampled_from([0.5, 30.0, 1e5]),
    seed=st.integers(0, 9),
    line=st.booleans(),
)
@settings(max_examples=100, deadline=None)
def test_averaging_keeps_totals_and_forgets_the_order_of_rows(sites, side_m, seed, line):
    if line:
        sites = np.column_stack([sites[:, 0], np.zeros(len(sites))])
    rng = np.random.default_rng(seed)
    value, replicates = rng.lognormal(0, 2, len(sites)), rng.integers(1, 4, len(sites))
    order = rng.permutation(len(sites))

    averages, _ = average_over_blocks(measurements_of(sites, value, replicates=replicates), side_m=side_m)
    shuffled, _ = average_over_blocks(
        measurements_of(sites[order], value[order], replicates=replicates[order]), side_m=side_m
    )

    assert averages.replicates.sum() == replicates.sum()
    assert averages.replicates @ averages.value == pytest.approx(replicates @ value, rel=1e-12)
    for name in ("value", "easting_m", "northing_m", "replicates", "replicate_variance"):
        np.testing.assert_array_equal(getattr(averages, name), getattr(shuffled, name))
    assert (averages.easting_m >= sites[:, 0].min()).all()
    assert (averages.easting_m <= sites[:, 0].max()).all()
    assert not np.isnan(averages.replicate_variance[averages.replicates > replicates.max()]).any()


@given(
    sites=st.integers(20, 200).flatmap(lambda n: arrays(float, (n, 2), elements=coordinates)),
    most=st.integers(1, 19),
)
@settings(max_examples=60, deadline=None)
def test_the_chosen_side_leaves_no_more_than_asked(sites, most):
    points = measurements_of(sites, np.arange(len(sites), dtype=float))

    averages, notes = average_over_blocks(points, most=most)

    assert 1 <= averages.count <= most
    assert averages.replicates.sum() == len(sites)
    assert len(notes) == 1


def test_few_points_stay_as_they_are():
    points = measurements_of(np.arange(20.0).reshape(10, 2), np.arange(10.0))

    assert average_over_blocks(points) == (points, ())


@pytest.mark.parametrize("side_m", [0.0, -5.0, np.nan, np.inf])
def test_a_side_that_is_none_is_refused(side_m):
    with pytest.raises(InputError, match="Give a positive number of metres"):
        average_over_blocks(measurements_of(np.zeros((1, 2)), np.ones(1)), side_m=side_m)


def test_a_side_too_small_to_be_told_apart_is_refused():
    with pytest.raises(InputError, match="Give a greater side"):
        average_over_blocks(measurements_of(np.array([[0.0, 0.0], [1e9, 0.0]]), np.ones(2)), side_m=0.01)


def test_no_average_at_all_is_refused():
    with pytest.raises(InputError, match="Keep 1 or more"):
        average_over_blocks(measurements_of(np.zeros((1, 2)), np.ones(1)), most=0)


def waves(sites):
    return 5.0 + np.sin(sites[:, 0] / 90) + np.cos(sites[:, 1] / 110)


@pytest.mark.usefixtures("fitted_to_300")
def test_many_points_give_a_surface_that_follows_what_they_measure(square_grid):
    rng = np.random.default_rng(8)
    sites, grid = rng.uniform(0, 600, (6000, 2)), square_grid(600.0, 40)
    points = measurements_of(sites, waves(sites) + rng.normal(0, 0.5, 6000))

    (surface,) = many_point_block_kriging((points,), grid)

    truth = waves(np.column_stack(grid.centres()))
    error = surface.mean() - truth
    assert surface.evidence.structure == "found"
    assert surface.evidence.samples == 6000
    assert any("averaged over blocks" in note.text for note in surface.evidence.notes)
    assert np.sqrt(np.square(error).mean()) < 0.2
    inside = (surface.quantile(0.05) <= truth) & (truth <= surface.quantile(0.95))
    assert inside.mean() > 0.85


def test_few_points_with_a_wide_neighbourhood_are_ordinary_block_kriging(measure, square_grid, simulate):
    sites, g = simulate(count=90, side_m=600.0, variogram=Variogram("exponential", 150.0, 0.1, 1.0), seed=2)
    points, grid = measure(sites, np.exp(0.4 * g)), square_grid(600.0, 12)

    (nearby,) = many_point_block_kriging((points,), grid, neighbours=90)

    (together,) = ordinary_block_kriging((points,), grid)
    assert together.evidence.structure == "found"
    np.testing.assert_allclose(nearby.centre(), together.centre(), rtol=1e-9)
    np.testing.assert_allclose(nearby.spread(), together.spread(), rtol=1e-9)


@pytest.mark.usefixtures("fitted_to_300")
def test_many_points_without_structure_give_their_mean(square_grid):
    rng = np.random.default_rng(9)
    points = measurements_of(rng.uniform(0, 600, (2500, 2)), rng.normal(10, 1, 2500))

    (surface,) = many_point_block_kriging((points,), square_grid(600.0, 10))

    assert surface.evidence.structure == "not_found"
    np.testing.assert_allclose(surface.mean(), 10.0, atol=0.1)


def test_systems_that_share_a_factor_give_what_each_gives_alone(peer_sites, peer_targets):
    sites, value = peer_sites
    models = [Variogram("exponential", range_m, 0.4, 1.3) for range_m in (120.0, 90.0, 120.0)]
    systems = tuple(kriging_system(sites, value + k * np.cos(value), model) for k, model in enumerate(models))

    together = krige(systems, sites, peer_targets, target_nugget=(0.1, 0.2, 0.3))

    for k, system in enumerate(systems):
        alone = krige((system,), sites, peer_targets, target_nugget=(0.1 * (k + 1),))
        np.testing.assert_allclose([part[k] for part in together], [part[0] for part in alone], rtol=1e-12)


@pytest.mark.parametrize("family", CORRELATIONS)
def test_the_model_of_points_is_found_again_from_that_of_their_averages(family):
    # Forward by double sums over two blocks of 6 x 6 points: a sill, and a correlation two sides apart. Which range of
    # the family has that correlation is solved for, and must lead back.
    from scipy.optimize import brentq

    truth, side_m = Variogram(family, RANGES[family], 0.5, 1.3), 25.0
    offsets = block_offsets(side_m, 6)

    def covariance(apart_m):
        lag_m = distances(offsets, offsets + np.array([apart_m, 0.0]))
        return 1.3 * CORRELATIONS[family](lag_m / truth.range_m).mean()

    between = covariance(2 * side_m) / covariance(0.0)
    fitted_m = brentq(lambda r: CORRELATIONS[family](np.array([2 * side_m / r]))[0] - between, 1.0, 3000.0)
    of_averages = Variogram(family, fitted_m, 0.0, covariance(0.0))

    found = point_variogram(of_averages, side_m=side_m, within_variance=0.5 + 1.3 - covariance(0.0))

    assert fitted_m > truth.range_m
    assert found.range_m == pytest.approx(truth.range_m, rel=1e-4)
    assert found.partial_sill == pytest.approx(1.3, rel=1e-4)
    assert found.nugget == pytest.approx(0.5, rel=1e-3)


def test_a_known_error_stays_in_the_nugget_of_points():
    of_averages = Variogram("exponential", 100.0, 0.0, 1.0)

    found = point_variogram(of_averages, side_m=50.0, within_variance=0.2, least_nugget=0.05)

    assert found.nugget == found.measurement_variance == 0.05


@pytest.mark.usefixtures("fitted_to_300")
def test_what_differs_within_a_block_beyond_the_error_raises_the_mean_of_a_log_normal_cell(square_grid):
    # Aitchison & Brown (1957), section 2.2: the mean of a log-normal is exp(m + s^2 / 2); here s = .5 from point to
    # point is in the field, and 5 % is error.
    rng = np.random.default_rng(10)
    sites, grid = rng.uniform(0, 600, (8000, 2)), square_grid(600.0, 20)
    g = np.sin(sites[:, 0] / 90) + np.cos(sites[:, 1] / 110)
    points = measurements_of(sites, np.exp(g + rng.normal(0, 0.5, 8000)), repeatability_cv=0.05)

    (surface,) = many_point_block_kriging((points,), grid)

    centres = np.column_stack(grid.centres())
    truth = np.exp(np.sin(centres[:, 0] / 90) + np.cos(centres[:, 1] / 110) + 0.5**2 / 2)
    assert surface.transform.name == "log"
    assert np.log(surface.mean() / truth).mean() == pytest.approx(0.0, abs=0.02)
    assert surface.evidence.variogram.measurement_variance == pytest.approx(np.log1p(0.05**2))


@pytest.mark.usefixtures("fitted_to_300")
def test_intervals_from_many_points_hold_what_they_promise(square_grid):
    # An exponential field of range 60 m by circulant embedding (Dietrich & Newsam 1997, SIAM Journal on Scientific
    # Computing 18:1088-1107; from memory), its 8 m cells averaged; 20,000 points that read it with an error.
    rng = np.random.default_rng(1)
    lag_m = 2.0 * np.minimum(np.arange(512), 512 - np.arange(512))
    spectrum = np.fft.fft2(np.exp(-np.hypot(lag_m[:, None], lag_m) / 60.0)).real.clip(min=0)
    noise = rng.normal(size=(512, 512)) + 1j * rng.normal(size=(512, 512))
    field = (np.fft.fft2(np.sqrt(spectrum) * noise) / 512).real[:256, :256]
    row, column = np.divmod(rng.choice(256 * 256, 20_000, replace=False), 256)
    sites = np.column_stack([2.0 * column + 1.0, 2.0 * row + 1.0])
    points = measurements_of(sites, 10 + field[row, column] + rng.normal(0, 0.7, 20_000))

    (surface,) = many_point_block_kriging((points,), square_grid(512.0, 64), transform="none")

    truth = 10 + field.reshape(64, 4, 64, 4).mean(axis=(1, 3))[::-1].ravel()
    inside = (surface.quantile(0.05) <= truth) & (truth <= surface.quantile(0.95))
    assert 0.86 < inside.mean() < 0.95
