"""How supply follows the temperature of the season."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.season import Temperatures


def temperature_response(
    temperatures: Temperatures, *, first_day: date, days: int, q10: float, reference_c: float
) -> tuple[FloatArray, int]:
    """Supply of each day over the supply that was measured: ``q10 ** ((T - reference) / 10)``.

    Parameters
    ----------
    temperatures
        Of the air; the mean of a day's minimum and maximum stands for the soil.
    first_day, days
        Days asked for.
    reference_c
        Temperature at which supply was measured.

    Returns
    -------
    FloatArray, int
        (days,) factors, 1 on days without a record; and how many those are.

    References
    ----------
    Van 't Hoff's rule; Q10 of about 2 for release from organic matter: common practice, from memory. Koch, O.,
    Tscherko, D. & Kandeler, E. (2007), Global Biogeochemical Cycles 21:GB4017, abstract: 1.7 for nitrogen and 2.0 for
    carbon in alpine soils from 0 to 30 degrees C.

    Examples
    --------
    Ten degrees warmer than the measurement, then a day without a record.

    >>> record = Temperatures(date(2026, 5, 1), [15.0], [25.0])
    >>> factors, unknown = temperature_response(
    ...     record, first_day=date(2026, 5, 1), days=2, q10=2.0, reference_c=10.0
    ... )
    >>> factors.tolist(), unknown
    ([2.0, 1.0], 1)
    """
    mean = (np.asarray(temperatures.minimum_c) + np.asarray(temperatures.maximum_c)) / 2
    at = (first_day - temperatures.first_day).days + np.arange(days)
    known = (at >= 0) & (at < mean.size)
    factor = np.ones(days)
    factor[known] = q10 ** ((mean[at[known]] - reference_c) / 10)
    return factor, int(np.count_nonzero(~known))


def mean_temperature(temperatures: Temperatures, *, until: date, days: int) -> float | None:
    """Mean of the air over the `days` up to and with `until`, degrees C; ``None`` where the record lacks any."""
    first = (until - timedelta(days=days - 1) - temperatures.first_day).days
    mean = (np.asarray(temperatures.minimum_c) + np.asarray(temperatures.maximum_c)) / 2
    if first < 0 or first + days > mean.size:
        return None
    return float(mean[first : first + days].mean())
