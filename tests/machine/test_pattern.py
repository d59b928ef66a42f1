"""Spread patterns and their overlap."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.machine.pattern import ACCEPTABLE_CV, HARMFUL_CV, flat_pattern, overlap_cv, pattern_of
from zonemap.values.season import Spreader
from zonemap.values.spread_pattern import SpreadPattern


@given(st.floats(1, 60), st.floats(0, 1), st.booleans())
def test_flat_passes_one_swath_apart_are_even(swath, overlap, back_and_forth):
    # by hand: two flanks that fall and rise linearly over the same width add up to the height of the core
    pattern = flat_pattern(swath_m=swath, overlap_share=overlap)
    # a flank of a millionth of a metre ends a rounding error beside its neighbour's: less than one part in a thousand
    assert overlap_cv(pattern, swath_m=swath, back_and_forth=back_and_forth) < 1e-3


def test_a_trapezoid_driven_too_wide_has_the_cv_of_the_hand_calculation():
    # core 10 m, flanks of 10 m, even at 20 m. Passes 30 m apart just touch: over half a period of 15 m the rate is 1
    # for 5 m and falls linearly to 0 over 10 m; mean 10 / 15, mean square (5 + 10/3) / 15, CV = sqrt(5/9 - 4/9) / (2/3)
    pattern = flat_pattern(swath_m=20.0, overlap_share=0.5)
    assert overlap_cv(pattern, swath_m=20.0) < 1e-6
    assert overlap_cv(pattern, swath_m=30.0) == pytest.approx(0.5, rel=1e-9)


def test_a_trapezoid_driven_too_close_has_the_cv_of_the_hand_calculation():
    # the same, passes 15 m apart, from the middle of one (a = 0) half way to the next (a = 7.5): its own rate is 1 up
    # to a = 5, then 1 - (a - 5) / 10; the neighbour's, 15 - a off, is a / 10. The sum is 1 + a / 10 up to 5, then 1.5.
    # Integral 5 + 1.25 + 3.75, mean 4/3; of the square 10/3 (1.5^3 - 1) = 7.916667, and 2.25 x 2.5 = 5.625
    expected = np.sqrt((7.9166666667 + 5.625) / 7.5 - (4 / 3) ** 2) / (4 / 3)
    pattern = flat_pattern(swath_m=20.0, overlap_share=0.5)
    assert overlap_cv(pattern, swath_m=15.0) == pytest.approx(expected, rel=1e-8)


def test_a_lopsided_pattern_has_the_cv_of_the_hand_calculation_both_ways():
    # a ramp from 0 at 20 m to the left to 1 at 20 m to the right, passes 20 m apart. All the same way: at a (0 to 20)
    # right of a pass (20 + a) / 40, and a / 40 from the next: 0.5 + a / 20, mean 1, variance 1 / 12.
    # Mirrored in turn, ramps rise towards each other: between two that do (a + 20) / 40 + (40 - a) / 40 = 1.5, between
    # the next two that do not 0.5: mean 1, variance 1 / 4.
    ramp = SpreadPattern([-20.0, 20.0], [0.0, 1.0])
    assert overlap_cv(ramp, swath_m=20.0, back_and_forth=False) == pytest.approx(np.sqrt(1 / 12), rel=1e-9)
    assert overlap_cv(ramp, swath_m=20.0, back_and_forth=True) == pytest.approx(0.5, rel=1e-9)


@given(
    st.lists(st.floats(0, 10), min_size=3, max_size=9).filter(lambda masses: max(masses) > 0.1),
    st.floats(4, 30),
    st.booleans(),
)
def test_the_cv_is_that_of_many_points_across(masses, swath, back_and_forth):
    # peer: passes added up on a fine line
    pattern = SpreadPattern(np.linspace(-15, 15, len(masses)), masses)
    across = (np.arange(40_000) + 0.5) / 40_000 * 2 * swath
    laid = np.zeros(across.size)
    for line in range(-12, 14):
        sense = -1 if back_and_forth and line % 2 else 1
        laid += pattern.density((across - line * swath) * sense)
    expected = laid.std() / laid.mean()
    assert overlap_cv(pattern, swath_m=swath, back_and_forth=back_and_forth) == pytest.approx(expected, abs=2e-3)


def test_a_triangle_driven_too_wide_passes_from_acceptable_to_harmful():
    # up to 15 % is acceptable, above 20 % crops lose yield (Forristal, Teagasc, on evenness of fertiliser spreading).
    # By hand, half base 18, passes 27 apart: 1 - a / 18 up to 9, then 0.5 up to 13.5: mean 9 / 13.5, mean square
    # (6 x 0.875 + 1.125) / 13.5 = 17 / 36, variance 17 / 36 - 16 / 36, CV = (1 / 6) / (2 / 3)
    triangle = SpreadPattern([-18.0, 0.0, 18.0], [0.0, 1.0, 0.0])
    assert overlap_cv(triangle, swath_m=18.0) < 1e-9
    assert overlap_cv(triangle, swath_m=27.0) == pytest.approx(0.25, rel=1e-9)
    assert ACCEPTABLE_CV < overlap_cv(triangle, swath_m=25.0) < HARMFUL_CV < overlap_cv(triangle, swath_m=27.0)


def test_a_measured_pattern_wins_over_a_flat_one():
    measured = SpreadPattern([-1.0, 1.0], [1.0, 1.0])
    assert pattern_of(Spreader(pattern=measured, overlap_share=0.5), swath_m=2.0) is measured


def test_pans_must_rise_and_have_caught_something():
    for positions, masses in (([1.0, 1.0], [1.0, 1.0]), ([0.0, 1.0], [0.0, 0.0]), ([0.0, 1.0], [-1.0, 3.0])):
        with pytest.raises(ValueError, match="rising order"):
            SpreadPattern(positions, masses)
