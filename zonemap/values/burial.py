"""Burial time of resin: what it held after some days, and the mean rate it would show over others.

Cumulative adsorption follows Q = a t^b, so the mean rate over a burial of t days is a t^(b-1): it falls with the burial
time wherever b is below 1, and rates over different burial times are not alike.

References
----------
Dobermann, A., Langner, H., Mutscher, H., Yang, J. E., Skogley, E. O., Adviento, M. A., Pampolino, M. F. 1994. Nutrient
adsorption kinetics of ion exchange resin capsules. Communications in Soil Science and Plant Analysis 25:1329-1353.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from zonemap.values.arrays import FloatArray


def burial_exponent(first_adsorbed: float, first_days: float, second_adsorbed: float, second_days: float) -> float:
    """Exponent b of Q = a t^b from two burials in the same soil: ln(Q2/Q1) / ln(t2/t1).

    Parameters
    ----------
    first_adsorbed, second_adsorbed
        Amounts the resin held, positive, both in one unit.
    first_days, second_days
        Burial times, positive and different.

    Raises
    ------
    ValueError
        When an amount or a time is not positive, or the times are equal.

    Examples
    --------
    >>> burial_exponent(10.0, 4.0, 20.0, 16.0)
    0.5
    """
    if not min(first_adsorbed, second_adsorbed, first_days, second_days) > 0 or first_days == second_days:
        msg = "amounts and burial times must be positive, and the two times different"
        raise ValueError(msg)
    return math.log(second_adsorbed / first_adsorbed) / math.log(second_days / first_days)


def rebasing_factor(from_days: npt.ArrayLike, *, to_days: float, exponent: float) -> FloatArray:
    """Return what mean rates over `from_days` are multiplied by to be mean rates over `to_days`: (to/from)^(b-1).

    Examples
    --------
    >>> rebasing_factor([4.0, 16.0], to_days=16.0, exponent=0.5)
    array([0.5, 1. ])
    """
    return np.asarray((to_days / np.asarray(from_days, dtype=np.float64)) ** (exponent - 1.0))


def rebased(rate: npt.ArrayLike, *, from_days: npt.ArrayLike, to_days: float, exponent: float) -> FloatArray:
    """Mean rates over another burial time.

    Parameters
    ----------
    rate
        Mean rates over `from_days`, amount per day.
    exponent
        b of the quantity.

    Examples
    --------
    >>> rebased([3.0], from_days=4.0, to_days=16.0, exponent=0.5)
    array([1.5])
    """
    return np.asarray(rate, dtype=np.float64) * rebasing_factor(from_days, to_days=to_days, exponent=exponent)
