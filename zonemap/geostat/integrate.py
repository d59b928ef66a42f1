"""Kriging with the covariance parameters integrated out.

Fifteen to sixty samples do not fix a variogram, and a prediction that takes one fitted variogram for the truth is
overconfident. Here every signal and nugget share of a grid predicts, with the weight of `zonemap.geostat.parameters`;
the sill is integrated analytically, so that each prediction is a Student t with n - q degrees of freedom, q the columns
of the drift (1 for a constant mean).

For one signal the eigenvectors of the sites' correlation serve every nugget share and every quantity sampled at the
same points: a block's correlations are rotated once, and what is left is element by element.

References
----------
Handcock, M.S. & Stein, M.L. (1993), A Bayesian analysis of kriging, Technometrics 35:403-410 (the t prediction; from
memory).
Dubrule, O. (1983), Cross validation of kriging in a unique neighborhood, Mathematical Geology 15:687-699.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances, within_block_correlation
from zonemap.geostat.mixture import mixture_distribution
from zonemap.geostat.parameters import ParameterPoints
from zonemap.geostat.signal import Places, Signal, feature_correlations, mixed, own_line, site_correlations
from zonemap.geostat.system import POINT
from zonemap.geostat.tabulated_t import t_density
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.distribution import Distribution

#: (sites, targets) elements worked on at a time.
_CHUNK_ELEMENTS = 120_000
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
#: Beyond the end of a Box-Cox scale there is no curvature to speak of.
_LEAST_STRAIGHT = 0.1


@dataclass(frozen=True, slots=True)
class Block:
    """What is predicted: the mean over a block of the true field.

    Attributes
    ----------
    side_m
        Of a square; 0 for a point.
    points
        Along a side.
    short_range_m
        Correlation length of the nugget's real part, which no two samples share.
    measurement_variance
        (quantities,) part of a nugget that is error.
    curvature, slope
        (quantities,) of the scale: where a value is v, the *arithmetic* mean of a block lies above the mean on the
        scale by half the variance within the block times ``curvature / (1 + slope v)`` (to second order, and exactly on
        a log scale, where the slope is 0). Both are 0 where there is no transform.
    axes
        (2, 2) from coordinates to those of `Places.xy`.
    """

    side_m: float
    points: int
    short_range_m: float
    measurement_variance: FloatArray
    curvature: FloatArray
    slope: FloatArray
    axes: FloatArray

    @classmethod
    def square(cls, side_m: float, points: int, short_range_m: float, measurement_variance: FloatArray) -> Block:
        """Return a block of untransformed quantities, with one range in all directions."""
        none = np.zeros(len(measurement_variance))
        return cls(side_m, points, short_range_m, measurement_variance, none, none, np.eye(2))


def integrated_blocks(
    sites: Places,
    values: FloatArray,
    targets: Places,
    points: ParameterPoints,
    block: Block,
    *,
    relative_nugget: FloatArray | None = None,
) -> tuple[Distribution, ...]:
    """Distribution of the true block means at m targets, on the g scale, of every quantity.

    Parameters
    ----------
    values
        (n, quantities), as for `parameter_points`.
    targets
        Centres of the blocks; their features and drift are means over the block.
    relative_nugget
        (n,) nugget of each value relative to a plain sample's; ``None`` is 1.
    """
    quantities = values.shape[1]
    rotations = _rotations(sites, values, points, relative_nugget)
    parts: dict[int, list[Distribution]] = {}
    within = _within_blocks(points.signals, block)
    short, lost = _short_range(points, block, within)
    degrees = len(sites) - sites.drift.shape[1]

    def fill(part: slice) -> None:
        centre = np.empty((quantities, len(points.signal), part.stop - part.start))
        factor = np.empty((len(points.signal), part.stop - part.start))
        _predict(rotations, sites, targets.part(part), block, within, centre, factor)
        said = []
        for q in range(quantities):
            live = points.weight[:, q] > 0
            variance = points.sill[live, q, None] * factor[live] + short[live, q, None]
            scale = np.sqrt(np.maximum(variance, _LEAST_VARIANCE * points.sill[live, q, None]))
            middle = centre[q, live]
            if block.curvature[q] != 0:
                straight = np.maximum(1.0 + block.slope[q] * middle, _LEAST_STRAIGHT)
                middle = middle + 0.5 * lost[live, q, None] * block.curvature[q] / straight
            said.append(mixture_distribution(points.weight[live, q], middle, scale, degrees=degrees))
        parts[part.start] = said

    with one_linear_algebra_thread():
        in_threads(fill, _chunks(len(sites), len(targets)))
    return tuple(Distribution.joined([parts[start][q] for start in sorted(parts)]) for q in range(quantities))


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What the other samples say of each sample's reading: mixtures of t distributions.

    Attributes
    ----------
    weight, centre, scale
        (points, n, quantities); weights sum to 1 over the points.
    degrees
        Degrees of freedom, n - 1 - q.
    """

    weight: FloatArray
    centre: FloatArray
    scale: FloatArray
    degrees: int


