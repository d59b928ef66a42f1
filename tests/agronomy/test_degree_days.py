"""Degree days against printed worked examples."""

import numpy as np
import pytest

from zonemap.agronomy.degree_days import degree_days


def fahrenheit_days(high, low):
    celsius = degree_days((np.array(low) - 32) / 1.8, (np.array(high) - 32) / 1.8, base_c=10.0, cap_c=30.0)
    return celsius * 1.8


def test_ohio_state_example():
    # Ohio State University Extension 2023, corn 86/50 F method: 87/63 F -> 24.5.
    assert fahrenheit_days([87.0], [63.0])[0] == pytest.approx(24.5, abs=1e-9)


def test_wisconsin_example():
    # University of Wisconsin, Waushara County 2018: 90/65, 72/46, 63/42 F -> 25.5, 11, 6.5, sum 43.
    days = fahrenheit_days([90.0, 72.0, 63.0], [65.0, 46.0, 42.0])
    assert days == pytest.approx([25.5, 11.0, 6.5], abs=1e-9)
    assert days.sum() == pytest.approx(43.0, abs=1e-9)


def test_a_cold_day_counts_nothing():
    assert fahrenheit_days([45.0], [20.0])[0] == 0
