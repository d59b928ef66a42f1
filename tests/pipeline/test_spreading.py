"""From needs to paths, and cautions for what is spread."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.agronomy.shortfall import shortfall_curve
from zonemap.pipeline.product_cautions import product_cautions
from zonemap.pipeline.spreading import lacking_path, need_paths, never_blended
from zonemap.values.need import Costs, Demand, Need
from zonemap.values.plan import ZoneReport
from zonemap.values.prescription import Application
from zonemap.values.season import Product
from zonemap.values.terms import Pass

FIRST = date(2026, 5, 1)


@given(
    st.lists(st.floats(0, 9), min_size=1, max_size=40), st.lists(st.floats(0, 9), min_size=1, max_size=4),
    st.floats(0.2, 2),
)  # fmt: skip
def test_the_path_ends_at_the_shortfall_and_never_lies_below_demand_less_supply(daily, supply, response):
    demand = Demand("K", FIRST, np.array(daily), np.full(len(daily), response), "")
    path = lacking_path(demand, np.array(supply), short_cost=1.0)
    curve = shortfall_curve(demand, since=FIRST)
    assert path.need_kg_ha == pytest.approx(curve.at(np.array(supply)), abs=1e-9)
    for zone, rate in enumerate(supply):
        less = np.cumsum(daily) - rate * response * np.arange(1, len(daily) + 1)
        assert np.all(path.lacking_kg_ha[zone] >= less - 1e-9)


def test_paths_start_where_the_rate_read_its_curve_and_end_at_the_need_it_found():
    # law: shortfall summed day by day is the curve's need at the value read; a need without a calendar is one amount
    demand = Demand("K", FIRST, np.array([1.0, 3.0, 2.0]), np.array([1.0, 0.8, 1.0]), "")
    curve, read_at = shortfall_curve(demand, since=FIRST), np.array([0.5, 2.0])
    needs = [_need(curve, demand), _need(curve, None)]
    report = ZoneReport({}, (curve.at(read_at), np.array([7.0, 8.0])), (read_at, None))
    dated, amount = need_paths(needs, report)
    assert dated.dated
    assert dated.lacking_kg_ha.shape == (2, 3)
    assert dated.lacking_kg_ha[:, -1] == pytest.approx(curve.at(read_at), abs=1e-12)
    assert not amount.dated
    assert amount.lacking_kg_ha.tolist() == [[7.0], [8.0]]


def _need(curve, demand):
    return Need(curve, Costs(3.0, 1.0, priced=False), demand, None, None, 1.0, None, None, 0.5)


def spread(product, *, on=FIRST, parts=()):
    return Application(product, on, np.array([50.0]), np.array([50.0]), parts)


UREA = Product("urea", {"N": 0.46}, kind="urea")
TSP = Product("tsp", {"P": 0.2}, kind="triple_superphosphate")
POTASH = Product("potash", {"K": 0.5}, kind="potassium_chloride")
OWN = Product("my own", {"N": 0.1})


def test_urea_on_the_surface_is_cautioned_with_figures_and_worked_in_it_is_not():
    said = " ".join(product_cautions([spread(UREA)], (Pass(FIRST),)))
    assert "1 to 44%" in said
    assert not product_cautions([spread(UREA)], (Pass(FIRST, placement="worked_in"),))


def test_products_of_one_day_that_must_never_meet_are_named():
    said = product_cautions([spread(UREA), spread(TSP)], ())
    assert any("one after the other" in text and "never blend" in text for text in said)
    apart = product_cautions([spread(UREA), spread(TSP, on=date(2026, 6, 1))], ())
    assert not any("never blend" in text for text in apart)


def test_a_blend_states_its_humidity_its_salt_index_and_how_to_store_it():
    blend = Product("blend", {"N": 0.23, "K": 0.25})
    said = product_cautions([spread(blend, parts=((UREA, 0.5), (POTASH, 0.5)))], ())
    text = " ".join(said)
    assert "above 60%" in text  # urea with potassium chloride at 30 C: 60.3
    assert "salt index 95" in text  # (74.4 + 116.2) / 2, Mortvedt 2001
    assert "do not store" in text


def test_what_the_table_does_not_know_is_said_to_be_unknown():
    blend = Product("blend", {"N": 0.28})
    text = " ".join(product_cautions([spread(blend, parts=((UREA, 0.5), (OWN, 0.5)))], ()))
    assert "not known" in text
    assert "of your own making" in text


def test_pairs_that_must_not_be_blended_are_found_by_kind():
    assert never_blended((UREA, TSP, POTASH, OWN)) == {frozenset({"urea", "tsp"})}
