"""Restricted likelihood of a covariance model over a grid of its parameters, for many quantities at once.

With the drift X (ones for a constant mean) removed by orthonormal error contrasts K (K X = 0) the covariance of the
contrasts is

    sill * [(1 - nugget_share) K C K' + nugget_share K W K'],

C the correlation matrix of one signal, W the diagonal of relative nuggets (1 for a plain sample). One
eigendecomposition of K C K' against K W K' makes this diagonal for *every* nugget share and every quantity sampled at
the same points, and the sill has a closed form. So a grid of signals x shares costs one decomposition a signal and some
matrix products.

References
----------
Patterson, H.D. & Thompson, R. (1971), Recovery of inter-block information when block sizes are unequal, Biometrika
58:545-554.
Kitanidis, P.K. (1983), Statistical estimation of polynomial generalized covariance functions and hydrologic
applications, Water Resources Research 19:909-921.
Kang, H.M. et al. (2008), Efficient control of population structure in model organism association mapping, Genetics
178:1709-1723 (the decomposition).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, distances
from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.variogram import Family

#: The least nugget share: 1 % of the standard deviation. No soil is smoother, and a smooth model without any nugget is
#: singular in double precision.
LEAST_SHARE = 1e-4

#: Shares of the sill that are nugget. 1 is the null model (no structure), kept apart.
NUGGET_SHARES = (LEAST_SHARE, 0.05, 0.12, 0.22, 0.35, 0.5, 0.67, 0.85)

#: Eigenvalues below this share of the sill are rounding, not information.
_LEAST_EIGENVALUE = 1e-12

#: A refined fit is spatial: beyond this nugget share it could as well be none.
_GREATEST_SHARE = 0.98

#: Where refining stops: one percent of a range (the likelihood of a few dozen samples is flat over far more).
_FINE_STEP = 0.01
_MOST_MOVES = 40


@dataclass(frozen=True, slots=True)
class LikelihoodGrid:
    """Restricted log likelihoods with the sill profiled out.

    Attributes
    ----------
    nugget_share
        (shares,) nugget over sill.
    log_likelihood, sill
        (signals, shares, quantities).
    null_log_likelihood, null_sill
        (quantities,) of pure nugget.
    """

    nugget_share: FloatArray
    log_likelihood: FloatArray
    sill: FloatArray
    null_log_likelihood: FloatArray
    null_sill: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "nugget_share", frozen_floats(self.nugget_share, shape=(None,)))
        object.__setattr__(self, "null_log_likelihood", frozen_floats(self.null_log_likelihood, shape=(None,)))
        object.__setattr__(self, "null_sill", frozen_floats(self.null_sill, shape=self.null_log_likelihood.shape))
        shape = (None, len(self.nugget_share), len(self.null_sill))
        object.__setattr__(self, "log_likelihood", frozen_floats(self.log_likelihood, shape=shape))
        object.__setattr__(self, "sill", frozen_floats(self.sill, shape=self.log_likelihood.shape))

    @property
    def ratio(self) -> FloatArray:
        """(quantities,) log likelihood of the best signal over that of pure nugget, never below 0."""
        best = self.log_likelihood.max(axis=(0, 1))
        return np.asarray(np.maximum(best - self.null_log_likelihood, 0.0))


def likelihood_grid(
    correlations: Iterable[FloatArray],
    values: FloatArray,
    *,
    nugget_share: FloatArray,
    drift: FloatArray | None = None,
    relative_nugget: FloatArray | None = None,
) -> LikelihoodGrid:
    """Restricted log likelihood and profiled sill at every (signal, nugget share), for every column of `values`.

    Parameters
    ----------
    correlations
        (n, n) of distinct points under each signal, in turn; one or more.
    values
        (n, quantities) on the g scale, none constant.
    drift
        (n, q) columns whose coefficients are wholly unknown; ``None`` is a constant mean.
    relative_nugget
        (n,) nugget of each value relative to that of a plain sample; ``None`` is 1 everywhere.

    Notes
    -----
    The sill maximises the restricted likelihood: the quadratic form divided by n - q.
    """
    count = len(values)
    contrasts = error_contrasts(np.ones((count, 1)) if drift is None else drift)
    nugget = np.ones(count) if relative_nugget is None else relative_nugget
    noise = (contrasts * nugget) @ contrasts.T
    noise_factor = np.linalg.cholesky(noise)
    contrast = np.asarray(np.linalg.solve(noise_factor, contrasts), dtype=float)
    whitened = contrast @ values
    log_noise = 2.0 * float(np.log(np.diag(noise_factor)).sum())
    log_likelihood, sill = [], []
    for correlation in correlations:
        eigenvalue, vector = np.linalg.eigh(contrast @ correlation @ contrast.T)
        spectrum = (1.0 - nugget_share)[:, None] * np.maximum(eigenvalue, 0.0) + nugget_share[:, None]
        profiled = _profiled(np.maximum(spectrum, _LEAST_EIGENVALUE), vector.T @ whitened)
        log_likelihood.append(profiled[0] - 0.5 * log_noise)
        sill.append(profiled[1])
    null_log_likelihood, null_sill = _profiled(np.ones((1, len(whitened))), whitened)
    return LikelihoodGrid(
        nugget_share,
        np.stack(log_likelihood),
        np.stack(sill),
        null_log_likelihood[0] - 0.5 * log_noise,
        null_sill[0],
    )


def error_contrasts(design: FloatArray) -> FloatArray:
    """(n - p, n) orthonormal rows that are orthogonal to the (n, p) design matrix."""
    complete, _ = np.linalg.qr(design, mode="complete")
    return np.asarray(complete[:, design.shape[1] :].T)


def _profiled(spectrum: FloatArray, rotated: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(shares, quantities) log likelihood and sill from (shares, n - 1) variances of independent rotated contrasts."""
    degrees = rotated.shape[0]
    sill = (1.0 / spectrum) @ np.square(rotated) / degrees
    log_likelihood = -0.5 * (
        np.log(spectrum).sum(axis=1)[:, None] + degrees * np.log(sill) + degrees * (1.0 + np.log(2.0 * np.pi))
    )
    return log_likelihood, sill


