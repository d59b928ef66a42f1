"""The continuous ranked probability score against its definition, integrated numerically."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from zonemap.geostat.crossval import cross_validate, crps, score
from zonemap.geostat.repeatability import pure_nugget
from zonemap.geostat.student import widening
from zonemap.values.surface import CrossValidation, Transform

LOG, NONE = Transform("log"), Transform("none")


def by_definition(distribution, value):
    """Integral of (F(x) - 1{x >= value})^2 (Gneiting & Raftery 2007, equation 20)."""
    ends = distribution.ppf([1e-13, 1 - 1e-13])
    low, high = min(ends[0], value), max(ends[1], value)
    inner = np.unique([low, *np.clip(distribution.ppf([0.01, 0.3, 0.7, 0.99]), low, high), high])
    total = 0.0
    for start, end in itertools.pairwise(inner):
        for a, b in ((start, min(max(value, start), end)), (min(max(value, start), end), end)):
            below = (a + b) / 2 < value
            total += quad(lambda x, b=below: distribution.cdf(x) ** 2 if b else distribution.sf(x) ** 2, a, b)[0]
    return total


def one(value, transform, centre, deviation):
    return crps(
        np.array([value]), transform=transform, centre=np.array([centre]), deviation=np.array([deviation])
    ).item()


@pytest.mark.parametrize("value", [-4.0, 0.9, 1.0, 2.5, 30.0])
@pytest.mark.parametrize("deviation", [0.05, 1.0, 3.0])
def test_the_normal_form_is_the_integral(value, deviation):
    expected = by_definition(stats.norm(1.0, deviation), value)
    assert one(value, NONE, 1.0, deviation) == pytest.approx(expected, rel=1e-7, abs=1e-9)


@pytest.mark.parametrize("value", [0.0, 0.02, 1.3, 4.0, 60.0])
@pytest.mark.parametrize("deviation", [0.05, 0.5, 1.2])
def test_the_log_normal_form_is_the_integral(value, deviation):
    expected = by_definition(stats.lognorm(deviation, scale=np.exp(0.3)), value)
    assert one(value, LOG, 0.3, deviation) == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("transform", "centre"), [(NONE, 2.0), (LOG, math.log(2.0))])
def test_without_spread_it_is_the_absolute_error(transform, centre):
    # Gneiting & Raftery (2007), section 4.2: the score of a point forecast is the absolute error.
    assert one(3.5, transform, centre, 1e-9) == pytest.approx(1.5, rel=1e-6)


@given(
    centre=st.floats(-2, 2),
    deviation=st.floats(0.05, 1.5),
    value=st.floats(0.01, 50),
    factor=st.floats(0.01, 1000),
)
def test_the_score_is_in_the_unit_of_the_values(centre, deviation, value, factor):
    plain, log = one(value, NONE, centre, deviation), one(value, LOG, centre, deviation)
    assert one(value * factor, NONE, centre * factor, deviation * factor) == pytest.approx(plain * factor, rel=1e-6)
    # the log-normal form takes a difference of two terms as large as the value or the mean: that is its rounding
    size = factor * max(value, math.exp(centre + deviation**2 / 2))
    assert one(value * factor, LOG, centre + math.log(factor), deviation) == pytest.approx(
        log * factor, rel=1e-9, abs=1e-13 * size
    )


def test_the_true_spread_scores_best():
    # Strictly proper (Gneiting & Raftery 2007, section 2): over 20,000 draws a spread a third off loses.
    g = np.random.default_rng(3).normal(0.5, 0.6, 20_000)
    for transform, value in ((NONE, g), (LOG, np.exp(g))):
        said = [
            crps(value, transform=transform, centre=np.full(g.size, 0.5), deviation=np.full(g.size, s)).mean()
            for s in (0.4, 0.6, 0.9)
        ]
        assert said[1] < min(said[0], said[2])


def test_a_box_cox_scale_has_no_closed_form():
    assert math.isnan(one(2.0, Transform("box_cox", 0.5), 1.0, 0.3))


def test_a_zero_on_a_log_scale_is_outside_and_its_score_finite():
    scores = score(np.zeros(1), transform=LOG, centre=np.zeros(1), variance=np.ones(1), degrees=20)

    assert not scores.inside[0]
    assert np.isinf(scores.squared_ratio[0])
    assert np.isfinite(scores.crps[0])


def test_leave_one_out_of_the_mean_carries_the_mean_score(measure):
    # Under pure nugget the left-out value's prediction is the mean of the others and its variance s^2 n / (n - 1).
    rng = np.random.default_rng(4)
    value = rng.normal(0.0, 1.0, 12)
    quantity = measure(rng.uniform(0, 500, (12, 2)), value)

    said = cross_validate(quantity, transform=NONE, variogram=pure_nugget(quantity, NONE))

    others = (value.sum() - value) / 11
    deviation = np.sqrt(np.var(value, ddof=1) * 12 / 11) * widening(11)
    expected = [by_definition(stats.norm(m, deviation), v) for m, v in zip(others, value, strict=True)]
    assert said.crps == pytest.approx(np.mean(expected), rel=1e-7)


def test_diagnostics_made_without_the_score_say_so():
    assert math.isnan(CrossValidation(0.0, 1.0, 1.0, 0.9).crps)
    assert [field.name for field in dataclasses.fields(CrossValidation)][-1] == "crps"
