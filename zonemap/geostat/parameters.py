"""Signals and nugget shares that the samples leave possible, weighed.

A point of the grid weighs its restricted likelihood, the sill integrated out, times its prior. With a prior of
``1 / sill`` the integral over the sill is the profiled likelihood up to a constant, so `likelihood_grid` serves as it
is.

References
----------
Handcock, M.S. & Stein, M.L. (1993), A Bayesian analysis of kriging, Technometrics 35:403-410 (the integral; from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from zonemap.geostat.likelihood import LEAST_SHARE, LikelihoodGrid, likelihood_grid
from zonemap.geostat.signal import PLACE, Mix, Places, Signal, log_prior, signals_of, site_correlations
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.variogram import Family

#: A nugget below the measurement variance is possible, because repeatability is itself estimated, but less likely:
#: its prior falls by e for every so much of the sill. A choice of this package, made on simulated fields whose error
#: was known: 90 % intervals held 87 to 94 % with it, 89 to 95 % without, fitted with their own family.
_MISSING_NUGGET = 1 / 8
#: Shares of the sill that are nugget. Closer together near 0: where a field has parts of different levels, or a long
#: range, the sill is large and a nugget of a few percent of it decides how sure a cell is.
_SHARES = (LEAST_SHARE, 0.01, 0.03, 0.07, 0.15, 0.3, 0.5, 0.75)
#: Prior probability that there is no pattern, only nugget; the rest is that of the grid. A choice of this package: of
#: what noise without pattern costs beside the mean a fifth is saved, and where there is a pattern the error is the same
#: to 0.0002 of the mean's (`tests/benchmarks/no_pattern.py`).
_NO_PATTERN = 0.1
#: Parameter points are kept, heaviest first, until this share of the weight is in.
_KEPT_WEIGHT = 0.998


@dataclass(frozen=True, slots=True)
class ParameterPoints:
    """Signals and nugget shares with their weights, for quantities sampled at the same points.

    Attributes
    ----------
    signals
        Those that are left.
    signal, nugget_share
        (points,) of every parameter point: a number in `signals`, points of one signal together; nugget over sill.
    weight, sill
        (points, quantities) posterior weights, summing to 1 a column and 0 where a quantity has dropped a point, and
        the profiled sill at it.
    """

    signals: tuple[Signal, ...]
    signal: IntArray
    nugget_share: FloatArray
    weight: FloatArray
    sill: FloatArray


def parameter_points(
    sites: Places,
    values: FloatArray,
    *,
    families: tuple[Family, ...],
    measurement_variance: FloatArray,
    mixes: tuple[Mix, ...] = PLACE,
    relative_nugget: FloatArray | None = None,
) -> ParameterPoints:
    """Weigh the parameter grid.

    Parameters
    ----------
    sites
        n distinct points.
    values
        (n, quantities) on the g scale, none constant.
    measurement_variance
        (quantities,) known part of the nugget, in the square of the values' unit; 0 where none is known.
    mixes
        Shares of place, line and likeness that are weighed; other than `PLACE` they need features.
    relative_nugget
        (n,) nugget of each value relative to a plain sample's; ``None`` is 1.

    Notes
    -----
    The prior of the signals is that of `log_prior`; of the nugget share it is uniform above the measurement variance
    and falls below it, with a tenth of the probability on a share of 1; of the sill it is ``1 / sill``.
    """
    signals = signals_of(sites.xy, families, mixes)
    share = np.array(_SHARES)
    grid = likelihood_grid(
        site_correlations(signals, sites),
        values,
        nugget_share=share,
        drift=sites.drift,
        relative_nugget=relative_nugget,
    )
    missing = np.maximum(np.minimum(measurement_variance / grid.sill, 1.0) - share[:, None], 0.0)
    edges = np.concatenate([[0.0], (share[1:] + share[:-1]) / 2, [1.0]])
    log_weight = grid.log_likelihood - missing / _MISSING_NUGGET + math.log(1.0 - _NO_PATTERN)
    log_weight += log_prior(signals, sites.xy)[:, None, None] + np.log(np.diff(edges))[None, :, None]
    share = np.append(share, 1.0)
    weight = _heaviest(_with_no_pattern(log_weight, grid).reshape(-1, values.shape[1]))
    sill = np.concatenate([grid.sill, np.broadcast_to(grid.null_sill, (len(signals), 1, values.shape[1]))], axis=1)
    kept = weight.any(axis=1)
    number, shares = (a.ravel()[kept] for a in np.meshgrid(np.arange(len(signals)), share, indexing="ij"))
    left, number = np.unique(number, return_inverse=True)
    return ParameterPoints(
        tuple(signals[k] for k in left.tolist()),
        number.astype(np.int64),
        shares,
        weight[kept],
        sill.reshape(weight.shape)[kept],
    )


def _with_no_pattern(log_weight: FloatArray, grid: LikelihoodGrid) -> FloatArray:
    """(signals, shares + 1, quantities) weights: the last share is 1 and stands once, with the heaviest signal."""
    log_none = grid.null_log_likelihood + math.log(_NO_PATTERN)
    top = np.maximum(log_weight.max(axis=(0, 1)), log_none)
    weight = np.exp(log_weight - top)
    none = np.zeros((len(weight), 1, weight.shape[2]))
    none[int(weight.sum(axis=(1, 2)).argmax())] = np.exp(log_none - top)
    return np.concatenate([weight, none], axis=1)


def covariate_share(points: ParameterPoints) -> FloatArray:
    """(quantities,) share of the pattern that goes with the features rather than with place, averaged by weight."""
    shares = np.array([signal.line + signal.likeness for signal in points.signals])[points.signal]
    pattern = (1.0 - points.nugget_share)[:, None] * points.sill * points.weight
    return np.asarray((shares @ pattern) / pattern.sum(axis=0))


def drift_share(points: ParameterPoints, sites: Places, values: FloatArray) -> FloatArray:
    """(quantities,) variance of the drift's least squares lines at the sites, as a share of theirs and the pattern's.

    Parameters
    ----------
    values
        (n, quantities), as for `parameter_points`.
    """
    lines = sites.drift @ np.linalg.lstsq(sites.drift, values, rcond=None)[0]
    pattern = ((1.0 - points.nugget_share)[:, None] * points.sill * points.weight).sum(axis=0)
    explained = lines.var(axis=0)
    return np.asarray(explained / (explained + pattern))


def _heaviest(weight: FloatArray) -> FloatArray:
    """Weights by column, summing to 1, the lightest points set to 0."""
    weight = weight / weight.sum(axis=0)
    order = np.argsort(-weight, axis=0, kind="stable")
    heavy = np.take_along_axis(weight, order, axis=0)
    keep = np.cumsum(heavy, axis=0) - heavy < _KEPT_WEIGHT
    kept = np.zeros_like(weight)
    np.put_along_axis(kept, order, np.where(keep, heavy, 0.0), axis=0)
    return np.asarray(kept / kept.sum(axis=0))