def integrated_leave_one_out(
    sites: Places, values: FloatArray, points: ParameterPoints, *, relative_nugget: FloatArray | None = None
) -> LeftOut:
    """Leave-one-out predictions in closed form: what weighing and predicting again without each sample would give.

    Notes
    -----
    With B the precision at unit sill less its part along the drift, the residual of sample i is ``r = (B z)_i / B_ii``
    (Dubrule 1983); without it the quadratic form falls by ``r^2 B_ii``, which gives the sill, and the likelihood loses
    the density of the sample given the others, by which its weight is divided. The ranges stay those that all sites
    gave, and the prior's measurement part is not counted again.
    """
    degrees = len(sites) - sites.drift.shape[1] - 1
    shape = (len(points.signal), *values.shape)
    weight, centre, scale = np.empty(shape), np.empty(shape), np.empty(shape)
    for rotation in _rotations(sites, values, points, relative_nugget):
        for row, residual, unit in rotation.left_out():
            squares = np.maximum((degrees + 1) * points.sill[row] - np.square(residual) / unit, 0.0)
            scale[row] = np.sqrt(np.maximum(squares / degrees, _LEAST_VARIANCE * points.sill[row]) * unit)
            centre[row] = values - residual
            density = t_density(residual / scale[row], degrees=degrees) / scale[row]
            weight[row] = points.weight[row] / np.maximum(density, np.finfo(float).tiny)
    return LeftOut(weight / weight.sum(axis=0), centre, scale, degrees)


@dataclass(frozen=True, slots=True)
class _Rotation:
    """One signal: the sites' correlation in its own axes.

    Attributes
    ----------
    number, rows
        Of the signal, and of its parameter points.
    rotator
        (n, n): eigenvectors, transposed, over the square root of the relative nuggets.
    drift, turned
        Rotated drift (n, q) and values (n, quantities).
    spectrum
        (rows, n) eigenvalues of ``(1 - share) C + share W`` in those axes.
    determined
        (rows, q, q) inverse of the precision of the drift's coefficients at unit sill.
    coefficient
        (rows, q, quantities) their generalised least squares estimates.
    """

    signal: Signal
    number: int
    rows: IntArray
    share: FloatArray
    rotator: FloatArray
    drift: FloatArray
    turned: FloatArray
    spectrum: FloatArray
    determined: FloatArray
    coefficient: FloatArray

    @classmethod
    def of(
        cls,
        number: int,
        correlation: FloatArray,
        sites: Places,
        values: FloatArray,
        points: ParameterPoints,
        relative_nugget: FloatArray | None,
    ) -> _Rotation:
        rows = np.flatnonzero(points.signal == number)
        share = points.nugget_share[rows]
        root = np.ones(len(sites)) if relative_nugget is None else np.sqrt(relative_nugget)
        eigenvalue, vector = np.linalg.eigh(correlation / np.outer(root, root))
        rotator = np.ascontiguousarray(vector.T / root)
        spectrum = (1 - share)[:, None] * np.maximum(eigenvalue, 0.0) + share[:, None]
        spectrum = np.maximum(spectrum, _LEAST_EIGENVALUE)
        drift, turned = rotator @ sites.drift, rotator @ values
        weighted = drift.T / spectrum[:, None, :]
        determined = np.linalg.inv(weighted @ drift)
        coefficient = determined @ (weighted @ turned)
        return cls(
            points.signals[number], number, rows, share, rotator, drift, turned, spectrum, determined, coefficient
        )

    def left_out(self) -> Iterator[tuple[int, FloatArray, FloatArray]]:
        """For each parameter point its row, (n, quantities) residuals and (n, 1) their variances at unit sill."""
        for k, row in enumerate(self.rows.tolist()):
            inverse = 1.0 / self.spectrum[k]
            along = self.rotator.T @ (inverse[:, None] * self.drift)
            precision = np.square(self.rotator.T) @ inverse
            precision -= np.einsum("iq,qr,ir->i", along, self.determined[k], along)
            unit = 1.0 / np.maximum(precision, _LEAST_EIGENVALUE)[:, None]
            left = self.turned - self.drift @ self.coefficient[k]
            yield row, (self.rotator.T @ (inverse[:, None] * left)) * unit, unit

    def predict(self, correlation: FloatArray, drift: FloatArray, centre: FloatArray, factor: FloatArray) -> None:
        """Fill centres and sill-free kriging variances, less the targets' own, of this signal's parameter points.

        Parameters
        ----------
        correlation, drift
            (n, m) of the sites with the targets, and (m, q) the targets' own.
        """
        turned = self.rotator @ correlation
        signal = (1 - self.share)[:, None] / self.spectrum
        factor[self.rows] = -(signal * (1 - self.share)[:, None]) @ np.square(turned)
        # (rows, q, m): what of the drift the sites do not carry to the targets
        missed = drift.T - (signal[:, None, :] * self.drift.T) @ turned
        factor[self.rows] += (missed * (self.determined @ missed)).sum(axis=1)
        for q in range(self.turned.shape[1]):
            coefficient = self.coefficient[:, :, q]
            left = self.turned[:, q] - coefficient @ self.drift.T
            centre[q, self.rows] = coefficient @ drift.T + (signal * left) @ turned


