"""Inner loops of kriging that the extra `fast` compiles; without it they are plain Python, right and slow.

Import this module only where there is much to do (`zonemap.geostat.fast` says when): the compiler takes half a second
to import, and the first time on a machine some seconds to compile. Every array is double and C-contiguous, and every
result is written to an array that is handed in. The loops hold no interpreter lock.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS
from zonemap.values.arrays import BoolArray, FloatArray, IntArray

njit: Any
try:
    from numba import njit
except ImportError:
    njit = None

_Loop: TypeAlias = Callable[..., None]

#: Numbers by which the loops know the families.
KINDS = {family: number for number, family in enumerate(CORRELATIONS)}
_SPHERICAL, _EXPONENTIAL, _MATERN_5_2 = KINDS["spherical"], KINDS["exponential"], KINDS["matern_5_2"]

#: Systems that are factored side by side, so that the innermost loop runs over them (measured: 8 take 4 times as long
#: each, 128 as long as 64).
LANES = 64

#: Places whose distances are worked on at a time: they stay in the first cache.
_TOGETHER = 512

#: Where a point has less than this part of its variance beyond what those before it say, rounding shows (measured: with
#: 1e-7, in the eighth digit), and the plain loops with their remedies take over.
_LEAST_PIVOT = 1e-3

# e^x = 2^k e^r with |r| <= ln 2 / 2: adding 1.5 * 2^52 rounds to k and leaves it in the last bits; ln 2 stands in two
# parts, of which the first ends in enough zeros that k times it is exact; e^r is Taylor's polynomial to the 13th power,
# whose remainder is under 1e-17 (Muller 2016, Elementary Functions, 3rd ed., chapter on range reduction; from memory).
# Below e^-690, beyond which powers of two end, everything is 1e-300.
_ROUNDER = 6755399441055744.0
_PER_LN_2 = 1.4426950408889634
_LN_2_HIGH = float.fromhex("0x1.62e42fee00000p-1")
_LN_2_LOW = float.fromhex("0x1.a39ef35793c76p-33")
_LEAST_EXPONENT = -690.0
_T2, _T3, _T4, _T5, _T6, _T7, _T8, _T9, _T10, _T11, _T12, _T13 = (1 / math.factorial(power) for power in range(2, 14))


def _compile(signature: str) -> Callable[[_Loop], _Loop]:
    """Compile and keep the result where that can be written, else compile again in every process."""
    # products may be added without being rounded first; nothing else is left to the compiler
    options: dict[str, Any] = {"nogil": True, "fastmath": {"contract"}, "error_model": "numpy"}

    def compiled(loop: _Loop) -> _Loop:
        if njit is None:
            return loop
        try:
            made: _Loop = njit(signature, cache=True, **options)(loop)
        except (RuntimeError, OSError):  # no folder that may be written to, or a full one
            made = njit(signature, **options)(loop)
        return made

    return compiled


@_compile("void(float64[::1], int64, float64, float64, float64[::1])")
def correlate(lag_m: FloatArray, kind: int, per_m: float, sill: float, space: FloatArray) -> None:
    """Turn distances into sill times their correlation; `space` has room for as many numbers."""
    count = len(lag_m)
    if kind == _SPHERICAL:
        for i in range(count):
            ratio = lag_m[i] * per_m
            ratio = ratio if ratio < 1.0 else 1.0
            lag_m[i] = sill * (1.0 + ratio * (0.5 * ratio * ratio - 1.5))
        return
    linear = 0.0 if kind == _EXPONENTIAL else 1.0
    square = 1.0 / 3.0 if kind == _MATERN_5_2 else 0.0
    for i in range(count):
        x = -lag_m[i] * per_m
        x = x if x > _LEAST_EXPONENT else _LEAST_EXPONENT
        space[i] = x * _PER_LN_2 + _ROUNDER
    for i in range(count):
        ratio = lag_m[i] * per_m
        x = -ratio if -ratio > _LEAST_EXPONENT else _LEAST_EXPONENT
        turns = space[i] - _ROUNDER
        x = x - turns * _LN_2_HIGH - turns * _LN_2_LOW
        power = _T13 * x + _T12
        power = power * x + _T11
        power = power * x + _T10
        power = power * x + _T9
        power = power * x + _T8
        power = power * x + _T7
        power = power * x + _T6
        power = power * x + _T5
        power = power * x + _T4
        power = power * x + _T3
        power = power * x + _T2
        power = (power * x + 1.0) * x + 1.0
        lag_m[i] = sill * power * (1.0 + ratio * (linear + ratio * square))
    bits = space[:count].view(np.int64)
    for i in range(count):
        bits[i] = (bits[i] << 52) + (1023 << 52)  # 2^k: what is above the last 12 bits of k falls off
    for i in range(count):
        lag_m[i] *= space[i]


@_compile("void(float64[:, ::1], float64[:, ::1], float64[:, ::1], int64[::1], float64[::1], float64[:, :, ::1])")
def block_correlations(
    sites: FloatArray,
    places: FloatArray,
    offsets: FloatArray,
    kinds: IntArray,
    ranges_m: FloatArray,
    mean: FloatArray,
) -> None:
    """Mean over a block's points of the correlations of sites with places; distances are shared by the models.

    (n, 2) sites, (2, m) places, (b, 2) offsets, models (g,); the mean is (g, n, m).
    """
    points, models = len(offsets), len(kinds)
    lag_m, part, space = np.empty(_TOGETHER), np.empty(_TOGETHER), np.empty(_TOGETHER)
    for start in range(0, places.shape[1], _TOGETHER):
        east_m, north_m = places[0, start : start + _TOGETHER], places[1, start : start + _TOGETHER]
        count = len(east_m)
        lags = lag_m[:count]
        for site in range(len(sites)):
            for point in range(points):
                east, north = sites[site, 0] - offsets[point, 0], sites[site, 1] - offsets[point, 1]
                for c in range(count):
                    along, up = east - east_m[c], north - north_m[c]
                    lags[c] = math.sqrt(along * along + up * up)
                for model in range(models):
                    total = mean[model, site, start : start + count]
                    target = total if point == 0 else part[:count]
                    target[:] = lags
                    correlate(target, kinds[model], 1.0 / ranges_m[model], 1.0 / points, space)
                    if point > 0:
                        for c in range(count):
                            total[c] += target[c]


@_compile("void(float64[:, ::1], float64[:, ::1], int64, float64[::1])")
def take_off(of_i: FloatArray, of_j: FloatArray, count: int, total: FloatArray) -> None:
    """Take the product of the first so many elements of two (k, LANES) rows off a total."""
    lanes = len(total)
    for four in range(count // 4):
        # four at a time: sums are written to memory a quarter as often
        a, b, c, d = of_i[4 * four], of_i[4 * four + 1], of_i[4 * four + 2], of_i[4 * four + 3]
        p, q, r, s = of_j[4 * four], of_j[4 * four + 1], of_j[4 * four + 2], of_j[4 * four + 3]
        for lane in range(lanes):
            total[lane] -= a[lane] * p[lane] + b[lane] * q[lane] + c[lane] * r[lane] + d[lane] * s[lane]
    for rest in range(count - count % 4, count):
        a, p = of_i[rest], of_j[rest]
        for lane in range(lanes):
            total[lane] -= a[lane] * p[lane]


@_compile("void(float64[:, :, ::1], float64[:, ::1], boolean[::1])")
def factor_lanes(lower: FloatArray, inverse: FloatArray, good: BoolArray) -> None:
    """Cholesky factors of (k, k) matrices with further rows below, side by side, and what became of those rows.

    Row by row, so that each lane is done as if it were alone: (rows, k, LANES) in place, and the (k, LANES) inverse
    diagonals. `good` says where no pivot was all but lost to rounding.
    """
    rows, k, lanes = lower.shape
    good[:] = True
    for i in range(rows):
        of_i = lower[i]
        for j in range(min(i + 1, k)):
            of_j, total, scale = lower[j], of_i[j], inverse[j]
            if i == j:
                scale[:] = total
            take_off(of_i, of_j, j, total)
            if i == j:
                for lane in range(lanes):
                    good[lane] &= total[lane] > _LEAST_PIVOT * scale[lane]
                for lane in range(lanes):
                    scale[lane] = 1.0 / math.sqrt(max(total[lane], _LEAST_PIVOT))
            for lane in range(lanes):
                total[lane] *= scale[lane]


@_compile(
    "void(float64[:, :, ::1], float64[:, ::1], int64, float64, float64, float64[:, :, ::1], float64[::1], float64[::1])"
)
def fill_lanes(
    away: FloatArray,
    offsets: FloatArray,
    kind: int,
    range_m: float,
    structured: float,
    lower: FloatArray,
    lag_m: FloatArray,
    space: FloatArray,
) -> None:
    """Write covariances of points that lie (2, k, LANES) from their targets, below the diagonal and with the target."""
    k, lanes = away.shape[1:]
    flat, of_target = lower.reshape(lower.size), lower[k]
    for i in range(k):
        for j in range(i):
            lags = lower[i, j]
            for lane in range(lanes):
                along, up = away[0, i, lane] - away[0, j, lane], away[1, i, lane] - away[1, j, lane]
                lags[lane] = math.sqrt(along * along + up * up)
        before = flat[i * k * lanes : (i * k + i) * lanes]
        correlate(before, kind, 1.0 / range_m, structured, space)
    of_target[:] = 0.0
    for point in range(len(offsets)):
        for i in range(k):
            lags = lag_m[i * lanes : (i + 1) * lanes]
            for lane in range(lanes):
                along, up = away[0, i, lane] - offsets[point, 0], away[1, i, lane] - offsets[point, 1]
                lags[lane] = math.sqrt(along * along + up * up)
        correlate(lag_m, kind, 1.0 / range_m, structured / len(offsets), space)
        for i in range(k):
            for lane in range(lanes):
                of_target[i, lane] += lag_m[i * lanes + lane]


@_compile(
    "void(float64[:, ::1], int64[:, ::1], float64[:, ::1], float64[:, ::1], int64, float64, float64, float64[::1],"
    " float64[::1], float64[::1], float64[::1], boolean[::1])"
)
def krige_nearest(
    sites: FloatArray,
    chosen: IntArray,
    targets: FloatArray,
    offsets: FloatArray,
    kind: int,
    range_m: float,
    structured: float,
    diagonal: FloatArray,
    value: FloatArray,
    mean: FloatArray,
    variance: FloatArray,
    good: BoolArray,
) -> None:
    """Prediction, and variance less the target's own, at (m, 2) targets from the (k, m) sites chosen for each.

    The systems are those of `zonemap.geostat.neighbourhood`. `good` says which of them could be told: the others are
    singular or nearly so.
    """
    k, m = chosen.shape
    lower, inverse, away = np.zeros((k + 3, k, LANES)), np.empty((k, LANES)), np.empty((2, k, LANES))
    lag_m, space, sums = np.empty(k * LANES), np.empty(k * LANES), np.empty((5, LANES))
    fine = np.empty(LANES, dtype=np.bool_)
    for start in range(0, m, LANES):
        for i in range(k):
            for lane in range(LANES):
                target = min(start + lane, m - 1)  # the last lanes may repeat it
                site = chosen[i, target]
                away[0, i, lane] = sites[site, 0] - targets[target, 0]
                away[1, i, lane] = sites[site, 1] - targets[target, 1]
                lower[i, i, lane] = diagonal[site]
                lower[k + 1, i, lane] = 1.0
                lower[k + 2, i, lane] = value[site]
        fill_lanes(away, offsets, kind, range_m, structured, lower, lag_m, space)
        factor_lanes(lower, inverse, fine)
        sums[:] = 0.0
        explained, along_mean, with_value, ones, of_value = sums[0], sums[1], sums[2], sums[3], sums[4]
        for j in range(k):
            v, u, w = lower[k, j], lower[k + 1, j], lower[k + 2, j]
            for lane in range(LANES):
                explained[lane] += v[lane] * v[lane]
                along_mean[lane] += v[lane] * u[lane]
                with_value[lane] += v[lane] * w[lane]
                ones[lane] += u[lane] * u[lane]
                of_value[lane] += u[lane] * w[lane]
        for lane in range(min(LANES, m - start)):
            unexplained = 1.0 - along_mean[lane]
            mean[start + lane] = of_value[lane] / ones[lane] * unexplained + with_value[lane]
            variance[start + lane] = unexplained * unexplained / ones[lane] - explained[lane]
            good[start + lane] = fine[lane]
