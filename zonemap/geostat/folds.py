"""Cross-validation that refits everything: scale, structure, covariance and prediction, in every fold.

Leave-one-out with the fitted parameters kept (`zonemap.geostat.crossval`) is free but has seen every value it is judged
by. Here a tenth of the samples is put away, the whole surface method runs on the rest, and what it says of the places
put away is compared with what was measured there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.crossval import LEAST_POINTS, Scores, score
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.repeatability import measurement_variance
from zonemap.geostat.scale import half_variance_rise
from zonemap.geostat.student import half_width_90, widening
from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.surface import CrossValidation, Surface

#: Any surface method, its other parameters set.
SurfaceMethod = Callable[[tuple[Measurements, ...], Grid], tuple[Surface, ...]]


@dataclass(frozen=True, slots=True)
class FoldValidation:
    """What a method says of values it was not given.

    Attributes
    ----------
    fold
        (n,) the fold in which each value was left out, from 0.
    predicted
        (n,) mean of its predictive distribution, in the unit of the quantity.
    diagnostics
        As of leave-one-out, over all left-out values.
    rmse_of_mean
        RMSE when a left-out value is said to be the mean of the others: what a map must beat.
    mapped
        Share of folds in which the method found structure.
    """

    fold: IntArray
    predicted: FloatArray
    diagnostics: CrossValidation
    rmse_of_mean: float
    mapped: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "fold", frozen_ints(self.fold, shape=(None,)))
        object.__setattr__(self, "predicted", frozen_floats(self.predicted, shape=self.fold.shape))


def k_fold(
    measurements: Measurements,
    *,
    folds: int = 10,
    seed: int = 0,
    method: SurfaceMethod = integrated_block_kriging,
    block_support: bool = False,
) -> FoldValidation:
    """Leave out a fold at a time, refit on the rest, and score what is said of the left-out values.

    Parameters
    ----------
    folds
        How many, as many as there are points at most. They are spread evenly over the field (`spread_folds`).
    seed
        Of the folds; a method's own seed is its own.
    method
        Predicts cells of no size at the left-out places: its distribution there must be that of the true value at a
        point. `integrated_block_kriging`, `ordinary_point_kriging` and `field_mean` give that.
    block_support
        Set for a method that averages short-range variation out of every cell, whatever its size
        (`ordinary_block_kriging`, `many_point_block_kriging`): it is put back, since it is in what was measured.

    Raises
    ------
    InputError
        With fewer than three points or two folds.

    Notes
    -----
    The predictive distribution of a reading is taken as the normal on the g scale with the method's centre and central
    90 % interval there, with the measurement error of the left-out value added. Neighbours of a left-out value mostly
    stay in, so this is how well the field is mapped between its samples, not beyond them.
    """
    _check(measurements, folds)
    # by place, so that not even rounding depends on the order of the rows
    by_place = np.lexsort((measurements.northing_m, measurements.easting_m))
    placed = _rows(measurements, by_place)
    fold_by_place = spread_folds(placed.easting_m, placed.northing_m, folds=folds, seed=seed)
    left_out = [np.flatnonzero(fold_by_place == k) for k in range(fold_by_place.max() + 1)]
    said = [_scored(placed, out, method, block_support=block_support) for out in left_out]
    order = np.argsort(by_place[np.concatenate(left_out)])
    scores = Scores(
        *(np.concatenate([getattr(s, name) for s, _ in said])[order] for name in Scores.__dataclass_fields__)
    )
    fold = fold_by_place[np.argsort(by_place)]
    mean = np.array([np.delete(placed.value, left_out[k]).mean() for k in fold])
    return FoldValidation(
        fold=fold,
        predicted=measurements.value + scores.error,
        diagnostics=scores.summary(),
        rmse_of_mean=float(np.sqrt(np.square(mean - measurements.value).mean())),
        mapped=float(np.mean([mapped for _, mapped in said])),
    )


def spread_folds(easting_m: FloatArray, northing_m: FloatArray, *, folds: int, seed: int = 0) -> IntArray:
    """(n,) fold of each point: every fold covers the field, and neighbours fall into different ones.

    Points are put in an order that keeps neighbours together, and every run of `folds` of them is dealt out at random,
    one to each fold. Sizes differ by one at most; the order of the rows does not matter.
    """
    order = _neighbours_together(easting_m, northing_m)
    count = min(folds, len(order))
    rng = np.random.default_rng(seed)
    runs = -(-len(order) // count)
    dealt = np.concatenate([rng.permutation(count) for _ in range(runs)])[: len(order)]
    fold = np.empty(len(order), dtype=np.int64)
    fold[order] = dealt
    return fold


def _neighbours_together(easting_m: FloatArray, northing_m: FloatArray) -> IntArray:
    """Order of a walk through the halves of the halves of the field, each cut across its longer side."""
    halves = [np.lexsort((northing_m, easting_m))]
    while max(len(half) for half in halves) > 1:
        halves = [part for half in halves for part in _cut(half, easting_m, northing_m)]
    return np.concatenate(halves)


def _cut(part: IntArray, easting_m: FloatArray, northing_m: FloatArray) -> tuple[IntArray, ...]:
    if len(part) < 2:
        return (part,)
    east, north = easting_m[part], northing_m[part]
    keys = (north, east) if np.ptp(east) >= np.ptp(north) else (east, north)
    ordered = part[np.lexsort(keys)]
    return ordered[: len(part) // 2], ordered[len(part) // 2 :]


def _check(measurements: Measurements, folds: int) -> None:
    if measurements.count < LEAST_POINTS:
        raise InputError(
            measurements.quantity,
            f"{measurements.count} sampled places are too few to leave any out",
            f"Take {LEAST_POINTS} samples or more.",
        )
    if folds < 2:
        raise InputError("folds", f"{folds} leaves nothing to fit, or nothing to judge by", "Give 2 or more.")


def _scored(
    measurements: Measurements, out: IntArray, method: SurfaceMethod, *, block_support: bool
) -> tuple[Scores, bool]:
    """Scores of the values left out, and whether the rest showed structure."""
    kept = _rows(measurements, np.setdiff1d(np.arange(measurements.count), out))
    (surface,) = method((kept,), _Places.at(measurements.easting_m[out], measurements.northing_m[out]))
    degrees = kept.count - 1
    centre, variance = _of_a_point(surface, degrees, block_support=block_support)
    return score(
        measurements.value[out],
        transform=surface.transform,
        centre=centre,
        variance=variance + _measured(surface, kept) / measurements.replicates[out],
        degrees=degrees,
    ), surface.evidence.structure == "found"


def _of_a_point(surface: Surface, degrees: int, *, block_support: bool) -> tuple[FloatArray, FloatArray]:
    """Centre and plain kriging variance of the true value at each place, on the g scale."""
    centre = surface.centre()
    low, high = (surface.g_at_score(side * half_width_90(degrees) / widening(degrees)) for side in (-1.0, 1.0))
    variance = np.square((high - low) / (2.0 * half_width_90(degrees)))
    variogram = surface.evidence.variogram
    if block_support and surface.evidence.structure == "found" and variogram is not None:
        real = variogram.nugget - variogram.measurement_variance
        # on a log scale the centre of a block mean was raised by half the variance that is put back here
        centre = centre - half_variance_rise(surface.transform, centre, real)
        variance = variance + real
    return centre, variance


def _measured(surface: Surface, kept: Measurements) -> float:
    """Variance of one plain sample's error on the g scale, as the method took it."""
    variogram = surface.evidence.variogram
    return measurement_variance(kept, surface.transform) if variogram is None else variogram.measurement_variance


def _rows(measurements: Measurements, rows: IntArray) -> Measurements:
    """Measurements of some of the points."""
    return Measurements(
        quantity=measurements.quantity,
        unit=measurements.unit,
        basis=measurements.basis,
        sample=tuple(measurements.sample[row] for row in rows),
        easting_m=measurements.easting_m[rows],
        northing_m=measurements.northing_m[rows],
        value=measurements.value[rows],
        replicates=measurements.replicates[rows],
        replicate_variance=measurements.replicate_variance[rows],
        repeatability_cv=measurements.repeatability_cv,
        censored=measurements.censored[rows],
    )


@dataclass(frozen=True, slots=True)
class _Places(Grid):
    """Cells of no size at given places: what a surface method is asked for here. It has no raster."""

    easting_m: FloatArray
    northing_m: FloatArray

    @classmethod
    def at(cls, easting_m: FloatArray, northing_m: FloatArray) -> _Places:
        return cls("", 0.0, 0.0, 0.0, np.ones((1, len(easting_m))), easting_m, northing_m)

    def centres(self) -> tuple[FloatArray, FloatArray]:
        return self.easting_m, self.northing_m
