"""How the rate of a spreader follows the map: a first-order response, read ahead or behind.

`response_s` is the time in which 95 % of a step of the rate is done. Extension publications say how long a controller
takes to get from one rate to the next (3 to 5 s: University of Georgia Extension 2024), which is the end of the change
and not its first 63 %; so the time constant is a third of it (1 / 2.996, as exp(-2.996) = 0.05).
"""

from __future__ import annotations

import math

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.season import Spreader

#: share of a step that is still to do after `response_s`
_LEFT_AFTER_RESPONSE = 0.05
#: a rate that follows within so little ground follows at once
_AT_ONCE_M = 1e-6


def time_constant_s(response_s: float) -> float:
    """Time constant of the first-order response, s: after it 63 % of a step is done, after `response_s` 95 %.

    >>> round(time_constant_s(4.0), 3)
    1.335
    """
    return response_s / -math.log(_LEFT_AFTER_RESPONSE)


def response_length_m(spreader: Spreader) -> float:
    """Ground covered in one time constant, m; 0 where speed or response are not stated."""
    return (spreader.speed_m_s or 0.0) * time_constant_s(spreader.response_s or 0.0)


def lead_m(spreader: Spreader) -> float:
    """How far ahead of where the product falls the map is read, m."""
    return spreader.position_offset_m + spreader.look_ahead_s * (spreader.speed_m_s or 0.0)


def followed(target: FloatArray, *, step_m: float, length_m: float) -> FloatArray:
    """Rate at the start of every step along lines, following a target that is constant within each step.

    Parameters
    ----------
    target
        (lines, steps) what is asked for, in the order of travel.
    length_m
        Ground covered in one time constant; 0 follows at once.

    Returns
    -------
    FloatArray
        (lines, steps); every line starts settled at what it is first asked for.

    Notes
    -----
    Exact solution of dr/dt = (target - r) / tau over every step.
    """
    if length_m < _AT_ONCE_M:
        return target
    from scipy.signal import lfilter

    kept = math.exp(-step_m / length_m)
    rate, _ = lfilter([0.0, 1.0 - kept], [1.0, -kept], target, axis=1, zi=target[:, :1])
    return np.asarray(rate)


def rate_within_step(start: FloatArray, target: FloatArray, *, into_m: FloatArray, length_m: float) -> FloatArray:
    """Rate some way into steps that start at one rate and ask for another; arrays of one shape.

    >>> start, target = np.array([100.0]), np.array([200.0])
    >>> rate_within_step(start, target, into_m=np.array([20.0]), length_m=20 / 2.9957).round(1).tolist()
    [195.0]
    """
    if length_m < _AT_ONCE_M:
        return target
    return np.asarray(target + (start - target) * np.exp(-into_m / length_m))


def emitted_within_step(start: FloatArray, target: FloatArray, *, into_m: FloatArray, length_m: float) -> FloatArray:
    """Integral of the rate from the start of steps to some way into them, rate x m."""
    if length_m < _AT_ONCE_M:
        return target * into_m
    return np.asarray(target * into_m - (start - target) * length_m * np.expm1(-into_m / length_m))
