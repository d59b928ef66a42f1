"""Tiles of a lattice give what kriging every target on its own gives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zonemap.geostat import predict
from zonemap.geostat.covariance import CORRELATIONS, block_offsets
from zonemap.geostat.lattice import NODES, SIDES, find_lattice, unfinished
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.variogram import Variogram

RANGES = {"spherical": 260.0, "exponential": 120.0, "matern_3_2": 60.0, "matern_5_2": 50.0}
UTM = np.array([412_345.678, 4_567_890.123])


def lattice_of(along, step_m, *, corner=(0.0, 0.0)):
    axis = (np.arange(along) + 0.5) * step_m
    easting, northing = np.meshgrid(corner[0] + axis, corner[1] + axis[::-1])
    return np.column_stack([easting.ravel(), northing.ravel()])


def sampled(count, side_m, *, seed=0, corner=(0.0, 0.0)):
    rng = np.random.default_rng(seed)
    sites = rng.uniform(0, side_m, (count, 2))
    return sites + corner, 5 + np.sin(sites[:, 0] / 90) + rng.normal(0, 0.4, count)


@pytest.fixture
def refused(monkeypatch):
    """Collect, for every tile that was tried, whether interpolation was refused."""
    tried = []
    krige_tile = predict.krige_tile

    def watched(*arguments):
        answers = krige_tile(*arguments)
        tried.append(answers is None)
        return answers

    monkeypatch.setattr("zonemap.geostat.system.krige_tile", watched)
    return tried


@pytest.mark.parametrize("points", [1, 3])
@pytest.mark.parametrize("family", CORRELATIONS)
def test_tiles_give_what_every_target_on_its_own_gives(family, points, refused):
    sites, value = sampled(80, 600.0, corner=UTM)
    targets, offsets = lattice_of(130, 600 / 130, corner=UTM), block_offsets(600 / 130, points)
    systems = (kriging_system(sites, value, Variogram(family, RANGES[family], 0.4, 1.3)),)

    found = krige(systems, sites, targets, offsets=offsets, target_nugget=(0.1,), route="tiles")

    expected = krige(systems, sites, targets, offsets=offsets, target_nugget=(0.1,), route="each")
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-10)
    assert refused
    assert not any(refused)


def test_some_sites_are_interpolated_and_some_are_not():
    # Otherwise the test above would compare a thing with itself.
    sites, value = sampled(80, 600.0)
    targets = lattice_of(130, 600 / 130)
    systems = (kriging_system(sites, value, Variogram("exponential", 120.0, 0.4, 1.3)),)

    found = krige(systems, sites, targets, route="tiles")
    expected = krige(systems, sites, targets, route="each")

    lattice = find_lattice(targets)
    near = [tile.not_smooth(sites, margin_m=0.0, end_m=np.inf).sum() for tile in lattice.tiles(SIDES[0])]
    assert min(near) > 0
    assert max(near) < 80
    assert np.abs(np.array(found) - expected).max() > 0


def test_a_field_that_is_no_rectangle_has_every_cell_at_its_place(refused):
    sites, value = sampled(60, 600.0)
    cells = lattice_of(150, 4.0)
    inside = (np.hypot(*(cells - 300.0).T) < 290) & (np.hypot(*(cells - [420.0, 300.0]).T) > 60)
    order = np.random.default_rng(1).permutation(np.count_nonzero(inside))
    targets = cells[inside][order]
    systems = (kriging_system(sites, value, Variogram("exponential", 120.0, 0.4, 1.3)),)

    found = krige(systems, sites, targets, route="tiles")

    np.testing.assert_allclose(found, krige(systems, sites, targets, route="each"), rtol=0, atol=1e-10)
    assert not any(refused)


def test_systems_of_several_models_and_families_share_tiles():
    sites, value = sampled(60, 600.0)
    models = [
        Variogram(family, RANGES[family], 0.3, sill) for family, sill in (("spherical", 1.0), ("matern_5_2", 9.0))
    ]
    systems = tuple(
        kriging_system(sites, value * k, model, replicates=1 + np.arange(60) % 3)
        for k, model in ((1, models[0]), (100, models[1]), (3, models[0]))
    )
    targets = lattice_of(120, 5.0)

    mean, variance = krige(systems, sites, targets, route="tiles")

    expected_mean, expected_variance = krige(systems, sites, targets, route="each")
    np.testing.assert_allclose(mean, expected_mean, rtol=1e-10)
    np.testing.assert_allclose(variance, expected_variance, rtol=0, atol=1e-9)


@pytest.mark.parametrize("route", ["tiles", "each"])
@pytest.mark.parametrize("points", [1, 2])
def test_seven_models_that_differ_give_together_what_each_gives_alone_and_singly(points, route):
    # A law: what quantities share (distances, buffers, tiles) must not be seen in any of them.
    sites, value = sampled(60, 600.0)
    families = [*sorted(CORRELATIONS), "exponential", "exponential", "matern_3_2"]
    models = [Variogram(family, 40.0 + 25.0 * k, 0.3, 1.0 + k) for k, family in enumerate(families)]
    systems = tuple(kriging_system(sites, value + k * np.cos(value), model) for k, model in enumerate(models))
    targets, offsets = lattice_of(110, 600 / 110), block_offsets(600 / 110, points)

    mean, variance = krige(systems, sites, targets, offsets=offsets, route=route)

    for k, system in enumerate(systems):
        (alone,), (its_variance,) = krige((system,), sites, targets, offsets=offsets, route="each")
        sill = system.variogram.sill
        np.testing.assert_allclose(mean[k], alone, rtol=0, atol=1e-10 * np.sqrt(sill))
        np.testing.assert_allclose(variance[k], its_variance, rtol=0, atol=1e-10 * sill)


def test_sites_that_are_all_but_one_place_under_a_smooth_model_are_not_left_to_cancellation(refused):
    # Two sites a centimetre apart without nugget: where one is smooth over a tile and the other is not, each part is
    # 1e8 sills and their sum under one.
    sites, value = sampled(40, 600.0)
    sites = np.vstack([sites, sites + np.array([0.01, 0.0])])
    systems = (kriging_system(sites, np.tile(value, 2), Variogram("matern_5_2", 80.0, 0.0, 1.0)),)
    targets = lattice_of(150, 4.0)

    _, variance = krige(systems, sites, targets, route="tiles")

    _, expected = krige(systems, sites, targets, route="each")
    np.testing.assert_allclose(variance, expected, rtol=0, atol=1e-7)
    assert any(refused)


@pytest.mark.parametrize("family", CORRELATIONS)
@pytest.mark.parametrize("range_m", [0.5, 20.0, 5e4])
def test_very_short_and_very_long_ranges_agree_too(family, range_m):
    sites, value = sampled(50, 600.0)
    targets = lattice_of(100, 6.0)
    systems = (kriging_system(sites, value, Variogram(family, range_m, 0.05, 1.0)),)

    found = krige(systems, sites, targets, route="tiles")

    np.testing.assert_allclose(found, krige(systems, sites, targets, route="each"), rtol=0, atol=1e-9)


@given(
    seed=st.integers(0, 2**31),
    count=st.integers(1, 40),
    family=st.sampled_from(sorted(CORRELATIONS)),
    sill=st.sampled_from([1e-12, 1.0, 1e12]),
    share=st.sampled_from([0.001, 0.3, 1.0]),
    range_m=st.floats(5.0, 2000.0),
    kept=st.floats(0.5, 1.0),
)
@settings(max_examples=25, deadline=None)
def test_whatever_the_sites_the_model_and_the_field_tiles_agree(seed, count, family, sill, share, range_m, kept):
    rng = np.random.default_rng(seed)
    sites = rng.uniform(-50, 350, (count, 2))
    targets = lattice_of(60, 5.0)
    targets = targets[rng.random(len(targets)) < kept]
    model = Variogram(family, range_m, share * sill, (1 - share) * sill)
    systems = (kriging_system(sites, np.sqrt(sill) * rng.normal(3, 1, count), model),)

    mean, variance = krige(systems, sites, targets, route="tiles")

    expected_mean, expected_variance = krige(systems, sites, targets, route="each")
    np.testing.assert_allclose(mean, expected_mean, rtol=0, atol=1e-8 * np.sqrt(sill))
    np.testing.assert_allclose(variance, expected_variance, rtol=0, atol=1e-8 * sill)


@pytest.mark.parametrize(
    "targets",
    [
        np.random.default_rng(0).uniform(0, 100, (500, 2)),
        np.vstack([lattice_of(20, 5.0), [[2.5, 2.5]]]),
        np.vstack([lattice_of(20, 5.0), [[2.6, 2.5]]]),
        np.repeat(np.arange(30.0), 2).reshape(30, 2) * [1.0, 1.0],
        np.empty((0, 2)),
        np.array([[0.0, 0.0], [1e-3, 1e9], [5.0, 5.0]]),
        np.array([[0.0, 0.0], [np.nan, 1.0], [np.inf, 5.0]]),
    ],
    ids=["scattered", "twice at one place", "one off the lattice", "a diagonal", "none", "far apart", "nowhere"],
)
def test_targets_that_are_no_lattice_are_kriged_one_by_one(targets):
    sites, value = sampled(20, 100.0)
    systems = (kriging_system(sites, value, Variogram("exponential", 30.0, 0.1, 1.0)),)

    assert find_lattice(targets) is None
    if np.isnan(targets).any():
        return
    np.testing.assert_array_equal(
        krige(systems, sites, targets, route="tiles"), krige(systems, sites, targets, route="each")
    )


def test_a_lattice_is_found_whatever_the_order_with_gaps_and_far_from_the_origin():
    targets = lattice_of(40, 7.3, corner=UTM)
    kept = np.random.default_rng(0).permutation(len(targets))[:1200]

    lattice = find_lattice(targets[kept])

    assert (lattice.easting.count, lattice.northing.count) == (40, 40)
    rows, columns = np.nonzero(lattice.number >= 0)
    stands = np.column_stack([lattice.easting.places()[columns], lattice.northing.places()[rows]])
    np.testing.assert_allclose(stands, targets[kept][lattice.number[rows, columns]], rtol=0, atol=1e-8)
    numbers = np.concatenate([tile.number.ravel() for tile in lattice.tiles(16)])
    np.testing.assert_array_equal(np.sort(numbers[numbers >= 0]), np.arange(1200))


def test_one_row_of_cells_is_a_lattice():
    targets = np.column_stack([np.arange(50.0), np.full(50, 3.0)])

    lattice = find_lattice(targets)

    assert (lattice.northing.count, lattice.easting.count) == (1, 50)


def test_interpolation_is_exact_for_polynomials_and_their_end_is_seen():
    # Degree 13 along each side is the most that 14 nodes hold (Trefethen 2013, chapter 2).
    tile = next(find_lattice(lattice_of(40, 5.0)).tiles(40))

    def polynomial(axes, degree):
        east, north = ((axis - 100.0) / 97.5 for axis in axes)
        return ((1 + north[:, None] ** degree) * (2 - east[None, :] ** 3)).ravel()

    for degree, ends in ((NODES - 3, True), (NODES - 1, False)):
        at_nodes = polynomial(tile.nodes(), degree)[None]
        np.testing.assert_allclose(tile.from_nodes(at_nodes)[0], polynomial(tile.cells(), degree), atol=1e-12)
        assert (unfinished(at_nodes)[0] < 1e-12) == ends


def test_a_million_cells_go_by_tiles_and_few_do_not():
    sites, value = sampled(100, 1000.0)
    systems = (kriging_system(sites, value, Variogram("exponential", 120.0, 0.4, 1.3)),)
    groups = [
        predict.Group((0,), "exponential", 120.0, 1.3, s.whitener, s.whitened_one[None], np.zeros(1)) for s in systems
    ]
    point = np.zeros((1, 2))

    assert predict.worthwhile_tiles(groups, sites, lattice_of(400, 2.5), point)
    assert not predict.worthwhile_tiles(groups, sites, lattice_of(50, 20.0), point)
