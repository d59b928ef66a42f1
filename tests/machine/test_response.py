"""How the rate follows a step, and what zone that asks for."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.machine.pattern import flat_pattern
from zonemap.machine.response import (
    emitted_within_step,
    followed,
    lead_m,
    rate_within_step,
    response_length_m,
    time_constant_s,
)
from zonemap.machine.size import feasible_zone_size
from zonemap.units import M_PER_FT, M_S_PER_MPH
from zonemap.values.season import Spreader


def test_a_step_at_5_m_s_and_4_s_is_done_as_far_as_the_first_order_response_says():
    # by hand, r = 100 + 100 (1 - exp(-t / tau)): 95 % after 4 s = 20 m, 63.2 % after tau = 4 / 2.9957 = 1.3352 s or
    # 6.676 m, half after tau ln 2 = 4.627 m, within 10 % of 200 when exp(-t / tau) = 0.2: 10.745 m
    length = response_length_m(Spreader(speed_m_s=5.0, response_s=4.0))
    into = np.array([20.0, 6.676, 4.627, 10.745])
    start, target = np.full(4, 100.0), np.full(4, 200.0)
    rate = rate_within_step(start, target, into_m=into, length_m=length)
    assert rate == pytest.approx([195.0, 163.2, 150.0, 180.0], abs=0.05)


def test_the_change_takes_66_to_110_ft_at_15_mph_for_3_to_5_s():
    # University of Georgia Extension 2024: transitions of 3 to 5 s; 15 mph = 22 ft/s
    for response_s, feet in ((3.0, 66.0), (5.0, 110.0)):
        length = response_length_m(Spreader(speed_m_s=15 * M_S_PER_MPH, response_s=response_s))
        start, target = np.zeros(1), np.ones(1)
        done = rate_within_step(start, target, into_m=np.array([feet * M_PER_FT]), length_m=length)
        assert done.item() == pytest.approx(0.95, abs=1e-9)


@given(
    st.lists(st.floats(0, 500), min_size=2, max_size=30),
    st.floats(0.5, 5),
    st.floats(0.2, 40),
)
def test_rates_follow_step_by_step_as_the_equation_integrated_finely(targets, step, length):
    # peer: the differential equation in four hundred small steps a step
    target = np.array([targets])
    start = followed(target, step_m=step, length_m=length)
    rate, small = target[0, 0], step / 400
    for number, asked in enumerate(target[0]):
        assert start[0, number] == pytest.approx(rate, abs=0.7)
        for _ in range(400):
            rate += (asked - rate) * (1 - math.exp(-small / length))


@given(st.floats(0, 300), st.floats(0, 300), st.floats(0.01, 10), st.just(0.0) | st.floats(0.3, 30))
def test_what_is_emitted_is_the_integral_of_the_rate(start, target, into, length):
    fine = np.linspace(0, into, 4001)
    middle = (fine[1:] + fine[:-1]) / 2
    rate = rate_within_step(np.full(4000, start), np.full(4000, target), into_m=middle, length_m=length)
    emitted = emitted_within_step(np.array([start]), np.array([target]), into_m=np.array([into]), length_m=length)
    assert emitted.item() == pytest.approx(rate.sum() * into / 4000, abs=2e-3)


def test_reading_ahead_adds_offset_and_time():
    assert lead_m(Spreader(speed_m_s=5.0, look_ahead_s=2.0, position_offset_m=-3.0)) == 7.0
    assert time_constant_s(0.0) == 0.0


def _right_along(spreader, zone_m, *, change):
    """Share of a zone's length within a tenth, by following the rate through it."""
    step = 0.01
    place = np.arange(-60, zone_m + 60, step) + step / 2
    read = place + lead_m(spreader)
    target = np.where((read > 0) & (read < zone_m), 100.0, 100.0 * (1 + change))[None, :]
    start = followed(target, step_m=step, length_m=response_length_m(spreader))[0]
    inside = (place > 0) & (place < zone_m)
    return np.mean(np.abs(start[inside] - 100.0) <= 10.0)


@pytest.mark.parametrize("change", [0.3, 1.0, 3.0])
@pytest.mark.parametrize(("offset", "look_ahead"), [(0.0, 0.0), (4.0, 0.0), (-2.0, 0.0), (0.0, 2.0), (0.0, 5.0)])
def test_half_of_the_smallest_zone_gets_its_rate_along_travel(change, offset, look_ahead):
    spreader = Spreader(speed_m_s=5.0, response_s=4.0, position_offset_m=offset, look_ahead_s=look_ahead)
    size = feasible_zone_size(spreader, change=change)
    assert _right_along(spreader, size.along_m, change=change) >= 0.5 - 2e-3
    # what is left out on the safe side is up to a third of a length where rates differ little
    assert _right_along(spreader, 0.7 * size.along_m, change=change) < 0.5


def test_the_smallest_zone_is_exact_where_the_map_is_not_read_ahead():
    size = feasible_zone_size(Spreader(speed_m_s=5.0, response_s=4.0))
    assert _right_along(Spreader(speed_m_s=5.0, response_s=4.0), size.along_m, change=1.0) == pytest.approx(
        0.5, abs=1e-3
    )


def _least_right_across(swath, overlap, zone_m, *, change):
    """Share of a zone's width within a tenth, for the worst place of the passes."""
    pattern = flat_pattern(swath_m=swath, overlap_share=overlap)
    across = (np.arange(1000) + 0.5) / 1000 * zone_m
    worst = 1.0
    for first in (np.arange(160) + 0.5) / 160 * swath:
        line = first + swath * np.arange(-3, math.ceil(zone_m / swath) + 3)
        rate = np.where((line > 0) & (line < zone_m), 100.0, 100.0 * (1 + change))
        laid = swath * (pattern.density(across[:, None] - line) * rate).sum(axis=1)
        worst = min(worst, float(np.mean(np.abs(laid - 100.0) <= 10.0 + 1e-6)))
    return worst


@pytest.mark.parametrize("overlap", [0.0, 0.2, 0.5, 1.0])
def test_half_of_the_smallest_zone_gets_its_rate_across_travel_wherever_the_passes_lie(overlap):
    size = feasible_zone_size(Spreader(swath_m=20.0, overlap_share=overlap))
    for wider in (1.0, 1.1, 1.35, 1.7, 2.2):
        assert _least_right_across(20.0, overlap, wider * size.across_m, change=1.0) >= 0.5 - 2e-3
    assert _least_right_across(20.0, overlap, 0.97 * size.across_m, change=1.0) < 0.5


def test_nothing_is_asked_of_a_machine_nobody_described():
    assert feasible_zone_size(Spreader()).along_m == 0.0
    assert feasible_zone_size(Spreader()).across_m == 0.0
