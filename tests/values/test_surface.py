"""A surface is a distribution a cell."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from zonemap.values.distribution import SCORES, Distribution
from zonemap.values.surface import Evidence, Surface, Transform

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)


def surface(centre, spread, transform="none"):
    said = Distribution.normal(np.array([centre]), np.array([spread]))
    return Surface("K", "kg/ha/day", Transform(transform), said, EVIDENCE)


def test_centre_and_spread_are_the_normal_distribution():
    s = surface(2.0, 0.5)
    for p in (0.01, 0.25, 0.5, 0.9):
        assert s.quantile(p)[0] == pytest.approx(stats.norm(2, 0.5).ppf(p), abs=1e-12)
    assert s.mean()[0] == pytest.approx(2.0)
    assert s.standard_deviation()[0] == pytest.approx(0.5)


def test_a_log_scale_is_the_log_normal_distribution():
    s = surface(0.3, 0.6, "log")
    peer = stats.lognorm(0.6, scale=np.exp(0.3))
    assert s.mean()[0] == pytest.approx(peer.mean(), rel=1e-9)
    assert s.standard_deviation()[0] == pytest.approx(peer.std(), rel=1e-7)
    assert s.probability_below(np.array([1.7]))[0] == pytest.approx(peer.cdf(1.7), abs=1e-12)


@given(
    centre=st.floats(-3, 3),
    spread=st.floats(0.05, 2),
    skew=st.floats(-0.05, 0.05),
    tail=st.floats(0.0, 0.05),
    p=st.floats(0.001, 0.999),
    name=st.sampled_from(["none", "log", "box_cox"]),
)
def test_probability_is_the_inverse_of_the_quantile(centre, spread, skew, tail, p, name):
    # a slanted and stretched normal: rising, since its slope is 1 + 2 skew z + tail z^2
    quantile = SCORES + skew * np.square(SCORES) + tail * SCORES**3 / 3
    slope = 1 + 2 * skew * SCORES + tail * np.square(SCORES)
    said = Distribution(np.zeros(1), np.ones(1), quantile[:, None], slope[:, None]).moved(shift=centre, factor=spread)
    s = Surface("K", "kg/ha/day", Transform(name, 0.3), said, EVIDENCE)
    value = s.quantile(p)
    if name == "box_cox" and value[0] == 0:
        return
    assert s.probability_below(value)[0] == pytest.approx(p, abs=1e-9)


def test_mean_and_deviation_of_a_bent_distribution_on_a_log_scale_are_those_of_numerical_integration():
    score = np.linspace(-8, 8, 160_001)
    quantile = 0.4 * (SCORES + 0.1 * np.square(SCORES))
    said = Distribution(np.array([0.04]), np.array([0.4]), quantile[:, None], 0.4 * (1 + 0.2 * SCORES)[:, None])
    s = Surface("K", "kg/ha/day", Transform("log"), said, EVIDENCE)

    # beyond +-2.75 the tangent, within them the same parabola (pieces with those slopes miss it by next to nothing)
    inside = np.clip(score, -2.75, 2.75)
    g = 0.4 * (inside + 0.1 * np.square(inside) + (score - inside) * (1 + 0.2 * inside))
    weight = stats.norm.pdf(score) * (score[1] - score[0])
    mean = weight @ np.exp(g)
    assert s.mean()[0] == pytest.approx(mean, rel=1e-4)
    assert s.standard_deviation()[0] == pytest.approx(np.sqrt(weight @ np.square(np.exp(g) - mean)), rel=1e-3)


def test_the_transform_goes_there_and_back():
    value = np.array([0.2, 1.0, 7.5])
    for transform in (Transform(), Transform("log"), Transform("box_cox", 0.25), Transform("box_cox", -0.5)):
        assert transform.backward(transform.forward(value)) == pytest.approx(value, rel=1e-12)


def test_a_value_cannot_be_changed():
    s = surface(2.0, 0.5)
    with pytest.raises(ValueError, match="read-only"):
        s.distribution.centre[0] = 1.0
