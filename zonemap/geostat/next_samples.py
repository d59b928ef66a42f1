"""What a sample more would tell, known before it is taken: a kriging variance does not hang on the values.

Under one covariance model, with c the covariances of cells and places given the samples that are there, a sample more
at place p reads its own value with noise e and takes ``c(b, p)^2 / (c(p, p) + e)`` off the variance of cell b; every
covariance falls alike, by ``c(a, p) c(p, b) / (c(p, p) + e)``, so that samples can be added one after another. The
unknown mean is in c.

Several models are weighed as the surface weighs them, without weighing them anew: the parameters stay as unsure as they
are, and what a sample would tell about them is left out.

References
----------
Cressie, N.A.C. (1993), Statistics for Spatial Data, revised ed., section 3.2 (the variance; from memory).
Rasmussen, C.E. & Williams, C.K.I. (2006), Gaussian Processes for Machine Learning, section 2.2 and appendix A.3 (the
update is that of one row of a partitioned inverse; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from zonemap.geostat.covariance import (
    CORRELATIONS,
    block_offsets,
    distances,
    factor,
    in_axes,
    site_covariance,
    within_block_correlation,
)
from zonemap.geostat.system import POINT
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.samples import Measurements
from zonemap.values.variogram import Variogram, WeighedVariogram

#: heaviest models that are kept, until so much of the weight is in
_MOST_MODELS, _KEPT_WEIGHT = 10, 0.9
#: points along a side for the variance of a cell's own mean
_WITHIN_POINTS = 8
#: below this share of its variance a cell counts as known
_LEAST_LEFT = 1e-12


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known of cells, and what samples at places would tell of them, under several models.

    Attributes
    ----------
    weight, noise
        (models,) weights, summing to 1, and the nugget of a reading.
    variance
        (models, cells) of the cells' means.
    shared
        (models, cells + places, places) covariances of cells, then places, with the places' true values, their
        nuggets left aside; given all samples so far. The array is taken over, not copied: it is large.
    before
        (cells,) weighed variance when no sample had been added yet.
    """

    weight: FloatArray
    noise: FloatArray
    variance: FloatArray
    shared: FloatArray
    before: FloatArray

    def __post_init__(self) -> None:
        for name, axes in (("weight", 1), ("noise", 1), ("variance", 2), ("before", 1)):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(None,) * axes))
        self.shared.setflags(write=False)

    @property
    def left(self) -> FloatArray:
        """(cells,) share of the first variance that is left."""
        return self._share(self.weight @ self.variance)

    def left_with_one_more(self) -> FloatArray:
        """(places, cells) share of the first variance that would be left with one sample more at each place."""
        cells = self.variance.shape[1]
        gained = np.zeros((self.shared.shape[2], cells))
        for weight, noise, shared in zip(self.weight.tolist(), self.noise.tolist(), self.shared, strict=True):
            reading = np.diagonal(shared[cells:]) + noise
            gained += weight * np.square(shared[:cells]).T / reading[:, None]
        return self._share(self.weight @ self.variance - gained)

    def with_sample(self, place: int) -> Outlook:
        """Outlook once a sample is taken at a place, given by its number."""
        cells = self.variance.shape[1]
        along = self.shared[:, :, place]
        reading = along[:, cells + place] + self.noise
        scaled = along / reading[:, None]
        shared = self.shared.copy()
        for model, (rows, columns) in enumerate(zip(scaled, along[:, cells:], strict=True)):
            shared[model] -= np.outer(rows, columns)
        variance = np.maximum(self.variance - along[:, :cells] * scaled[:, :cells], 0.0)
        return replace(self, variance=variance, shared=shared)

    def _share(self, variance: FloatArray) -> FloatArray:
        known = self.before <= _LEAST_LEFT * max(float(self.before.max(initial=0.0)), _LEAST_LEFT)
        share = np.where(known, 1.0, variance / np.where(known, 1.0, self.before))
        return np.asarray(np.clip(share, 0.0, 1.0))


