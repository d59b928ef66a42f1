"""Cumulative uptake as a logistic curve of the season, and what its steepness is taken from."""

from __future__ import annotations

import math

import numpy as np

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray
from zonemap.values.season import UptakeShape

#: rounds until steepness and total agree
_STEPS = 60


def taken_up(day: FloatArray, *, midpoint_day: float, steepness_per_day: float) -> FloatArray:
    """Share of an endless logistic 1/(1 + exp(-r (day - midpoint))) by a day; written so that no day overflows.

    >>> taken_up(np.array([0.0, 50.0, 1e6]), midpoint_day=50.0, steepness_per_day=0.1).round(4).tolist()
    [0.0067, 0.5, 1.0]
    """
    return np.asarray(0.5 * (1 + np.tanh(0.5 * steepness_per_day * (day - midpoint_day))))


def steepness(total: float, *, peak_days: float, peak_mean: float) -> float:
    """Logistic steepness r with which the mean over the steepest `peak_days` days is `peak_mean`.

    A logistic rises by tanh(r w / 4) of its total over the w days about its midpoint; solve for r.

    >>> round(steepness(286.0, peak_days=10, peak_mean=8.9), 4)
    0.1287
    """
    return 4.0 / peak_days * math.atanh(peak_mean * peak_days / total)


def steepness_of_days(days_10_90: float) -> float:
    """Logistic steepness r of a curve that takes so many days from 10 to 90 % of its total.

    Such a curve of 330 lb in 24 days rises by 15.1 lb on its steepest day:

    >>> round(330 * steepness_of_days(24.0) / 4, 1)
    15.1
    """
    return 2 * math.log(9) / days_10_90


def season_steepness(total: float, shape: UptakeShape, *, season_days: float, where: str) -> float:
    """Steepness of a shape whose whole total is taken up within the season.

    What a logistic would take up before and after the season is taken up within it, so that a published peak belongs to
    the whole logistic of a larger total: the steepness is sought together with that total.

    Parameters
    ----------
    total
        Season total, in the unit of the shape's peaks.
    where
        Place named when the shape cannot be.

    Raises
    ------
    InputError
        When half is taken up outside the season, or the peak alone would take up the total and more.
    """
    if not 0 < shape.midpoint_day < season_days:
        what = f"day {shape.midpoint_day:g} is not within the season of {season_days:g} days"
        raise InputError(where, what, "Write the day after planting by which half is taken up: midpoint_day = 55.")
    if shape.days_10_90 is not None:
        return steepness_of_days(shape.days_10_90)
    whole, rate = total, 0.0
    for _ in range(_STEPS):
        rate = _steepness_of_peak(whole, shape, where)
        ends = taken_up(np.array([0.0, season_days]), midpoint_day=shape.midpoint_day, steepness_per_day=rate)
        whole = total / float(ends[1] - ends[0])
    return rate


def _steepness_of_peak(whole: float, shape: UptakeShape, where: str) -> float:
    """Steepness by the largest day, or by the mean over the steepest days."""
    if shape.largest_kg_ha_day is not None:
        return 4 * shape.largest_kg_ha_day / whole
    days, mean = shape.peak_days or 0.0, shape.peak_mean_kg_ha_day or 0.0
    if not 0 < days * mean < whole:
        what = f"{days:g} days at the peak would take up {days * mean:.4g} kg/ha, all of the season's {whole:.4g}"
        raise InputError(where, what, "Give a smaller peak, fewer days of it, or a larger total.")
    return steepness(whole, peak_days=days, peak_mean=mean)
