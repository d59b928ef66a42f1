"""A straight line in every covariate: the reference program's numbers, exact lines, and refusals by name."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.geostat import integrated
from zonemap.geostat.external_drift import external_drift_kriging
from zonemap.geostat.parameters import ParameterPoints
from zonemap.geostat.signal import Signal
from zonemap.values.covariate import PointCovariate, RasterCovariate

SIDE_M, CELLS = 600.0, 20


def tilted(name="elevation", *, bump=1.0):
    """A raster of 10 m over the square that rises to the east and falls to the north, with bumps."""
    rows, columns = np.mgrid[0:60, 0:60]
    value = 100 + 0.2 * columns + 0.1 * rows + bump * np.sin(rows / 5) * np.cos(columns / 6)
    return RasterCovariate(name, 0.0, SIDE_M, 10.0, value)


def logged(raster, *, rows=slice(None)):
    """The raster's pixels as points, or those of some of its rows."""
    row, column = (axis[rows].ravel() for axis in np.mgrid[0:60, 0:60])
    easting, northing = raster.west_m + 10.0 * (column + 0.5), raster.north_m - 10.0 * (row + 0.5)
    return PointCovariate(raster.name, easting, northing, raster.value[rows].ravel())


@pytest.fixture(scope="module")
def samples(measure):
    def build(count=30, seed=0, value=None):
        sites = np.random.default_rng(seed).uniform(30, SIDE_M - 30, (count, 2))
        noise = np.random.default_rng(seed + 1).normal(20, 3, count)
        return measure(sites, noise if value is None else value(sites), repeatability_cv=0.02)

    return build


def test_a_raster_as_drift_agrees_with_the_reference_program(
    reference, peer_sites, peer_elevation, measure, square_grid, monkeypatch
):
    # the reference program (gstat 2.1, Pebesma 2004) is told its covariance, so one parameter point stands for all here
    sites, value = peer_sites
    share, sill = 0.4 / 1.7, 1.7 / float(value.var())
    one = ParameterPoints(
        (Signal("exponential", 120.0),), np.array([0]), np.array([share]), np.ones((1, 1)), np.array([[sill]])
    )
    monkeypatch.setattr(integrated, "parameter_points", lambda *_, **__: one)

    found = external_drift_kriging(
        (measure(sites, value),), square_grid(510.0, 17), covariates=(peer_elevation[0],), transform="none"
    )[0]

    expected = np.loadtxt(reference / "raster_drift.txt")
    np.testing.assert_allclose(found.quantile(0.5), expected[:, 0], rtol=1e-7)
    assert np.ptp(expected[:, 0]) > 1  # there is a map to agree on


@pytest.mark.parametrize("points", [False, True], ids=["raster", "logged points"])
@settings(max_examples=10)
@given(slope=st.floats(-5, 5).filter(lambda slope: abs(slope) > 0.01), level=st.floats(50, 500))
def test_what_is_a_line_in_the_covariate_is_reproduced(points, slope, level, samples, square_grid):
    plane = tilted(bump=0.0)
    covariate = logged(plane) if points else plane
    grid = square_grid(SIDE_M, CELLS)

    def line(easting, northing):
        # the middle of the first pixel lies 5 m in from the north-west corner
        return level + slope * (0.02 * (easting - 5) + 0.01 * (SIDE_M - 5 - northing))

    measured = samples(value=lambda sites: line(*sites.T))
    found = external_drift_kriging((measured,), grid, covariates=(covariate,), transform="none")[0]

    # the outermost cells touch the raster's flat margin beyond its last pixel centres
    easting, northing = grid.centres()
    inner = (np.abs(easting - SIDE_M / 2) < 270) & (np.abs(northing - SIDE_M / 2) < 270)
    missed = np.abs(found.mean() - line(easting, northing))[inner]
    assert missed.max() < (1e-2 if points else 1e-8) * 18 * abs(slope)
    assert found.evidence.covariate_share > 0.99


@pytest.mark.parametrize("transform", ["auto", "log", "box_cox"])
def test_every_scale_gives_finite_numbers_and_says_what_was_taken(transform, samples, square_grid):
    found = external_drift_kriging(
        (samples(),), square_grid(SIDE_M, CELLS), covariates=(tilted(),), transform=transform
    )[0]

    assert np.isfinite(found.quantile(0.05)).all()
    assert found.evidence.covariates == ("elevation",)
    assert "taken to follow elevation in a straight line" in found.evidence.notes[0].text


def test_the_order_of_rows_and_the_covariates_unit_change_nothing(samples, measure, square_grid):
    measured, raster, grid = samples(), tilted(), square_grid(SIDE_M, CELLS)
    order = np.random.default_rng(3).permutation(measured.count)
    sites = np.column_stack([measured.easting_m, measured.northing_m])[order]
    shuffled = measure(sites, measured.value[order], repeatability_cv=0.02)
    in_feet = RasterCovariate("elevation", 0.0, SIDE_M, 10.0, raster.value / 0.3048)

    one, other, feet = (
        external_drift_kriging((quantity,), grid, covariates=(covariate,))[0]
        for quantity, covariate in ((measured, raster), (shuffled, raster), (measured, in_feet))
    )

    np.testing.assert_array_equal(other.quantile(0.3), one.quantile(0.3))
    np.testing.assert_allclose(feet.quantile(0.5), one.quantile(0.5), rtol=1e-9)


def test_ground_far_outside_what_was_sampled_is_named(measure, square_grid):
    sites = np.random.default_rng(5).uniform(30, 250, (20, 2))
    measured = measure(sites, np.random.default_rng(6).normal(20, 3, 20))

    found = external_drift_kriging((measured,), square_grid(SIDE_M, CELLS), covariates=(tilted(bump=0.0),))[0]

    assert "of the field has elevation outside what was sampled" in found.evidence.notes[1].text


FLAT = RasterCovariate("flat", 0.0, SIDE_M, 10.0, np.full((60, 60), 3.3))
HALF = RasterCovariate("half", 0.0, SIDE_M, 10.0, tilted().value[:30])
TWICE = RasterCovariate("twice", 0.0, SIDE_M, 10.0, 2 * tilted().value - 7)


@pytest.mark.parametrize(
    ("covariates", "count", "names"),
    [
        ((), 30, r"no covariate.*\[\[covariate\]\]"),
        ((tilted(), FLAT), 30, r"'flat'.*same at all 30 samples of K.*Leave it out"),
        ((HALF,), 30, r"'half'.*does not cover sample \d+ of K and \d+ more.*covers every sample"),
        ((logged(tilted("em"), rows=slice(0, 20)),), 30, r"'em'.*does not cover sample \d+ of K"),
        ((tilted(), TWICE), 30, "one of elevation, twice follows from the others.*Leave one"),
        ((tilted(),), 8, "8 samples are too few for a line in 1 covariates, which takes 9"),
        ((tilted(),), 401, "401 samples are more than the 400"),
    ],
    ids=["none", "constant", "raster too small", "points too few", "twice the same", "few samples", "many samples"],
)
def test_a_covariate_that_can_carry_no_line_is_refused_by_name(covariates, count, names, samples, square_grid):
    with pytest.raises(InputError, match=names):
        external_drift_kriging((samples(count),), square_grid(SIDE_M, CELLS), covariates=covariates)


def test_under_eight_samples_there_is_no_map_as_with_other_methods(samples, square_grid):
    found = external_drift_kriging((samples(5),), square_grid(SIDE_M, CELLS), covariates=(tilted(),))[0]

    assert found.evidence.structure == "too_few"
