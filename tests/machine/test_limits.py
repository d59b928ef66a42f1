"""What the spreader can do with a rate."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from zonemap.machine.limits import clamp_and_round
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.season import Spreader

RATES = st.lists(st.floats(0, 2000), min_size=1, max_size=20).map(np.array)


@given(RATES, st.floats(0, 100), st.floats(150, 900), st.sampled_from([0.1, 1.0, 5.0, 25.0]))
def test_every_rate_can_be_spread(planned, least, most, step):
    limits = Spreader(min_rate_kg_ha=least, max_rate_kg_ha=most, step_kg_ha=step)
    rate = clamp_and_round(planned, limits, step_kg_ha=1.0)
    assert np.all((rate == 0) | ((rate >= least - 1e-6) & (rate <= most + 1e-6)))
    multiples = rate / step
    assert np.all(np.abs(multiples - np.round(multiples)) < 1e-6)


@given(RATES)
def test_rounding_moves_a_rate_by_half_a_step_at_most(planned):
    rate = clamp_and_round(planned, Spreader(step_kg_ha=5.0), step_kg_ha=1.0)
    assert np.all(np.abs(rate - planned) <= 2.5 + 1e-6)


def test_a_step_in_pounds_stays_a_multiple_in_pounds():
    limits = Spreader(step_kg_ha=5 * KG_HA_PER_LB_AC)
    rate = clamp_and_round(np.array([52.5, 97.4]) * KG_HA_PER_LB_AC, limits, step_kg_ha=1.0) / KG_HA_PER_LB_AC
    assert np.round(rate, 9).tolist() == [55.0, 95.0]