def _rotations(
    sites: Places, values: FloatArray, points: ParameterPoints, relative_nugget: FloatArray | None
) -> list[_Rotation]:
    """One rotation a signal, in order."""
    with one_linear_algebra_thread():
        return [
            _Rotation.of(number, correlation, sites, values, points, relative_nugget)
            for number, correlation in enumerate(site_correlations(points.signals, sites))
        ]


def _predict(
    rotations: list[_Rotation],
    sites: Places,
    targets: Places,
    block: Block,
    within: FloatArray,
    centre: FloatArray,
    factor: FloatArray,
) -> None:
    """Fill centres and sill-free variances of the true block means; what of the nugget is real is not in them."""
    signals = tuple(rotation.signal for rotation in rotations)
    line, likeness = feature_correlations(signals, sites, targets)
    of_itself = own_line(targets)
    lags: dict[bytes, list[FloatArray]] = {}
    for _, members in groupby(rotations, key=lambda r: (r.signal.family, r.signal.range_m)):
        place = None
        for rotation in members:
            signal = rotation.signal
            if place is None and signal.place > 0:
                offsets = _standing_for(block, signal.range_m)
                # most ranges share the points that stand for a block, and so the distances
                key = offsets.tobytes()
                if key not in lags:
                    lags[key] = [distances(sites.xy, targets.xy + offset) for offset in offsets]
                place = _mean_correlation(lags[key], signal)
            rotation.predict(mixed(signal, place, line, likeness), targets.drift, centre, factor)
            own = signal.place * within[rotation.number] + signal.line * of_itself + signal.likeness
            factor[rotation.rows] += (1 - rotation.share)[:, None] * own


def _within_blocks(signals: tuple[Signal, ...], block: Block) -> FloatArray:
    """(signals,) mean correlation by place within a block."""
    offsets = _offsets(block, _WITHIN_POINTS)
    return np.array([within_block_correlation(signal.family, signal.range_m, offsets) for signal in signals])


def _short_range(points: ParameterPoints, block: Block, within: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(points, quantities) variance of a block's mean from the real part of the nugget, and what averages out in it.

    What averages out is the variance of the true field at a point about the mean of its block.
    """
    shared = (1 - points.nugget_share)[:, None] * points.sill
    short = np.maximum(points.nugget_share[:, None] * points.sill - block.measurement_variance, 0.0)
    offsets = _offsets(replace(block, axes=np.eye(2)), _WITHIN_POINTS)
    short_left = within_block_correlation("exponential", block.short_range_m, offsets)
    lost = np.array([signal.place for signal in points.signals]) * (1.0 - within)
    return short * short_left, shared * lost[points.signal, None] + short * (1.0 - short_left)


def _offsets(block: Block, points: int, *, stretched: float = 1.0) -> FloatArray:
    """(points^2, 2) points that stand for a block, about its centre, in the axes of the covariance."""
    return block_offsets(block.side_m * stretched, points) @ block.axes.T if block.side_m > 0 else POINT


def _standing_for(block: Block, range_m: float) -> FloatArray:
    """(points, 2) about its centre that stand for the block."""
    longest = block.side_m * float(np.linalg.norm(block.axes, ord=2))
    if longest < _SMALL_CELL * range_m and block.points > 2:
        return _offsets(block, 2, stretched=_GAUSS_LEGENDRE)
    return _offsets(block, block.points)


def _mean_correlation(lags_m: list[FloatArray], signal: Signal) -> FloatArray:
    """(n, m) mean correlation by place of sites with blocks, from the distances to the points that stand for them."""
    first, *others = lags_m
    total = CORRELATIONS[signal.family](first / signal.range_m)
    for lag_m in others:
        total += CORRELATIONS[signal.family](lag_m / signal.range_m)
    total /= len(lags_m)
    return total


def _chunks(sites: int, targets: int) -> list[slice]:
    step = max(_CHUNK_ELEMENTS // sites, 1)
    return [slice(start, min(start + step, targets)) for start in range(0, targets, step)]
