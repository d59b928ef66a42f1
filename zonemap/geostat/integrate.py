"""Kriging with the covariance parameters integrated out.

Fifteen to sixty samples do not fix a variogram, and a prediction that takes one fitted variogram for the truth is
overconfident. Here every range and nugget share of a grid predicts, with the weight of `zonemap.geostat.parameters`;
the sill is integrated analytically, so that each prediction is a Student t with n - 1 degrees of freedom.

For one range the eigenvectors of the sites' correlation serve every nugget share and every quantity sampled at the same
points: a block's correlations are rotated once, and what is left is element by element.

References
----------
Handcock, M.S. & Stein, M.L. (1993), A Bayesian analysis of kriging, Technometrics 35:403-410 (the t prediction; from
memory).
Dubrule, O. (1983), Cross validation of kriging in a unique neighborhood, Mathematical Geology 15:687-699.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances, within_block_correlation
from zonemap.geostat.mixture import TERMS, mixture_series, t_density
from zonemap.geostat.parameters import ParameterPoints
from zonemap.geostat.system import POINT
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.variogram import Family

#: (sites, targets) elements worked on at a time.
_CHUNK_ELEMENTS = 60_000
_LEAST_EIGENVALUE = 1e-10
#: share of the sill below which a variance is rounding
_LEAST_VARIANCE = 1e-9
#: points a side for the variance of a block's own mean: the regular rule counts each point with itself
_WITHIN_POINTS = 8
#: A cell under this share of the range is stood for by the 2 x 2 points of Gauss and Legendre, exact for cubics: where
#: no sample lies in the cell the error is under 1e-5 of the partial sill. The cusp of a sample within it leaves 3 % of
#: cell over range (4 x 4 even points leave 1 %), which is 0.4 % of one sample's part at this share.
_SMALL_CELL = 0.15
_GAUSS_LEGENDRE = 2 / np.sqrt(3)  # their distance, relative to that of 2 x 2 even points


@dataclass(frozen=True, slots=True)
class Block:
    """What is predicted: the mean over a square of the true field.

    Attributes
    ----------
    side_m
        Of the square; 0 for a point.
    points
        Along a side.
    short_range_m
        Correlation length of the nugget's real part, which no two samples share.
    measurement_variance
        (quantities,) part of a nugget that is error.
    log_spread
        (quantities,) what one unit of a value is on a natural log scale, 0 where it is no logarithm. On a log scale the
        block's *arithmetic* mean is asked: its logarithm lies above the mean of the logarithms by half the variance
        within the block.
    """

    side_m: float
    points: int
    short_range_m: float
    measurement_variance: FloatArray
    log_spread: FloatArray


def integrated_blocks(
    sites: FloatArray,
    values: FloatArray,
    targets: FloatArray,
    points: ParameterPoints,
    block: Block,
    *,
    relative_nugget: FloatArray | None = None,
) -> FloatArray:
    """(quantities, 8, m) Hermite series of the true block means at (m, 2) targets, on the g scale.

    Parameters
    ----------
    values
        (n, quantities), as for `parameter_points`.
    relative_nugget
        (n,) nugget of each value relative to a plain sample's; ``None`` is 1.
    """
    quantities = values.shape[1]
    rotations = _rotations(sites, values, points, relative_nugget)
    series = np.empty((quantities, TERMS, len(targets)))
    real, own = _true_variances(points, block)
    rise = 0.5 * (real - own) * block.log_spread

    def fill(part: slice) -> None:
        centre = np.empty((quantities, len(points.range_m), part.stop - part.start))
        factor = np.empty((len(points.range_m), part.stop - part.start))
        for rotation in rotations:
            rotation.predict(sites, targets[part], points.family, block, centre, factor)
        for q in range(quantities):
            live = points.weight[:, q] > 0
            variance = points.sill[live, q, None] * factor[live] + own[live, q, None]
            scale = np.sqrt(np.maximum(variance, _LEAST_VARIANCE * points.sill[live, q, None]))
            middle = centre[q, live] + rise[live, q, None]
            series[q, :, part] = mixture_series(points.weight[live, q], middle, scale, degrees=len(sites) - 1)

    with one_linear_algebra_thread():
        in_threads(fill, _chunks(len(sites), len(targets)))
    return series


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What the other samples say of each sample's reading: mixtures of t distributions with n - 2 degrees of freedom.

    Attributes
    ----------
    weight, centre, scale
        (points, n, quantities); weights sum to 1 over the points.
    """

    weight: FloatArray
    centre: FloatArray
    scale: FloatArray


