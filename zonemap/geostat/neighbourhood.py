"""Ordinary kriging from the nearest few of many points, for sensors that log a hundred thousand of them.

Every target has a system of its own, of k points. Systems are built and factored in stacks: the factor of

    [ C  c  1  z ]            [ L        ]
    [ c' .       ]   is       [ v'  .    ]   with v = L^-1 c, u = L^-1 1, w = L^-1 z,
    [ 1'    .    ]            [ u'  .  . ]
    [ z'       . ]            [ w'  .  . .]

whatever large numbers stand at the dots, so that one call of the Cholesky routine gives all that `system` writes down:
prediction = m + v'(w - m u) with m = u'w / u'u, variance = C(B, B) - v'v + (1 - u'v)^2 / u'u. (Bordering a matrix to
have its solves done by the factorisation: Golub & Van Loan, Matrix Computations, section on block Cholesky; from
memory.)

Memory: at most four threads, each with under eight arrays of `_STACK_ELEMENTS` double numbers (of (k + 3)^2 where that
is more); with k = 32 about 25 MB in all, whatever the number of points and targets, beside the points, their tree
(about 100 bytes a point) and the results.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType

import numpy as np
import numpy.typing as npt

from zonemap.errors import InputError
from zonemap.geostat.covariance import (
    CORRELATIONS,
    distances,
    factor,
    within_block_correlation,
)
from zonemap.geostat.fast import loops_for_systems
from zonemap.geostat.system import POINT
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import BoolArray, FloatArray, IntArray, frozen_floats
from zonemap.values.variogram import Family, Variogram

#: Elements of a stack of systems: about 1 MB, so that it stays in the cache.
_STACK_ELEMENTS = 130_000

#: Stacks that one thread works on with the same memory.
_STACKS_A_PART = 32

#: Stands at the dots above: beyond any quadratic form of values and correlations that are at most 1.
_BORDER = 1e100

#: Points of one table of correlations, which is 0.5 MB then; twice those of a neighbourhood where that is more.
_TABLE_POINTS = 256

#: Quadrants are filled from this many times as many points as are taken.
_CANDIDATES_A_POINT = 3


@dataclass(frozen=True, slots=True)
class PointValues:
    """One quantity at many points, and its model.

    Attributes
    ----------
    variogram
        Its model.
    value
        (n,) on the scale of the model.
    replicates
        (n,) how many rows a value averages: its measurement variance is divided by that.
    """

    variogram: Variogram
    value: FloatArray
    replicates: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None,)))
        object.__setattr__(self, "replicates", frozen_floats(self.replicates, shape=self.value.shape))


@dataclass(frozen=True, slots=True)
class _Scaled:
    """A quantity with a sill of 1 and values of at most 1, so that no unit can overflow."""

    family: Family
    range_m: float
    structured: float
    diagonal: FloatArray
    own_variance: float
    value: FloatArray
    centre: float
    spread: float
    sill: float


def krige_nearby(
    quantities: tuple[PointValues, ...],
    sites: FloatArray,
    targets: FloatArray,
    *,
    k: int = 32,
    per_quadrant: int = 0,
    offsets: FloatArray = POINT,
    target_nugget: tuple[float, ...] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Predictions and kriging variances at (m, 2) targets from the nearest k of (n, 2) sites, both (quantities, m).

    Parameters
    ----------
    k
        Points a target takes; all of them where there are no more.
    per_quadrant
        At least so many of them from each quadrant about the target, as far as there are that many among its nearest
        3 k; they take the places of the farthest others. For points logged along lines, which otherwise all come from
        one line. 4 times this may not exceed k.
    offsets, target_nugget
        As for `krige`, with which the result agrees where k is the number of sites.

    Raises
    ------
    InputError
        When there are no points, k is under 2, or the quadrants ask for more than k points.

    Notes
    -----
    Points at equal distances are chosen in the order of the sites. The surface has small steps where a point leaves the
    neighbourhood. A model without any variance gives the mean of the points and a variance of 0.
    """
    _refuse_unusable(len(sites), k, per_quadrant)
    nugget = target_nugget or (0.0,) * len(quantities)
    scaled = [_scaled(quantity, offsets, extra) for quantity, extra in zip(quantities, nugget, strict=True)]
    k = min(k, len(sites))
    nearest = _chooser(sites, k, per_quadrant=per_quadrant)
    step = max(_STACK_ELEMENTS // (k + 3) ** 2, 1)
    part = _STACKS_A_PART * step
    order = _walk(targets, part)
    mean, variance = np.empty((len(scaled), len(targets))), np.empty((len(scaled), len(targets)))

    loops = loops_for_systems(len(scaled) * len(targets) * k**2)

    def plainly(rows: IntArray, chosen: IntArray) -> None:
        stack = _empty_stack(k, min(step, len(rows)))
        for here in _sharing(chosen, len(sites)):
            found = _krige_together(scaled, sites, targets[rows[here]], chosen[:, here], offsets, stack)
            mean[:, rows[here]], variance[:, rows[here]] = found

    def fill(walked: slice) -> None:
        rows = order[walked]
        chosen = np.ascontiguousarray(nearest(targets[rows]).T)
        if loops is not None:
            good, *found = _krige_compiled(scaled, sites, targets[rows], chosen, offsets, loops)
            mean[:, rows], variance[:, rows] = found
            rows, chosen = rows[~good], chosen[:, ~good]
        if len(rows):
            plainly(rows, chosen)

    with one_linear_algebra_thread():
        in_threads(fill, (slice(start, start + part) for start in range(0, len(targets), part)))
    return mean, variance


def _refuse_unusable(sites: int, k: int, per_quadrant: int) -> None:
    if sites == 0:
        raise InputError("neighbourhood", "there are no points", "Give one or more.")
    if k < 2:
        raise InputError("neighbourhood", f"{k} points are no neighbourhood", "Take 2 or more; 32 is usual.")
    if not 0 <= 4 * per_quadrant <= k:
        raise InputError(
            "neighbourhood",
            f"{per_quadrant} points from each of 4 quadrants do not fit into {k}",
            f"Ask for {k // 4} or fewer a quadrant, or for more points.",
        )


def _scaled(quantity: PointValues, offsets: FloatArray, target_nugget: float) -> _Scaled:
    model = quantity.variogram
    sill = model.sill if model.sill > 0 else 1.0
    centre = float(quantity.value.mean())
    spread = float(np.abs(quantity.value - centre).max()) or 1.0
    real = model.nugget - model.measurement_variance
    surplus = (real + model.measurement_variance / quantity.replicates) / sill if model.sill > 0 else None
    structured = model.partial_sill / sill
    return _Scaled(
        family=model.family,
        range_m=model.range_m,
        structured=structured,
        diagonal=np.ones(len(quantity.value)) if surplus is None else structured + surplus,
        own_variance=structured * within_block_correlation(model.family, model.range_m, offsets) + target_nugget / sill,
        value=(quantity.value - centre) / spread,
        centre=centre,
        spread=spread,
        sill=model.sill,
    )


def _chooser(sites: FloatArray, k: int, *, per_quadrant: int) -> Callable[[FloatArray], IntArray]:
    """Return the function that gives, for (m, 2) targets, the (m, k) indices of the points they take."""
    from scipy.spatial import cKDTree

    tree = cKDTree(sites)
    if per_quadrant == 0 or k == len(sites):
        return lambda targets: _as_rows(tree.query(targets, k)[1], k)
    wider = min(_CANDIDATES_A_POINT * k, len(sites))

    def spread_out(targets: FloatArray) -> IntArray:
        candidates = _as_rows(tree.query(targets, wider)[1], wider)
        away = sites[candidates] - targets[:, None, :]
        quadrant = 2 * (away[:, :, 0] >= 0) + (away[:, :, 1] >= 0)
        rank = np.arange(wider) * np.ones((len(targets), 1), dtype=np.int64)
        for number in range(4):
            member = quadrant == number
            # candidates come nearest first: the first of a quadrant are put before all others
            rank -= wider * (member & (np.cumsum(member, axis=1) <= per_quadrant))
        first = np.sort(np.argsort(rank, axis=1, kind="stable")[:, :k], axis=1)
        return np.take_along_axis(candidates, first, axis=1)

    return spread_out


def _as_rows(index: npt.ArrayLike, k: int) -> IntArray:
    """(m, k), also where the tree drops the axis of one neighbour."""
    return np.asarray(index, dtype=np.int64).reshape(-1, k)


def _walk(targets: FloatArray, part: int) -> IntArray:
    """Order of the targets in which every `part` of them in a row lie together: strip by strip, each from the south."""
    easting = targets[:, 0] - targets[:, 0].min(initial=np.inf)
    area = float(easting.max(initial=0.0)) * float(np.ptp(targets[:, 1])) if len(targets) else 0.0
    width = np.sqrt(area * part / max(len(targets), 1)) or 1.0
    return np.asarray(np.lexsort((targets[:, 1], np.floor(easting / width))))


def _sharing(chosen: IntArray, sites: int) -> Iterator[slice]:
    """Parts of the targets of (k, m) chosen points that have few enough distinct points for one table of them."""
    most = max(_TABLE_POINTS, 2 * len(chosen))
    pending = [slice(0, chosen.shape[1])]
    while pending:
        here = pending.pop()
        half = (here.stop - here.start) // 2
        if half and len(_distinct(chosen[:, here], sites)) > most:
            pending += [slice(here.start + half, here.stop), slice(here.start, here.start + half)]
        else:
            yield here


def _distinct(chosen: IntArray, sites: int) -> IntArray:
    """Ascending indices of the points that are chosen at all."""
    used = np.zeros(sites, dtype=np.bool_)
    used[chosen.ravel()] = True
    return np.flatnonzero(used)


def _krige_together(
    quantities: list[_Scaled],
    sites: FloatArray,
    targets: FloatArray,
    chosen: IntArray,
    offsets: FloatArray,
    stack: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Predictions and variances, both (quantities, m), of targets whose (k, m) points overlap.

    Correlations of pairs are looked up in a table of the points that occur, which is far less work than one for every
    pair of every target.
    """
    used = _distinct(chosen, len(sites))
    number = np.empty(len(sites), dtype=np.int64)
    number[used] = np.arange(len(used))
    place = number[chosen]
    axes = np.ascontiguousarray(sites[used].T)
    lag_m = distances(sites[used], sites[used])
    tables = [quantity.structured * CORRELATIONS[quantity.family](lag_m / quantity.range_m) for quantity in quantities]
    first, second = np.tril_indices(len(chosen), k=-1)
    mean, variance = np.empty((len(quantities), len(targets))), np.empty((len(quantities), len(targets)))
    for start in range(0, len(targets), stack.shape[2]):
        here = slice(start, start + stack.shape[2])
        local = place[:, here].copy()
        bordered = stack[:, :, : local.shape[1]]
        away = axes.take(local, axis=1)
        away -= targets[here].T[:, None, :]
        pair = (local * len(used)).take(first, axis=0)
        pair += local.take(second, axis=0)
        for row, (quantity, table) in enumerate(zip(quantities, tables, strict=True)):
            bordered[first, second] = table.ravel().take(pair, mode="clip")
            _fill_border(bordered, quantity, chosen[:, here], away, offsets)
            mean[row, here], variance[row, here] = _predict(quantity, bordered)
    return mean, variance


def _krige_compiled(
    quantities: list[_Scaled],
    sites: FloatArray,
    targets: FloatArray,
    chosen: IntArray,
    offsets: FloatArray,
    loops: ModuleType,
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Which of the targets could be told, and predictions and variances, both (quantities, m), by compiled loops."""
    mean, variance = np.empty((len(quantities), len(targets))), np.empty((len(quantities), len(targets)))
    good = np.empty((len(quantities), len(targets)), dtype=np.bool_)
    sites, targets, offsets = (np.ascontiguousarray(points) for points in (sites, targets, offsets))
    for row, quantity in enumerate(quantities):
        loops.krige_nearest(
            sites,
            chosen,
            targets,
            offsets,
            loops.KINDS[quantity.family],
            quantity.range_m,
            quantity.structured,
            quantity.diagonal,
            quantity.value,
            mean[row],
            variance[row],
            good[row],
        )
        mean[row] = quantity.centre + quantity.spread * mean[row]
        variance[row] = quantity.sill * np.maximum(quantity.own_variance + variance[row], 0.0)
    return np.asarray(good.all(axis=0)), mean, variance


def _empty_stack(k: int, count: int) -> FloatArray:
    """(k + 3, k + 3, m) bordered systems, targets last, along which memory runs; what never changes is filled in."""
    stack = np.zeros((k + 3, k + 3, count))
    border = np.arange(k, k + 3)
    stack[border, border] = _BORDER
    stack[k + 1, :k] = 1.0
    return stack


def _fill_border(
    bordered: FloatArray, quantity: _Scaled, members: IntArray, away: FloatArray, offsets: FloatArray
) -> None:
    """Write diagonals, correlations with the targets, and values of (k, m) points that lie (2, k, m) away."""
    correlation = CORRELATIONS[quantity.family]
    k = len(members)
    diagonal = np.arange(k)
    bordered[diagonal, diagonal] = quantity.diagonal[members]
    to_block = np.zeros(members.shape)
    for offset in offsets:
        squared = np.square(away[0] - offset[0])
        squared += np.square(away[1] - offset[1])
        to_block += correlation(np.sqrt(squared) / quantity.range_m)
    bordered[k, :k] = to_block * (quantity.structured / len(offsets))
    bordered[k + 2, :k] = quantity.value[members]


def _predict(quantity: _Scaled, bordered: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Prediction and variance of m targets from their bordered systems."""
    solved = _solved_rows(bordered)
    (explained, along_mean, with_value), (_, ones, of_value), _ = (solved @ solved.transpose(0, 2, 1)).transpose(
        1, 2, 0
    )
    unexplained = 1.0 - along_mean
    mean = of_value / ones * unexplained + with_value
    variance = quantity.own_variance - explained + np.square(unexplained) / ones
    return quantity.centre + quantity.spread * mean, quantity.sill * np.maximum(variance, 0.0)


def _solved_rows(bordered: FloatArray) -> FloatArray:
    """(m, 3, k): v, u, w of each target."""
    systems = bordered.transpose(2, 0, 1)
    try:
        return np.array(np.linalg.cholesky(systems)[:, -3:, :-3], dtype=float)
    except np.linalg.LinAlgError:
        # One of them is singular to rounding: each is factored alone, so that no target depends on those beside it.
        return np.stack([_solved_alone(system) for system in systems])


def _solved_alone(system: FloatArray) -> FloatArray:
    lower = np.tril(system[:-3, :-3])
    covariance = lower + np.tril(lower, -1).T
    return np.asarray(np.linalg.solve(factor(covariance), system[-3:, :-3].T).T)
