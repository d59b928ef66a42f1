"""Student's t for a variance that was estimated, carried by two coefficients of a normal.

A t distribution on a log scale has no mean once it is taken back to the measured scale, so its tails are not copied:
the normal that stands for it has the same centre and the same central 90 % interval. Its middle is a little too wide,
its far tails are too light.
"""

from __future__ import annotations

#: 0.95 quantile of the standard normal (solves Phi(z) = 0.95).
_NORMAL_95 = 1.6448536269514722

#: With fewer degrees of freedom t says only that nothing is known (its 0.95 quantile with one is 6.3, on a log scale a
#: factor of 20 either way for a spread of 50 %). A choice of this package, not a result: too narrow for two or three
#: samples.
LEAST_DEGREES = 3


def half_width_90(degrees: int) -> float:
    """0.95 quantile of Student's t: half the central 90 % interval in standard errors.

    >>> round(half_width_90(10), 3)
    1.812
    """
    from scipy.special import stdtrit

    return float(stdtrit(max(degrees, LEAST_DEGREES), 0.95))


def widening(degrees: int) -> float:
    """Standard deviation of the normal with the central 90 % interval of a standard t.

    >>> round(widening(14), 3)
    1.071
    """
    return half_width_90(degrees) / _NORMAL_95
