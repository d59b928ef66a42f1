"""Degree days from daily minimum and maximum temperatures."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from zonemap.values.arrays import FloatArray


def degree_days(minimum_c: npt.ArrayLike, maximum_c: npt.ArrayLike, *, base_c: float, cap_c: float) -> FloatArray:
    """Daily degree days with both temperatures held between base and cap.

    ``(min(max, cap) + max(min, base)) / 2 - base``, never below 0.

    Parameters
    ----------
    minimum_c, maximum_c
        (days,) air temperatures, degrees Celsius.
    base_c, cap_c
        Below the base nothing grows; above the cap it grows no faster.

    Returns
    -------
    FloatArray
        (days,) degree days, Celsius.

    References
    ----------
    Ohio State University Extension 2023, corn growing degree days (86/50 F method): 87/63 F gives 24.5 F degree days.

    Examples
    --------
    >>> import numpy as np
    >>> round(float(degree_days((63 - 32) / 1.8, (87 - 32) / 1.8, base_c=10.0, cap_c=30.0)) * 1.8, 1)
    24.5
    """
    low = np.clip(np.asarray(minimum_c, dtype=float), base_c, cap_c)
    high = np.clip(np.asarray(maximum_c, dtype=float), base_c, cap_c)
    return np.asarray((low + high) / 2 - base_c)