def integrated_leave_one_out(
    sites: FloatArray, values: FloatArray, points: ParameterPoints, *, relative_nugget: FloatArray | None = None
) -> LeftOut:
    """Leave-one-out predictions in closed form: what weighing and predicting again without each sample would give.

    Notes
    -----
    With B the precision at unit sill less its part along the mean, the residual of sample i is ``r = (B z)_i / B_ii``
    (Dubrule 1983); without it the quadratic form falls by ``r^2 B_ii``, which gives the sill, and the likelihood loses
    the density of the sample given the others, by which its weight is divided. The ranges stay those that all sites
    gave, and the prior's measurement part is not counted again.
    """
    degrees = len(sites) - 2
    shape = (len(points.range_m), *values.shape)
    weight, centre, scale = np.empty(shape), np.empty(shape), np.empty(shape)
    for rotation in _rotations(sites, values, points, relative_nugget):
        for row, residual, unit in rotation.left_out():
            squares = np.maximum((degrees + 1) * points.sill[row] - np.square(residual) / unit, 0.0)
            scale[row] = np.sqrt(np.maximum(squares / degrees, _LEAST_VARIANCE * points.sill[row]) * unit)
            centre[row] = values - residual
            density = t_density(residual / scale[row], degrees=degrees) / scale[row]
            weight[row] = points.weight[row] / np.maximum(density, np.finfo(float).tiny)
    return LeftOut(weight / weight.sum(axis=0), centre, scale)


@dataclass(frozen=True, slots=True)
class _Rotation:
    """One range: the sites' correlation in its own axes.

    Attributes
    ----------
    rows
        Parameter points of this range.
    rotator
        (n, n): eigenvectors, transposed, over the square root of the relative nuggets.
    ones, turned
        Rotated vector of ones (n,) and values (n, quantities).
    spectrum
        (rows, n) eigenvalues of ``(1 - share) C + share W`` in those axes.
    mean
        (rows, quantities) generalised least squares means.
    """

    range_m: float
    rows: IntArray
    share: FloatArray
    rotator: FloatArray
    ones: FloatArray
    turned: FloatArray
    spectrum: FloatArray
    mean: FloatArray

    @classmethod
    def of(
        cls,
        sites: FloatArray,
        values: FloatArray,
        points: ParameterPoints,
        range_m: float,
        relative_nugget: FloatArray | None,
    ) -> _Rotation:
        rows = np.flatnonzero(points.range_m == range_m)
        share = points.nugget_share[rows]
        root = np.ones(len(sites)) if relative_nugget is None else np.sqrt(relative_nugget)
        correlation = CORRELATIONS[points.family](distances(sites, sites) / range_m) / np.outer(root, root)
        eigenvalue, vector = np.linalg.eigh(correlation)
        rotator = np.ascontiguousarray(vector.T / root)
        spectrum = (1 - share)[:, None] * np.maximum(eigenvalue, 0.0) + share[:, None]
        spectrum = np.maximum(spectrum, _LEAST_EIGENVALUE)
        ones, turned = rotator.sum(axis=1), rotator @ values
        mean = ((ones / spectrum) @ turned) / (np.square(ones) / spectrum).sum(axis=1)[:, None]
        return cls(float(range_m), rows, share, rotator, ones, turned, spectrum, mean)

    def left_out(self) -> Iterator[tuple[int, FloatArray, FloatArray]]:
        """For each parameter point its row, (n, quantities) residuals and (n, 1) their variances at unit sill."""
        for row, spectrum, mean in zip(self.rows.tolist(), self.spectrum, self.mean, strict=True):
            inverse = 1.0 / spectrum
            along = self.rotator.T @ (inverse * self.ones)
            precision = np.square(self.rotator.T) @ inverse - np.square(along) / (inverse @ np.square(self.ones))
            unit = 1.0 / np.maximum(precision, _LEAST_EIGENVALUE)[:, None]
            turned = self.turned - np.outer(self.ones, mean)
            yield row, (self.rotator.T @ (inverse[:, None] * turned)) * unit, unit

    def predict(
        self,
        sites: FloatArray,
        targets: FloatArray,
        family: Family,
        block: Block,
        centre: FloatArray,
        factor: FloatArray,
    ) -> None:
        """Fill centres and sill-free kriging variances (less the block's own) of this range's parameter points."""
        turned = self.rotator @ _block_correlation(sites, targets, family, self.range_m, block)
        signal = (1 - self.share)[:, None] / self.spectrum
        ones = (signal * self.ones) @ turned
        determined = np.square(self.ones / np.sqrt(self.spectrum)).sum(axis=1)[:, None]
        factor[self.rows] = np.square(1 - ones) / determined
        factor[self.rows] -= (signal * (1 - self.share)[:, None]) @ np.square(turned)
        for q in range(self.turned.shape[1]):
            left = self.turned[:, q] - self.mean[:, q, None] * self.ones
            centre[q, self.rows] = self.mean[:, q, None] + (signal * left) @ turned


