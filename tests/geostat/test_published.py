"""Published values, each with its source. The Meuse table comes with R's package sp and is not part of this project."""

from __future__ import annotations

import numpy as np
import pytest

from zonemap.geostat.covariance import block_offsets, spherical
from zonemap.geostat.empirical import empirical_variogram
from zonemap.geostat.system import krige, kriging_system
from zonemap.values.arrays import FloatArray
from zonemap.values.variogram import EmpiricalVariogram, Variogram

# All values here: test suite of the program published by Pebesma (2004), Multivariable geostatistics in S: the gstat
# package, Computers & Geosciences 30:683-691. Tolerances are half a unit in the last printed digit.


@pytest.mark.parametrize(("count", "prediction", "variance"), [(4, 2.5, 1.017767), (2, 1.5, 1.267767)])
def test_four_corners_and_two_of_them_give_the_published_kriging(count, prediction, variance):
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [-0.5, 0.5], [0.5, 0.5]])[:count]
    system = kriging_system(corners, np.arange(1.0, count + 1), Variogram("spherical", 1.0, 0.0, 1.0))

    mean, var = krige((system,), corners, np.zeros((1, 2)))

    assert mean[0, 0] == pytest.approx(prediction, abs=5e-7)
    assert var[0, 0] == pytest.approx(variance, abs=5e-7)


def meuse_variogram(meuse: FloatArray) -> EmpiricalVariogram:
    return empirical_variogram(meuse[:, 0], meuse[:, 1], np.log(meuse[:, 2]), lags=15, cutoff_m=1596.62)


def test_meuse_log_zinc_has_the_published_empirical_variogram(meuse):
    found = meuse_variogram(meuse)

    assert found.pairs[[0, 4]].tolist() == [57, 547]
    np.testing.assert_allclose(found.lag_m[[0, 4]], [79.29244, 478.4767], atol=5e-5)
    np.testing.assert_allclose(found.semivariance[[0, 4]], [0.1234479, 0.4634128], atol=5e-8)


def test_the_default_cutoff_is_a_third_of_the_diagonal_as_in_the_published_variogram(meuse):
    published = meuse_variogram(meuse)

    default = empirical_variogram(meuse[:, 0], meuse[:, 1], np.log(meuse[:, 2]), lags=15)

    np.testing.assert_array_equal(default.pairs, published.pairs)


def test_a_weighted_spherical_fit_to_the_empirical_variogram_gives_the_published_parameters(meuse):
    # Weights pairs / lag^2, the usual weighted least squares. The fit is the test's own: the package fits no moments.
    from scipy.optimize import least_squares

    found = meuse_variogram(meuse)

    def residual(parameters):
        nugget, partial_sill, range_m = parameters
        model = nugget + partial_sill * (1 - spherical(found.lag_m / range_m))
        return np.sqrt(found.pairs) / found.lag_m * (found.semivariance - model)

    nugget, partial_sill, range_m = least_squares(
        residual, (0.1, 0.5, 800.0), x_scale=(0.1, 0.5, 800.0), xtol=1e-12, ftol=1e-12, gtol=1e-12
    ).x

    # The published fit stops at a relative change of 1e-5, and rounds: three to four digits are meaningful.
    assert nugget == pytest.approx(0.05066, abs=5e-5)
    assert partial_sill == pytest.approx(0.59060, abs=5e-5)
    assert range_m == pytest.approx(897.0, abs=0.1)


@pytest.mark.parametrize(
    ("block_nugget", "variance"),
    [(0.0, 19568.76), (2.42e4 / 16, 21081.26)],
    ids=["nugget left out of the block", "a nugget for each of its 16 points"],
)
def test_the_meuse_block_has_the_published_mean_and_both_published_variances(meuse, block_nugget, variance):
    centre = np.array([[181170.0, 333250.0]])
    nearest = meuse[np.argsort(np.hypot(*(meuse[:, :2] - centre).T))[:40]]
    sites = nearest[:, :2]
    system = kriging_system(sites, nearest[:, 2], Variogram("spherical", 800.0, 2.42e4, 1.34e5))

    mean, var = krige((system,), sites, centre, offsets=block_offsets(40.0, 4), target_nugget=(block_nugget,))

    assert mean[0, 0] == pytest.approx(268.7324, abs=5e-5)
    assert var[0, 0] == pytest.approx(variance, abs=5e-3)