def refine(
    sites: FloatArray,
    value: FloatArray,
    *,
    family: Family,
    range_m: FloatArray,
    nugget_share: FloatArray,
    log_likelihood: FloatArray,
    relative_nugget: FloatArray | None = None,
) -> tuple[float, float, float]:
    """Range (m), nugget share and sill of (n,) values at (n, 2) points, near the best point of a grid.

    A pattern search in log range and nugget share that starts with half the grid's steps: it moves to the best of the
    neighbours and halves the steps when none is better. It cannot fail, leave the grid's ranges or do worse than the
    grid.

    Parameters
    ----------
    range_m, nugget_share, log_likelihood
        (ranges,), (shares,), (ranges, shares): the grid, ranges even in the logarithm.
    """
    row, column = np.unravel_index(np.argmax(log_likelihood), log_likelihood.shape)
    log_range, share = float(np.log(range_m[row])), float(nugget_share[column])
    bounds = np.log(range_m[[0, -1]])
    range_step = 0.5 * float(bounds[1] - bounds[0]) / max(len(range_m) - 1, 1)
    share_step, sill = 0.06, np.nan
    between = distances(sites, sites)
    for _ in range(_MOST_MOVES):
        ranges = np.exp(np.clip(log_range + range_step * np.arange(-1, 2), *bounds))
        shares = np.clip(share + share_step * np.arange(-2, 3), LEAST_SHARE, _GREATEST_SHARE)
        near = likelihood_grid(
            (CORRELATIONS[family](between / scale) for scale in ranges),
            value[:, None],
            nugget_share=shares,
            relative_nugget=relative_nugget,
        )
        row, column = np.unravel_index(np.argmax(near.log_likelihood[:, :, 0]), (3, 5))
        moved = not np.isclose(ranges[row], np.exp(log_range), rtol=1e-12) or abs(shares[column] - share) > share_step
        log_range, share = float(np.log(ranges[row])), float(shares[column])
        sill = float(near.sill[row, column, 0])
        if not moved:
            range_step, share_step = 0.5 * range_step, 0.5 * share_step
        if range_step < _FINE_STEP:
            break
    return float(np.exp(log_range)), share, sill