def outlook(
    measurements: Measurements,
    models: Sequence[WeighedVariogram],
    cells: FloatArray,
    places: FloatArray,
    *,
    side_m: float,
    block_points: int = 2,
) -> Outlook:
    """Look at cells and places through the samples of one quantity.

    Parameters
    ----------
    models
        Of which the heaviest ten at most are used, fewer where they hold nine tenths of the weight.
    cells, places
        (m, 2) centres of square cells, and (p, 2) points where a sample might be taken.
    side_m
        Of a cell; 0 for a point.
    block_points
        Points along a side that stand for a cell.

    Raises
    ------
    ValueError
        Without a model.
    """
    if not models:
        msg = "an outlook needs a model"
        raise ValueError(msg)
    kept = _heaviest(models)
    weight = np.array([model.weight for model in kept])
    with one_linear_algebra_thread():
        pairs = [_given(measurements, model, cells, places, side_m, block_points) for model in kept]
    weight = weight / weight.sum()
    variance = np.stack([own for own, _ in pairs])
    noise = np.array([model.variogram.nugget for model in kept])
    return Outlook(weight, noise, variance, np.stack([shared for _, shared in pairs]), weight @ variance)


def _heaviest(models: Sequence[WeighedVariogram]) -> list[WeighedVariogram]:
    kept: list[WeighedVariogram] = []
    for model in sorted(models, key=lambda each: -each.weight)[:_MOST_MODELS]:
        kept.append(model)
        if sum(each.weight for each in kept) >= _KEPT_WEIGHT * sum(each.weight for each in models):
            break
    return kept


def _given(
    measurements: Measurements,
    model: WeighedVariogram,
    cells: FloatArray,
    places: FloatArray,
    side_m: float,
    block_points: int,
) -> tuple[FloatArray, FloatArray]:
    """(cells,) variances of the cells and (cells + places, places) covariances, given the samples."""
    variogram = model.variogram
    sites = np.column_stack([measurements.easting_m, measurements.northing_m])
    offsets = block_offsets(side_m, block_points) if side_m > 0 else POINT
    lower = factor(site_covariance(sites, variogram, replicates=measurements.replicates))
    whitener = np.linalg.inv(lower)
    to_cells = whitener @ _covariance(variogram, sites, cells, offsets)
    to_places = whitener @ _covariance(variogram, sites, places, POINT)
    ones = whitener.sum(axis=1)
    missed_cells, missed_places = 1.0 - ones @ to_cells, 1.0 - ones @ to_places
    mean_variance = 1.0 / float(ones @ ones)
    own = _own_variance(model, side_m) - np.square(to_cells).sum(axis=0) + np.square(missed_cells) * mean_variance
    between = np.vstack(
        [_covariance(variogram, places, cells, offsets).T, _covariance(variogram, places, places, POINT)]
    )
    between -= np.hstack([to_cells, to_places]).T @ to_places
    between += np.outer(np.concatenate([missed_cells, missed_places]), missed_places) * mean_variance
    return np.maximum(own, 0.0), between


def _own_variance(model: WeighedVariogram, side_m: float) -> float:
    """Variance of a cell's mean before any sample: its pattern, and what of the nugget is real and is left in it."""
    variogram = model.variogram
    real = variogram.nugget - variogram.measurement_variance
    if side_m == 0:
        return variogram.partial_sill + real
    offsets = block_offsets(side_m, _WITHIN_POINTS)
    within = within_block_correlation(variogram.family, variogram.range_m, in_axes(offsets, variogram))
    if model.short_range_m == 0:
        return variogram.partial_sill * within
    short = within_block_correlation("exponential", model.short_range_m, offsets)
    return variogram.partial_sill * within + real * short


def _covariance(variogram: Variogram, sites: FloatArray, targets: FloatArray, offsets: FloatArray) -> FloatArray:
    """(n, m) covariance of the pattern at (n, 2) sites with its mean about (m, 2) targets, in the model's own axes."""
    from_sites = in_axes(sites, variogram)
    total = np.zeros((len(sites), len(targets)))
    for offset in offsets:
        lag_m = distances(from_sites, in_axes(targets + offset, variogram))
        total += CORRELATIONS[variogram.family](lag_m / variogram.range_m)
    return np.asarray(variogram.partial_sill * total / len(offsets))