def _rotations(
    sites: FloatArray, values: FloatArray, points: ParameterPoints, relative_nugget: FloatArray | None
) -> list[_Rotation]:
    """One rotation a range, in rising order."""
    with one_linear_algebra_thread():
        return [_Rotation.of(sites, values, points, r, relative_nugget) for r in np.unique(points.range_m).tolist()]


def _true_variances(points: ParameterPoints, block: Block) -> tuple[FloatArray, FloatArray]:
    """(points, quantities) variances of the true field at a point, and of its mean over the block."""
    shared = (1 - points.nugget_share)[:, None] * points.sill
    short = np.maximum(points.nugget_share[:, None] * points.sill - block.measurement_variance, 0.0)
    if block.side_m == 0:
        return shared + short, shared + short
    offsets = block_offsets(block.side_m, _WITHIN_POINTS)
    within = {r: within_block_correlation(points.family, r, offsets) for r in np.unique(points.range_m).tolist()}
    left = np.array([within[r] for r in points.range_m.tolist()])[:, None]
    short_left = within_block_correlation("exponential", block.short_range_m, offsets)
    return shared + short, shared * left + short * short_left


def _standing_for(block: Block, range_m: float) -> FloatArray:
    """(points, 2) about its centre that stand for the block."""
    if block.side_m < _SMALL_CELL * range_m and block.points > 2:
        return block_offsets(block.side_m * _GAUSS_LEGENDRE, 2)
    return block_offsets(block.side_m, block.points)


def _block_correlation(
    sites: FloatArray, targets: FloatArray, family: Family, range_m: float, block: Block
) -> FloatArray:
    """(n, m) mean correlation of sites with blocks."""
    offsets = POINT if block.side_m == 0 else _standing_for(block, range_m)
    total = np.zeros((len(sites), len(targets)))
    for offset in offsets:
        total += CORRELATIONS[family](distances(sites, targets + offset) / range_m)
    return total / len(offsets)


def _chunks(sites: int, targets: int) -> list[slice]:
    step = max(_CHUNK_ELEMENTS // sites, 1)
    return [slice(start, min(start + step, targets)) for start in range(0, targets, step)]
