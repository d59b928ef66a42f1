"""Difference of two areas' means, against kriging equations and simulation."""

import numpy as np
import pytest

from zonemap.geostat.contrast import difference_variance
from zonemap.values.basis import Basis
from zonemap.values.samples import Measurements
from zonemap.values.variogram import Variogram

MODEL = Variogram("exponential", 150.0, 0.1, 0.4, 0.06)


def measured(sites):
    n = len(sites)
    return Measurements(
        quantity="K", unit="kg/ha/day", basis=Basis("resin", burial_days=4.0), sample=tuple(map(str, range(n))),
        easting_m=sites[:, 0], northing_m=sites[:, 1], value=np.ones(n), replicates=np.ones(n, dtype=int),
        replicate_variance=np.full(n, np.nan), repeatability_cv=0.15, censored=np.zeros(n, dtype=bool),
    )  # fmt: skip


def covariance(one, other):
    lag = np.linalg.norm(one[:, None] - other, axis=2)
    return MODEL.partial_sill * np.exp(-lag / MODEL.range_m)


def test_it_is_the_mean_squared_error_of_predicted_differences_in_simulated_fields():
    # Independent route: simulate the field, krige the difference by the ordinary kriging equations with a Lagrange
    # multiplier, and look how far off it is.
    rng = np.random.default_rng(2)
    sites = rng.uniform(0, 600, (18, 2))
    one, other = rng.uniform((0, 0), (250, 600), (30, 2)), rng.uniform((350, 0), (600, 600), (25, 2))
    places = np.vstack([sites, one, other])
    joint = covariance(places, places)
    drawn = np.linalg.cholesky(joint + 1e-10 * np.eye(len(places))) @ rng.standard_normal((len(places), 40_000))
    values = drawn[:18] + np.sqrt(MODEL.nugget) * rng.standard_normal((18, 40_000))
    truth = drawn[18:48].mean(axis=0) - drawn[48:].mean(axis=0)
    system = np.block([[joint[:18, :18] + MODEL.nugget * np.eye(18), np.ones((18, 1))], [np.ones((1, 18)), 0.0]])
    right = np.append(joint[:18, 18:48].mean(axis=1) - joint[:18, 48:].mean(axis=1), 0.0)
    weights = np.linalg.solve(system, right)[:18]

    error = np.mean((weights @ values - truth) ** 2)

    assert difference_variance(measured(sites), MODEL, one, other) == pytest.approx(error, rel=0.03)


def test_an_area_does_not_differ_from_itself():
    sites = np.random.default_rng(0).uniform(0, 600, (10, 2))
    places = np.random.default_rng(1).uniform(0, 600, (20, 2))
    assert difference_variance(measured(sites), MODEL, places, places) == pytest.approx(0.0, abs=1e-12)
