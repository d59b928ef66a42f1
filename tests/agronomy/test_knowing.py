"""What it is worth to know more, against a closed form, the rates' own losses, and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from zonemap.agronomy.knowing import LossCurve, loss_curve
from zonemap.agronomy.rate import need_distribution
from zonemap.values.distribution import Distribution
from zonemap.values.need import Costs, Need, NeedCurve
from zonemap.values.surface import Evidence, Surface, Transform

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)
#: need falls by 3 for each unit of supply
FALLING = NeedCurve("K", "kg/ha/day", [-1e6, 1e6], [3e6, -3e6])
SHORTFALL = NeedCurve("K", "kg/ha/day", [0.0, 1.0, 2.0, 4.0], [200.0, 110.0, 50.0, 0.0])


def surface(mean, deviation, transform="none"):
    mean, deviation = (np.atleast_1d(np.asarray(each, dtype=float)) for each in (mean, deviation))
    return Surface("K", "kg/ha/day", Transform(transform), Distribution.normal(mean, deviation), EVIDENCE)


def need(curve, short=3.0, over=1.0):
    return Need(curve, Costs(short, over, priced=True), None, None, None, 1.0, None, None, 1.0)


def test_a_straight_need_loses_in_proportion_to_the_deviation_that_is_left():
    # Closed form of the newsvendor with a normal need: (c_u + c_o) sigma phi(z) at the best rate, wherever its centre.
    left = np.array([1.0, 0.81, 0.49, 0.25, 0.04, 0.0])
    curve = loss_curve(surface(np.full(6, 2.0), np.full(6, 0.5)), need(FALLING, 4, 1))

    expected = 5 * 3 * 0.5 * np.sqrt(left) * stats.norm.pdf(stats.norm.ppf(0.8))

    # 20 nodes of probability in all
    np.testing.assert_allclose(curve.at(left), expected, rtol=4e-3, atol=1e-6)


def test_with_nothing_more_known_the_loss_is_that_of_the_best_rates():
    rng = np.random.default_rng(3)
    cells = surface(rng.normal(0.2, 0.5, 40), rng.uniform(0.1, 0.6, 40), "log")
    wanted, area = need(SHORTFALL), np.ones(40)

    ours = loss_curve(cells, wanted).at(np.ones(40)).mean()

    # the rates' own way, by nodes over the whole distribution
    best = SHORTFALL.at(cells.quantile(1 - wanted.costs.assurance))
    theirs = need_distribution(cells, SHORTFALL, area).expected_loss(best, wanted.costs)
    assert ours == pytest.approx(theirs, rel=0.01)


@pytest.mark.parametrize("left", [0.1, 0.5, 0.9])
def test_a_bent_need_on_a_log_scale_loses_what_a_simulation_says(left):
    # A thousand centres drawn, at each the best of all rates by a plain search, on four thousand values.
    mean, deviation, costs = 0.4, 0.6, Costs(3.0, 1.0, priced=True)
    ours = float(loss_curve(surface(mean, deviation, "log"), need(SHORTFALL)).at(np.array([left]))[0])

    score = stats.norm.ppf((np.arange(4000) + 0.5) / 4000)
    centres = mean + deviation * np.sqrt(1 - left) * stats.norm.ppf((np.arange(1000) + 0.5) / 1000)
    losses = []
    for centre in centres:
        needed = SHORTFALL.at(np.exp(centre + deviation * np.sqrt(left) * score))
        rate = np.quantile(needed, costs.assurance)
        losses.append((3.0 * np.maximum(needed - rate, 0) + np.maximum(rate - needed, 0)).mean())

    assert ours == pytest.approx(np.mean(losses), rel=0.02)


@given(
    st.lists(st.floats(0, 300), min_size=2, max_size=6),
    st.floats(0.3, 20),
    st.floats(-1, 2),
    st.floats(0.05, 0.8),
    st.sampled_from(["none", "log"]),
)
def test_to_know_more_never_costs(needs, odds, mean, deviation, transform):
    # curves of any shape, those that rise and fall among them
    curve = NeedCurve("K", "kg/ha/day", np.arange(len(needs), dtype=float), needs)
    losses = loss_curve(surface(mean, deviation, transform), need(curve, odds, 1.0)).loss[:, 0]

    assert losses[0] == pytest.approx(0.0, abs=1e-6 * max(needs) + 1e-12)
    # to what the nodes can tell
    assert np.diff(losses).min() >= -0.02 * max(max(needs) * (1 + odds), 1e-9)


def test_a_curve_of_variance_is_the_share_itself():
    left = np.array([[0.0, 0.25, 1.0], [0.7, 0.5, 0.1]])

    # straight between knots of the root
    np.testing.assert_allclose(LossCurve.of_variance(3).at(left), left, atol=0.002)
