"""Covariates at samples and over cells: laws of planes and means, and independent interpolators beside them."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from rasterio import Affine
from scipy.interpolate import RegularGridInterpolator

from zonemap.errors import InputError
from zonemap.geostat.covariates import _measurements, _model, _ordered, covariate_values
from zonemap.values.covariate import PointCovariate, RasterCovariate

WEST, NORTH = 500_000.0, 4_500_000.0


def raster(value, *, cell_m=10.0):
    return RasterCovariate("elevation", WEST, NORTH, cell_m, np.asarray(value, dtype=float))


def plane_raster(slope_east, slope_north, *, rows=30, columns=40, cell_m=10.0):
    east = (np.arange(columns) + 0.5) * cell_m
    north = -(np.arange(rows) + 0.5) * cell_m
    return raster(slope_east * east + slope_north * north[:, None], cell_m=cell_m)


def log(*, noise=0.0, seed=0, passes=18, along=60):
    """Points along passes 20 m apart, 4 m along each, of a smooth hill with noise."""
    rng = np.random.default_rng(seed)
    easting, northing = (axis.ravel() for axis in np.meshgrid(4.0 * np.arange(along), 20.0 * np.arange(passes)))
    return PointCovariate("ec", easting, northing, hill(easting, northing) + noise * rng.standard_normal(easting.size))


def hill(easting, northing):
    return 30 + 5 * np.sin(easting / 80) * np.cos(northing / 110)


places_inside = st.lists(
    st.tuples(st.floats(WEST + 60, WEST + 340), st.floats(NORTH - 240, NORTH - 60)), min_size=1, max_size=5
).map(np.array)


@given(places_inside, st.floats(-2, 2), st.floats(-2, 2), st.sampled_from([0.0, 3.0, 25.0, 40.0, 100.0]))
def test_a_plane_and_its_means_over_squares_are_reproduced_exactly(places, east, north, side_m):
    [value] = covariate_values((plane_raster(east, north),), places, side_m=side_m).T

    expected = east * (places[:, 0] - WEST) + north * (places[:, 1] - NORTH)
    np.testing.assert_allclose(value, expected, atol=1e-6)


def test_a_fine_raster_of_a_plane_is_averaged_over_a_wide_square_without_bias():
    fine = plane_raster(1.5, -0.5, rows=200, columns=200, cell_m=1.0)
    at = np.array([[WEST + 100.3, NORTH - 99.2]])

    # 16 samples a side of 1 m pixels reach over 16 m: 40 m take pixels averaged three by three
    assert covariate_values((fine,), at, side_m=40.0)[0, 0] == pytest.approx(1.5 * 100.3 + 0.5 * 99.2, abs=1e-6)


def test_the_mean_over_a_square_of_white_noise_is_near_the_mean_of_its_pixels():
    pixels = np.random.default_rng(3).normal(size=(60, 60))
    # a square of 8 x 8 whole pixels, its corner at pixel (20, 30)
    at = np.array([[WEST + 34 * 10.0, NORTH - 24 * 10.0]])

    [[value]] = covariate_values((raster(pixels),), at, side_m=80.0)

    # Bilinear samples give the outermost pixels a little less, those outside a little weight: the mean of 64 unit
    # normals has a deviation of 0.125, what is exchanged at the rim a part of that.
    assert value == pytest.approx(pixels[20:28, 30:38].mean(), abs=0.06)


def test_bilinear_values_agree_with_another_interpolator():
    # Peer: scipy.interpolate.RegularGridInterpolator, method linear.
    rng = np.random.default_rng(5)
    pixels = rng.normal(size=(30, 40))
    places = np.column_stack([WEST + rng.uniform(10, 390, 200), NORTH - rng.uniform(10, 290, 200)])
    axes = (np.arange(30) * 10 + 5.0, np.arange(40) * 10 + 5.0)
    peer = RegularGridInterpolator(axes, pixels)

    expected = peer(np.column_stack([NORTH - places[:, 1], places[:, 0] - WEST]))

    np.testing.assert_allclose(covariate_values((raster(pixels),), places, side_m=0.0)[:, 0], expected, atol=1e-9)


def test_values_at_pixel_centres_are_the_pixels_rasterio_samples(tmp_path):
    # Peer: rasterio.DatasetReader.sample on a file with the same corner and pixels.
    pixels = np.random.default_rng(6).normal(size=(12, 9))
    profile = {"driver": "GTiff", "width": 9, "height": 12, "count": 1, "dtype": "float64", "crs": "EPSG:32614"}
    with rasterio.open(tmp_path / "a.tif", "w", transform=Affine(10, 0, WEST, 0, -10, NORTH), **profile) as file:
        file.write(pixels, 1)
    places = np.array([[WEST + 5 + 10 * c, NORTH - 5 - 10 * r] for r in range(12) for c in range(9)])

    with rasterio.open(tmp_path / "a.tif", driver="GTiff") as file:
        expected = np.array(list(file.sample(places)))[:, 0]

    np.testing.assert_allclose(covariate_values((raster(pixels),), places, side_m=0.0)[:, 0], expected, atol=1e-9)


def test_beyond_its_edge_a_raster_goes_on_flat():
    pixels = np.arange(12.0).reshape(3, 4)
    corners = np.array([[WEST - 500, NORTH + 500], [WEST + 900, NORTH - 900]])

    assert covariate_values((raster(pixels),), corners, side_m=20.0)[:, 0].tolist() == [0.0, 11.0]


def test_one_column_a_covariate_in_their_order_and_none_for_none():
    places = np.array([[WEST + 50, NORTH - 50], [WEST + 60, NORTH - 70]])
    flat, plane = raster(np.full((20, 20), 7.0)), plane_raster(1, 0)

    both = covariate_values((flat, plane), places, side_m=10.0)

    np.testing.assert_allclose(both, [[7, 50], [7, 60]], atol=1e-6)
    assert covariate_values((), places, side_m=10.0).shape == (2, 0)


def test_noise_of_a_sensor_is_filtered_out():
    noisy = log(noise=1.0)
    rng = np.random.default_rng(1)
    places = rng.uniform([20, 20], [220, 320], (300, 2))

    off = covariate_values((noisy,), places, side_m=0.0)[:, 0] - hill(*places.T)
    at_points = covariate_values((noisy,), np.column_stack([noisy.easting_m, noisy.northing_m]), side_m=0.0)[:, 0]

    # 32 points with errors of 1 leave 0.18 where the hill is flat over them; a value as logged would leave 1.
    assert np.sqrt(np.mean(np.square(off))) < 0.4
    assert np.sqrt(np.mean(np.square(at_points - hill(noisy.easting_m, noisy.northing_m)))) < 0.4


def test_the_nugget_of_a_log_is_the_variance_of_its_noise():
    # The noise was drawn with variance 0.25; 300 points give it to a fifth or so.
    model = _model(_ordered(_measurements(log(noise=0.5))))

    assert model.nugget == model.measurement_variance == pytest.approx(0.25, rel=0.3)


def test_values_from_points_agree_with_kriging_of_all_of_them():
    # Peer: PyKrige, ordinary kriging of all 30 points with the same variogram, which jumps by the nugget at once: at
    # other places than the points its predictions are those of kriging that filters the nugget out.
    from pykrige.ok import OrdinaryKriging

    rng = np.random.default_rng(8)
    sites = rng.uniform(0, 300, (30, 2))
    points = PointCovariate("ec", *sites.T, hill(*sites.T) + 0.3 * rng.standard_normal(30))
    places = rng.uniform(40, 260, (25, 2))
    model = _model(_ordered(_measurements(points)))

    def matern_or_exponential(parameters, lag):
        sill, length, nugget = parameters
        ratio = lag / length
        correlation = np.exp(-ratio) * (1 + ratio if model.family == "matern_3_2" else 1)
        return nugget + sill * (1 - correlation)

    peer = OrdinaryKriging(
        *sites.T,
        points.value,
        variogram_model="custom",
        variogram_parameters=[model.partial_sill, model.range_m, model.nugget],
        variogram_function=matern_or_exponential,
    )
    expected, _ = peer.execute("points", *places.T)

    # all 30 points are within the 32 that a place takes
    value = covariate_values((points,), places, side_m=0.0)[:, 0]
    np.testing.assert_allclose(value, np.asarray(expected), atol=1e-6)


def test_values_do_not_depend_on_the_order_of_the_rows():
    noisy = log(noise=1.0, seed=2)
    order = np.random.default_rng(9).permutation(len(noisy.value))
    shuffled = PointCovariate("ec", noisy.easting_m[order], noisy.northing_m[order], noisy.value[order])
    places = np.random.default_rng(4).uniform(0, 350, (200, 2))

    value, again, mixed = covariate_values((noisy, noisy, shuffled), places, side_m=10.0).T

    np.testing.assert_array_equal(value, again)
    np.testing.assert_array_equal(value, mixed)


def test_shifting_and_scaling_a_log_shifts_and_scales_its_values():
    noisy = log(noise=1.0, passes=8, along=40)
    places = np.random.default_rng(4).uniform(0, 140, (50, 2))
    other = PointCovariate("ec", noisy.easting_m, noisy.northing_m, 1000 - 0.01 * noisy.value)

    value, changed = (covariate_values((c,), places, side_m=5.0) for c in (noisy, other))

    np.testing.assert_allclose(changed, 1000 - 0.01 * value, rtol=1e-9)


def test_points_without_structure_give_means_of_those_near_by():
    rng = np.random.default_rng(12)
    noise = PointCovariate("ec", *rng.uniform(0, 300, (2, 200)), rng.standard_normal(200) + 50)

    value = covariate_values((noise,), rng.uniform(0, 300, (400, 2)), side_m=10.0)[:, 0]

    assert _model(_ordered(_measurements(noise))) is None
    # 32 nearest of unit variance, unevenly weighted: a deviation of about 0.2
    assert np.abs(value - 50).max() < 1.0
    assert 0.05 < value.std() < 0.4


@pytest.mark.parametrize(
    ("easting", "northing", "value"),
    [
        ([0.0], [0.0], [5.0]),
        ([0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [4.0, 5.0, 6.0]),
        (np.arange(20.0), np.zeros(20), np.full(20, 5.0)),
        (np.repeat([0.0, 100.0], 20), np.zeros(40), np.repeat([4.0, 6.0], 20)),
    ],
    ids=["one point", "a receiver that stood still", "a constant", "two spots"],
)
def test_degenerate_logs_give_finite_means(easting, northing, value):
    points = PointCovariate("ec", np.array(easting), np.array(northing), np.array(value))

    found = covariate_values((points,), np.array([[0.0, 0.0], [50.0, 0.0], [1e6, 1e6]]), side_m=10.0)

    assert np.isfinite(found).all()
    assert found[1, 0] == pytest.approx(5.0)


def test_repeated_rows_at_one_place_count_as_so_many():
    once = log(noise=0.5, passes=6, along=30)
    thrice = PointCovariate("ec", *(np.repeat(a, 3) for a in (once.easting_m, once.northing_m, once.value)))
    places = np.random.default_rng(4).uniform(0, 100, (50, 2))

    value = covariate_values((thrice,), places, side_m=0.0)[:, 0]

    assert np.sqrt(np.mean(np.square(value - hill(*places.T)))) < 0.4


@pytest.mark.parametrize(
    ("make", "mend"),
    [
        (lambda: raster([[1.0, np.nan]]), "fills gaps and drops rows"),
        (lambda: raster(np.empty((0, 3))), "fills gaps and drops rows"),
        (lambda: raster([[1.0]], cell_m=0.0), "a positive side in metres"),
        (lambda: PointCovariate("ec", np.array([0.0]), np.array([np.inf]), np.array([1.0])), "fills gaps and drops"),
        (lambda: PointCovariate("ec", np.empty(0), np.empty(0), np.empty(0)), "fills gaps and drops rows"),
    ],
)
def test_covariates_with_gaps_cannot_be_built(make, mend):
    with pytest.raises(InputError, match=mend):
        make()
