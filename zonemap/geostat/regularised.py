"""From the covariance of averages over blocks back to that of points.

Averages over blocks vary less than points and resemble one another more: their sill is lower and their range longer,
and of a nugget only its share by rows is left, which no likelihood of averages can tell from nothing. All three can be
undone: what is lost within blocks is seen there.

References
----------
Journel, A.G. & Huijbregts, C.J. (1978), Mining Geostatistics, sections II.D.1-4, regularization and the additivity of
variances (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances, within_block_correlation
from zonemap.values.variogram import Family, Variogram

#: Points along a side that stand for a block.
_POINTS = 6

#: So many sides apart the correlation of two blocks is held to the fitted one: nearer than that the form of a family
#: fitted to averages is off most, and the likelihood is decided by near pairs. A choice; 1.5 and 1 gave ranges that
#: were 10 and 25 % shorter on simulated fields.
_SIDES_APART = 2.0

#: The range of points is not looked for below this share of the one of averages.
_LEAST_SHARE = 0.05


def point_variogram(
    of_averages: Variogram, *, side_m: float, within_variance: float, least_nugget: float = 0.0
) -> Variogram:
    """Return the model of points from one fitted to averages over blocks of a side.

    Parameters
    ----------
    within_variance
        Pooled variance of points about the mean of their block, on the scale of the model.
    least_nugget
        Known part of the nugget; no more of it than the variance within blocks is used.

    Returns
    -------
    Variogram
        The whole nugget is named measurement variance, because all of it averages out with the number of rows.
    """
    family = of_averages.family
    range_m = _point_range_m(of_averages, side_m)
    share = _between_blocks(family, range_m, side_m, apart_m=0.0)
    partial_sill = of_averages.partial_sill / share
    nugget = max(within_variance - partial_sill * (1.0 - share), min(least_nugget, within_variance))
    return replace(of_averages, range_m=range_m, partial_sill=partial_sill, nugget=nugget, measurement_variance=nugget)


def _point_range_m(of_averages: Variogram, side_m: float) -> float:
    """Range at which blocks two sides apart are correlated as fitted; that of the averages where there is none."""
    from scipy.optimize import brentq

    family, fitted_m, apart_m = of_averages.family, of_averages.range_m, _SIDES_APART * side_m
    wanted = float(CORRELATIONS[family](np.array([apart_m / fitted_m]))[0])

    def missed(range_m: float) -> float:
        along = _between_blocks(family, range_m, side_m, apart_m=apart_m)
        return along / _between_blocks(family, range_m, side_m, apart_m=0.0) - wanted

    least_m = _LEAST_SHARE * fitted_m
    if not missed(least_m) < 0.0 < missed(fitted_m):
        return fitted_m
    return float(brentq(missed, least_m, fitted_m, xtol=1e-6 * fitted_m))


def _between_blocks(family: Family, range_m: float, side_m: float, *, apart_m: float) -> float:
    """Mean correlation of the points of two blocks whose middles lie so far apart along a side."""
    offsets = block_offsets(side_m, _POINTS)
    if apart_m == 0.0:
        return within_block_correlation(family, range_m, offsets)
    return float(CORRELATIONS[family](distances(offsets, offsets + np.array([apart_m, 0.0])) / range_m).mean())
