"""Supply against demand, against plain sums over days and Monte Carlo."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.agronomy.rate import pooled_quantile
from zonemap.agronomy.sufficiency import BAND, sufficiency
from zonemap.values.distribution import Distribution
from zonemap.values.need import Demand
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Zones

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)


def log_normal(centre, spread):
    distribution = Distribution.normal(np.asarray(centre, dtype=float), np.asarray(spread, dtype=float))
    return Surface("K", "kg/ha/day", Transform("log"), distribution, EVIDENCE)


@given(
    daily=st.lists(st.floats(0, 20).map(lambda asked: round(asked, 6)), min_size=1, max_size=40).filter(any),
    supply=st.floats(0.01, 30),
    response=st.floats(0.2, 2),
)
def test_shares_are_plain_sums_over_the_days(daily, supply, response):
    demand = Demand("K", date(2026, 5, 1), np.array(daily), np.full(len(daily), response), "")
    surface = log_normal([np.log(supply)], [0.0])

    found = sufficiency(surface, demand, np.ones(1), Zones.whole(1))

    met = sum(min(asked, supply * response) for asked in daily)
    assert found.share_of_season == pytest.approx([met / sum(daily)] * 2, rel=1e-6, abs=1e-9)
    assert found.share_of_peak == pytest.approx([supply * response / max(daily)] * 2, rel=1e-6)


def test_the_band_is_that_of_places_and_chance_together_as_monte_carlo_says():
    rng = np.random.default_rng(3)
    centre, spread = rng.normal(1.0, 0.5, 200), rng.uniform(0.1, 0.4, 200)
    zones, area = Zones(rng.integers(1, 3, 200)), rng.uniform(0.5, 1.0, 200)
    demand = Demand("K", date(2026, 5, 1), np.array([3.0, 5.0]), np.ones(2), "")

    found = sufficiency(log_normal(centre, spread), demand, area, zones)

    draws = np.exp(centre + spread * rng.standard_normal((5000, 200)))
    for row, members in enumerate((zones.number > 0, zones.number == 1, zones.number == 2)):
        values, weights = draws[:, members].ravel(), np.tile(area[members], 5000)
        order = np.argsort(values)
        share = np.cumsum(weights[order]) / weights.sum()
        expected = [values[order][np.searchsorted(share, p)] for p in BAND]
        assert found.supply_kg_ha_day[row] == pytest.approx(expected, rel=0.01)


def test_a_crop_that_asks_for_nothing_is_supplied():
    for asked in (0.0, 5e-324, 1e-300):
        demand = Demand("K", date(2026, 5, 1), np.full(3, asked), np.ones(3), "")
        found = sufficiency(log_normal([0.0], [0.1]), demand, np.ones(1), Zones.whole(1))
        assert found.share_of_peak.tolist() == found.share_of_season.tolist() == [1.0, 1.0]


def test_of_many_cells_some_tell_the_shares_of_all():
    rng = np.random.default_rng(8)
    cells = 60_000
    place = np.arange(cells) / cells
    zones, area = Zones(1 + (place > 0.2) + (place > 0.99)), rng.uniform(0.5, 1.0, cells)
    surface = log_normal(1.0 + np.sin(9 * place), rng.uniform(0.1, 0.4, cells))
    demand = Demand("K", date(2026, 5, 1), np.array([3.0, 5.0, 2.0]), np.ones(3), "")

    found = sufficiency(surface, demand, area, zones)

    for row, places in enumerate((Zones.whole(cells), zones, zones, zones)):
        exact = [pooled_quantile(surface, area, places, probability=p)[max(row - 1, 0)] for p in BAND]
        assert found.supply_kg_ha_day[row] == pytest.approx(exact, rel=5e-3)
