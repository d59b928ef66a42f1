"""Cumulative adsorption Q = a t^b (Dobermann et al. 1994, Commun. Soil Sci. Plant Anal. 25:1329-1353)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.values.burial import burial_exponent, rebased, rebasing_factor

days = st.floats(0.5, 100)
amounts = st.floats(0.01, 1000)
exponents = st.floats(0.05, 1.5)


@given(amounts, exponents, days, days)
def test_two_burials_on_the_curve_give_its_exponent_back(a, b, first, second):
    if abs(np.log(second / first)) < 0.01:
        second = 2 * first

    found = burial_exponent(a * first**b, first, a * second**b, second)

    assert found == pytest.approx(b, rel=1e-6)


@given(amounts, exponents, days, days)
def test_a_rebased_rate_is_the_mean_rate_of_the_curve_over_the_other_burial(a, b, first, second):
    # mean rate = Q / t
    rate = rebased([a * first**b / first], from_days=[first], to_days=second, exponent=b)

    np.testing.assert_allclose(rate, a * second**b / second, rtol=1e-9)


@given(days, days, exponents)
def test_there_and_back_changes_nothing(first, second, b):
    there = rebasing_factor(first, to_days=second, exponent=b)
    back = rebasing_factor(second, to_days=first, exponent=b)

    assert there * back == pytest.approx(1.0, rel=1e-12)


def test_a_constant_rate_needs_no_rebasing():
    assert rebasing_factor(3.0, to_days=30.0, exponent=1.0) == 1.0


@pytest.mark.parametrize("burials", [(0.0, 4, 2.0, 8), (1.0, 4, -2.0, 8), (1.0, 4, 2.0, 4), (1.0, 0, 2.0, 4)])
def test_burials_that_show_no_exponent_are_refused(burials):
    with pytest.raises(ValueError, match="the two times different"):
        burial_exponent(*burials)
