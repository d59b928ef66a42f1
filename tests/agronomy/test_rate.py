"""The rate that pays, against textbook decisions and Monte Carlo."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from zonemap.agronomy.rate import need_distribution, pooled_quantile, probability_of_need, zone_need, zone_rate
from zonemap.agronomy.shortfall import shortfall_curve
from zonemap.values.distribution import SCORES, Distribution, OwnScores
from zonemap.values.need import Costs, Demand, NeedCurve
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Zones

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)
IDENTITY = NeedCurve("D", "kg/ha", [-1e6, 1e6], [-1e6, 1e6])
ONE_CELL, ONE_ZONE = np.ones(1), Zones([1])


def normal(mean, deviation, transform="none"):
    distribution = Distribution.normal(*(np.atleast_1d(np.asarray(part, dtype=float)) for part in (mean, deviation)))
    return Surface("D", "kg/ha", Transform(transform), distribution, EVIDENCE)


def test_newsvendor_with_normal_demand():
    # Teaching notes on the newsvendor problem: price 7, cost 5, demand N(50, 20) -> 38.68.
    costs = Costs(short=7 - 5, over=5, priced=True)
    rate = zone_need(normal(50, 20), IDENTITY, ONE_CELL, ONE_ZONE, assurance=costs.assurance)
    assert round(float(rate[0]), 2) == 38.68


def test_newsvendor_with_uniform_demand():
    # Teaching notes: critical fractile 20/29 on U(350, 620) -> 536.2. A uniform need is a curve of the normal score.
    score = np.linspace(-6, 6, 4001)
    uniform = NeedCurve("D", "score", score, 350 + 270 * stats.norm.cdf(score))
    rate = zone_need(normal(0, 1), uniform, ONE_CELL, ONE_ZONE, assurance=Costs(20, 9, priced=True).assurance)
    assert round(float(rate[0]), 1) == 536.2


def test_loss_at_the_best_rate_of_a_normal_need():
    # Arithmetic: c_u:c_o = 4:1, N(100, 20) -> rate 116.83, loss (c_u + c_o) sigma phi(z) = 28.00 per unit c_o.
    costs = Costs(4, 1, priced=True)
    surface = normal(100, 20)
    rate = zone_need(surface, IDENTITY, ONE_CELL, ONE_ZONE, assurance=costs.assurance)
    loss = need_distribution(surface, IDENTITY, ONE_CELL).expected_loss(rate, costs)
    assert round(float(rate[0]), 2) == 116.83
    # 24 nodes of probability on a curve with a kink
    assert loss == pytest.approx(28.00, rel=5e-3)


def test_the_rate_is_the_shortfall_at_the_lower_quantile_of_supply():
    # Worked: s normal(2.0, 0.5), assurance 0.75 gives A at 2.0 - 0.6745 * 0.5.
    demand = Demand("K", date(2026, 5, 1), np.array([1.0, 2.5, 4.0, 3.0]), np.ones(4), "")
    curve = shortfall_curve(demand, since=demand.first_day)
    rate = zone_need(normal(2.0, 0.5), curve, ONE_CELL, ONE_ZONE, assurance=0.75)
    assert float(rate[0]) == pytest.approx(float(curve.at(2.0 - 0.6745 * 0.5)), abs=1e-4)


def test_quantiles_pass_through_the_curve_as_monte_carlo_says():
    rng = np.random.default_rng(7)
    cells = 300
    surface = normal(rng.normal(0.8, 0.4, cells), rng.uniform(0.1, 0.5, cells), "log")
    area = rng.uniform(0.2, 1.0, cells)
    zones = Zones(rng.integers(1, 4, cells))
    curve = NeedCurve("K", "kg/ha/day", [0.0, 1.0, 2.0, 4.0], [90.0, 45.0, 20.0, 0.0])
    rates = zone_need(surface, curve, area, zones, assurance=0.7)
    draws = np.exp(surface.centre() + surface.spread() * rng.normal(size=(4000, cells)))
    for zone in (1, 2, 3):
        members = zones.number == zone
        need = curve.at(draws[:, members]).ravel()
        weight = np.tile(area[members], 4000)
        order = np.argsort(need)
        share = np.cumsum(weight[order]) / weight.sum()
        assert float(rates[zone - 1]) == pytest.approx(need[order][np.searchsorted(share, 0.7)], abs=0.4)


def test_a_table_that_rises_and_falls_is_read_through_its_own_quantile():
    curve = NeedCurve("N", "ppm", [0.0, 1.0, 2.0], [0.0, 10.0, 0.0])
    rate = zone_need(normal(1.0, 0.3), curve, ONE_CELL, ONE_ZONE, assurance=0.75)
    draws = curve.at(np.random.default_rng(1).normal(1.0, 0.3, 400_000))
    assert float(rate[0]) == pytest.approx(np.quantile(draws, 0.75), abs=0.02)


@settings(max_examples=50)
@given(st.integers(0, 10_000), st.floats(0.05, 0.95))
def test_no_other_rate_loses_less(seed, assurance):
    rng = np.random.default_rng(seed)
    cells = 20
    surface, area = normal(rng.uniform(1, 6, cells), rng.uniform(0.2, 2, cells)), rng.uniform(0.5, 1, cells)
    zones = Zones(np.ones(cells, dtype=int))
    curve = NeedCurve("K", "kg/ha/day", [0.0, 5.0, 9.0], [100.0, 20.0, 0.0])
    costs = Costs(assurance / (1 - assurance), 1.0, priced=False)
    best = zone_need(surface, curve, area, zones, assurance=assurance)[0]
    spread = need_distribution(surface, curve, area)
    loss = spread.expected_loss(np.full(cells, best), costs)
    for other in (best * 0.8, best * 1.2 + 1, best + 10, max(best - 10, 0.0)):
        # the loss is measured at 24 nodes a cell: allow their error
        assert loss <= spread.expected_loss(np.full(cells, other), costs) * 1.01 + 1e-9


@settings(max_examples=50)
@given(st.integers(0, 10_000), st.lists(st.floats(0, 150), min_size=3, max_size=3))
def test_losses_of_parts_add_up_to_the_loss_of_the_whole(seed, rates):
    rng = np.random.default_rng(seed)
    cells = 30
    surface, area = normal(rng.uniform(1, 6, cells), rng.uniform(0.2, 2, cells)), rng.uniform(0.5, 1, cells)
    spread = need_distribution(surface, NeedCurve("K", "kg/ha/day", [0.0, 5.0, 9.0], [100.0, 20.0, 0.0]), area)
    costs, zone = Costs(3.0, 1.0, priced=False), rng.integers(0, 3, cells)
    parts = [spread.loss_of_part(np.flatnonzero(zone == number), rate, costs) for number, rate in enumerate(rates)]
    assert sum(parts) == pytest.approx(spread.expected_loss(np.array(rates)[zone], costs), rel=1e-12)


@pytest.mark.parametrize("probability", [0.02, 0.3, 0.5, 0.9])
def test_pooled_quantiles_of_cells_that_are_not_normal_are_those_of_their_mixture(probability):
    # cells of Student's t, some by quantiles at 41 scores of their own; the pool's share below is summed plainly
    rng = np.random.default_rng(5)
    centre, scale = rng.normal(2.0, 0.5, 12), rng.uniform(0.1, 1.0, 12)
    area, zones = rng.uniform(0.2, 1.0, 12), Zones(np.arange(12) % 2 + 1)
    score, own = np.linspace(-2.75, 2.75, 41), np.array([3, 8])

    def places(at, cell):
        deviate = stats.t.ppf(stats.norm.cdf(at), 9)
        return centre[cell] + deviate * scale[cell], scale[cell] * stats.norm.pdf(at) / stats.t.pdf(deviate, 9)

    finer = OwnScores(own, [0, 41, 82], np.tile(score, 2), *places(np.tile(score, 2), np.repeat(own, 41)))
    said = Distribution(centre, scale, *places(SCORES[:, None], np.arange(12)), finer)

    pooled = pooled_quantile(Surface("D", "kg/ha", Transform(), said, EVIDENCE), area, zones, probability=probability)

    for zone, value in enumerate(pooled, start=1):
        members = zones.number == zone
        share = area[members] @ stats.t.cdf((value - centre[members]) / scale[members], 9) / area[members].sum()
        assert share == pytest.approx(probability, abs=2e-4)


def test_cells_without_spread_have_a_pooled_quantile_too():
    zones = Zones([1, 1, 1, 1])
    value = pooled_quantile(normal([1.0, 2.0, 3.0, 4.0], np.zeros(4)), np.ones(4), zones, probability=0.6)
    assert value[0] == pytest.approx(3.0, abs=1e-6)


@pytest.mark.parametrize("cells", [1_000, 400_000])
def test_the_pooled_quantile_of_many_cells_is_where_their_mixture_reaches_it(cells):
    rng = np.random.default_rng(5)
    surface = normal(np.sin(np.arange(cells) / 50) + rng.normal(0, 0.2, cells), rng.uniform(0.05, 0.6, cells), "log")
    zones, area = Zones(1 + np.arange(cells) * 3 // cells), rng.uniform(0.5, 1.0, cells)

    found = pooled_quantile(surface, area, zones, probability=0.25)

    below = surface.probability_below(found[zones.number - 1])
    reached = np.bincount(zones.number, weights=area * below)[1:] / np.bincount(zones.number, weights=area)[1:]
    assert reached == pytest.approx([0.25] * 3, abs=2e-7)


@pytest.mark.parametrize(
    ("value", "need"),
    [
        ([1.0, 2.0, 3.0], [40.0, 10.0, 0.0]),
        ([1.0, 2.0, 3.0], [0.0, 0.0, 30.0]),
        ([1.0, 1.5, 2.0, 3.0], [0.0, 5.0, 0.0, 0.0]),
        ([1.0, 2.0], [5.0, 5.0]),
        ([1.0, 2.0], [0.0, 0.0]),
    ],
    ids=["falling", "rising", "both", "always", "never"],
)
def test_the_probability_of_any_need_is_that_of_monte_carlo(value, need):
    curve = NeedCurve("K", "kg/ha/day", value, need)
    surface = normal([0.3, 0.9], [0.4, 0.2], "log")

    found = probability_of_need(surface, curve)

    draws = np.exp(surface.centre() + surface.spread() * np.random.default_rng(1).standard_normal((40_000, 2)))
    # a curve that rises and falls is read at 24 nodes
    assert found == pytest.approx((curve.at(draws) > 0).mean(axis=0), abs=0.05 if curve.at(1.5) == 5 else 0.01)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.floats(0.05, 0.95), st.booleans())
def test_a_need_is_the_curve_where_it_was_read_and_that_is_met_as_often_as_asked(seed, assurance, falling):
    # law: the mixture's share below the value read is 1 - assurance on a falling curve and assurance on a rising one
    rng = np.random.default_rng(seed)
    centre, spread, area = rng.uniform(1, 6, 20), rng.uniform(0.2, 2, 20), rng.uniform(0.5, 1, 20)
    zones = Zones(np.arange(20) % 2 + 1)
    curve = NeedCurve("K", "kg/ha/day", [0.0, 9.0], [100.0, 0.0] if falling else [0.0, 100.0])
    rate = zone_rate(normal(centre, spread), curve, area, zones, assurance=assurance)
    assert np.array_equal(rate.need_kg_ha, curve.at(rate.read_at))
    for zone, value in enumerate(rate.read_at, start=1):
        members = zones.number == zone
        share = area[members] @ stats.norm.cdf((value - centre[members]) / spread[members]) / area[members].sum()
        assert share == pytest.approx(1 - assurance if falling else assurance, abs=1e-5)


def test_a_curve_that_rises_and_falls_is_read_at_no_single_value():
    peaked = NeedCurve("N", "ppm", [0.0, 1.0, 2.0], [0.0, 10.0, 0.0])
    assert zone_rate(normal(1.0, 0.3), peaked, ONE_CELL, ONE_ZONE, assurance=0.75).read_at is None
