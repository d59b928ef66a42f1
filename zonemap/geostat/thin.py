"""Averages over blocks, for the fit of many points: a likelihood of a hundred thousand would never end."""

from __future__ import annotations

import math

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.covariance import SAME_PLACE_M
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.note import Note
from zonemap.values.samples import Measurements

#: So many averages are kept for the fit at most: leave-one-out of more takes seconds and hundreds of megabytes.
MOST_AVERAGES = 2_000

#: Sides of blocks are tried in steps of this factor.
_SIDE_STEP = 1.1

#: More blocks a side than this are not told apart in one integer key.
_MOST_BLOCKS_ALONG = 2.0**30


def average_over_blocks(
    measurements: Measurements, *, side_m: float | None = None, most: int = MOST_AVERAGES
) -> tuple[Measurements, tuple[Note, ...]]:
    """Average the points in each square block; what was done is said.

    Parameters
    ----------
    side_m
        Side of a block, m; ``None`` takes the least side, in steps of a tenth, that leaves `most` averages, and leaves
        `most` or fewer points as they are.

    Raises
    ------
    InputError
        When the side is no positive number of metres, or `most` is under 1.

    Notes
    -----
    Blocks start at the least easting and northing. Points count by the rows they average, in the mean, in its position
    and in `replicates`; the variance of a block's rows about their mean becomes its `replicate_variance`. That is
    evidence of measurement error *and* of whatever differs within a block (`zonemap.geostat.regularised` tells them
    apart). The result does not depend on the order of the points; it is in the order of blocks.
    """
    side = side_for(measurements, most=most) if side_m is None else _usable(side_m)
    if side is None:
        return measurements, ()
    block = _block_keys(measurements.easting_m, measurements.northing_m, side)
    order = np.lexsort(
        (
            np.array(measurements.sample),
            measurements.replicates,
            measurements.value,
            measurements.northing_m,
            measurements.easting_m,
            block,
        )
    )
    starts = np.flatnonzero(np.diff(block[order], prepend=-1))
    averages = _averages(measurements, order, starts)
    text = (
        f"{measurements.quantity}: {measurements.count:,} points were averaged over blocks of {side:.3g} m, "
        f"which leaves {len(starts):,}."
    )
    return averages, (Note("repair", text),)


def _usable(side_m: float) -> float:
    if not (math.isfinite(side_m) and side_m > 0):
        raise InputError("side_m", f"{side_m} m is no side of a block", "Give a positive number of metres.")
    return side_m


def side_for(measurements: Measurements, *, most: int = MOST_AVERAGES) -> float | None:
    """Least side of the steps that leaves at most so many blocks, m; ``None`` where no averaging is needed.

    Raises
    ------
    InputError
        When `most` is under 1.
    """
    if most < 1:
        raise InputError("most", f"{most} averages cannot be kept", "Keep 1 or more.")
    if measurements.count <= most:
        return None
    easting, northing = measurements.easting_m, measurements.northing_m
    extent = max(float(np.ptp(easting)), float(np.ptp(northing)), SAME_PLACE_M)
    # Halving over the steps from a side that can leave too many to one that holds everything.
    too_small, enough = -1, math.ceil(math.log(2.0 * most) / math.log(_SIDE_STEP)) + 1
    least = extent / most
    while enough - too_small > 1:
        middle = (too_small + enough) // 2
        if len(np.unique(_block_keys(easting, northing, least * _SIDE_STEP**middle))) <= most:
            enough = middle
        else:
            too_small = middle
    return float(least * _SIDE_STEP**enough)


def _block_keys(easting_m: FloatArray, northing_m: FloatArray, side_m: float) -> IntArray:
    """(n,) one number a block, ascending from west to east, then from south to north."""
    column, row = (np.floor((axis - axis.min()) / side_m) for axis in (easting_m, northing_m))
    if max(column.max(), row.max()) >= _MOST_BLOCKS_ALONG:
        raise InputError("side_m", f"blocks of {side_m:.3g} m are too small for the field", "Give a greater side.")
    return np.asarray(column.astype(np.int64) * int(_MOST_BLOCKS_ALONG) + row.astype(np.int64))


def _averages(measurements: Measurements, order: IntArray, starts: IntArray) -> Measurements:
    """Averages of runs of points, which begin at `starts` of the order."""
    members = np.diff(starts, append=len(order))
    rows = measurements.replicates[order].astype(float)
    total = np.add.reduceat(rows, starts)

    def mean_of(attribute: FloatArray) -> FloatArray:
        # about the first member of each block: equal values average to themselves, whatever their size
        first = attribute[order][starts]
        rest = attribute[order] - np.repeat(first, members)
        return np.asarray(first + np.add.reduceat(rest * rows, starts) / total)

    value = mean_of(measurements.value)
    within = np.where(measurements.replicates > 1, measurements.replicate_variance, 0.0)[order]
    squares = (rows - 1) * np.nan_to_num(within) + rows * np.square(
        measurements.value[order] - np.repeat(value, members)
    )
    spread = np.add.reduceat(squares, starts)
    # replicate rows whose own variance is unknown leave no evidence when nothing stands beside them
    known = (members > 1) | np.isfinite(measurements.replicate_variance[order][starts])
    variance = np.full(len(starts), np.nan)
    np.divide(spread, total - 1, out=variance, where=known & (total > 1))
    return Measurements(
        quantity=measurements.quantity,
        unit=measurements.unit,
        basis=measurements.basis,
        sample=tuple(_names(measurements, order[start : start + n]) for start, n in zip(starts, members, strict=True)),
        easting_m=mean_of(measurements.easting_m),
        northing_m=mean_of(measurements.northing_m),
        value=value,
        replicates=total.astype(np.int64),
        replicate_variance=variance,
        repeatability_cv=measurements.repeatability_cv,
        censored=np.logical_or.reduceat(measurements.censored[order], starts),
    )


def _names(measurements: Measurements, members: IntArray) -> str:
    """Return the identifier of one point, or of the first with the number of the others."""
    first = measurements.sample[int(members[0])]
    return first if len(members) == 1 else f"{first}+{len(members) - 1} more"
