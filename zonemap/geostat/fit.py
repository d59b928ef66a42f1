"""Scale, covariance, and whether there is any structure at all: for all quantities of a field.

Parameters come from restricted likelihood, because a few dozen samples are too few for a moment variogram: Webster &
Oliver (1992), Journal of Soil Science 43:177-192, ask for 150; Lark (2000), European Journal of Soil Science
51:717-728, finds that likelihood needs fewer.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np

from zonemap.geostat.covariance import site_covariance
from zonemap.geostat.crossval import leave_one_out
from zonemap.geostat.direction import with_direction
from zonemap.geostat.likelihood import NUGGET_SHARES, LikelihoodGrid, likelihood_grid, refine
from zonemap.geostat.repeatability import measurement_variance, pure_nugget
from zonemap.geostat.scale import Candidate, TransformChoice, candidates, default_transform, is_constant
from zonemap.geostat.signal import PLACE, Mix, Places, Signal, Standard, signals_of, site_correlations
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.surface import Structure, Transform
from zonemap.values.variogram import Family, Variogram

#: Under this many distinct points no spatial model is fitted.
LEAST_POINTS = 8

#: White-noise fields behind a p-value: its step is 1 / (this + 1).
_NULL_FIELDS = 499

#: The likelihood of more points costs minutes and says nothing new; a seeded choice of this many is fitted.
_MOST_FITTED_POINTS = 600


@dataclass(frozen=True, slots=True)
class Fit:
    """What the samples of one quantity support.

    Attributes
    ----------
    transform
        The g scale.
    structure, structure_p
        As in `Evidence`.
    variogram
        The model to use: spatial where structure was found, pure nugget where it was not, ``None`` for constant values
        and for too few points.
    notes
        What the user should know.
    """

    transform: Transform
    structure: Structure
    structure_p: float
    variogram: Variogram | None
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where a group of quantities was sampled, in an order that does not depend on the order of the rows."""

    order: IntArray
    sites: Places
    signals: tuple[Signal, ...]
    relative_nugget: FloatArray

    @property
    def key(self) -> tuple[bytes, bytes, bytes]:
        return self.sites.xy.tobytes(), self.sites.features.tobytes(), self.relative_nugget.tobytes()


def fit_covariances(
    measurements: tuple[Measurements, ...],
    *,
    families: tuple[Family, ...] = ("exponential",),
    mixes: tuple[Mix, ...] = PLACE,
    features: tuple[FloatArray, ...] | None = None,
    transform: TransformChoice = "auto",
    structure_level: float = 0.05,
    plugged_in: bool = True,
    seed: int = 0,
) -> tuple[Fit, ...]:
    """Fit every quantity; those sampled at the same points share decompositions and the null fields of the test.

    Parameters
    ----------
    families, mixes
        What is compared with pure nugget (`zonemap.geostat.signal`). The model that is returned is the likeliest of
        the families, of place alone, longer in one direction where that is earned (not beside covariates).
    features
        (n, p) of the points of each quantity, as they are; needed for mixes other than `PLACE`.
    transform
        ``"auto"`` chooses none, log or, where it earns its exponent, Box-Cox by restricted likelihood with its Jacobian
        (log under eight points); others than none are only ever used where all values are positive.
    structure_level
        Greatest p-value at which structure counts as found.
    plugged_in
        Whether the model is to be used as it is. Then structure also asks that leave-one-out with it be no worse than
        with the mean.
    seed
        Of the null fields, and of the choice of points where there are more than 600.
    """
    fits: dict[int, Fit] = {}
    groups: dict[tuple[bytes, bytes, bytes], list[int]] = defaultdict(list)
    layouts: dict[tuple[bytes, bytes, bytes], _Layout] = {}
    for k, quantity in enumerate(measurements):
        without = _without_a_model(quantity, transform)
        if without is not None:
            fits[k] = without
            continue
        raw = np.empty((quantity.count, 0)) if features is None else features[k]
        layout = _layout(quantity, raw, families=families, mixes=mixes, transform=transform, seed=seed)
        layouts[layout.key] = layout
        groups[layout.key].append(k)
    for key, members in groups.items():
        with one_linear_algebra_thread():
            together = _fit_together(
                tuple(measurements[k] for k in members),
                layouts[key],
                transform=transform,
                structure_level=structure_level,
                plugged_in=plugged_in,
                seed=seed,
            )
        fits.update(zip(members, together, strict=True))
    return tuple(fits[k] for k in range(len(measurements)))


def _without_a_model(quantity: Measurements, transform: TransformChoice) -> Fit | None:
    name, count = quantity.quantity, quantity.count
    scale = default_transform(quantity, transform)
    if count < LEAST_POINTS:
        places = "1 sampled place is" if count == 1 else f"{count} sampled places are"
        text = (
            f"{name}: {places} too few for a map, which takes {LEAST_POINTS} or more; the surface is the field mean. "
            "Take more samples, or apply one rate."
        )
        return Fit(scale, "too_few", math.nan, None, (Note("warning", text),))
    if is_constant(quantity):
        text = f"{name}: all {count} values are equal; the surface is that value. Check the laboratory's report."
        return Fit(scale, "not_found", math.nan, None, (Note("warning", text),))
    return None


def _layout(
    quantity: Measurements,
    features: FloatArray,
    *,
    families: tuple[Family, ...],
    mixes: tuple[Mix, ...],
    transform: TransformChoice,
    seed: int,
) -> _Layout:
    order = np.lexsort((quantity.northing_m, quantity.easting_m))
    if quantity.count > _MOST_FITTED_POINTS:
        chosen = np.random.default_rng(seed).choice(quantity.count, _MOST_FITTED_POINTS, replace=False)
        order = order[np.sort(chosen)]
    xy = np.column_stack([quantity.easting_m, quantity.northing_m])[order]
    sites = Places(xy, Standard.of(features[order])(features[order]), np.ones((len(order), 1)))
    # features that do not differ between the samples say nothing of them
    left = mixes if sites.features.shape[1] else PLACE
    plain = _Layout(order, sites, signals_of(xy, families, left), np.ones(len(order)))
    if np.all(quantity.replicates == 1):
        return plain
    return replace(plain, relative_nugget=_relative_nugget(quantity, plain, transform=transform))


def _relative_nugget(quantity: Measurements, layout: _Layout, *, transform: TransformChoice) -> FloatArray:
    """(n,) nugget of a value against a plain sample's: in an average of r rows the measurement part is 1/r of it.

    How much of the nugget that part is comes from a first fit that takes all values as plain.
    """
    scales = candidates(quantity.value[layout.order], transform)
    grid = _grid(layout, scales, null_fields=0, seed=0)
    best = _best(grid, scales, first=0)
    row, share_index = np.unravel_index(np.argmax(grid.log_likelihood[:, :, best]), grid.log_likelihood.shape[:2])
    spread = scales[best].spread
    nugget = float(grid.nugget_share[share_index] * grid.sill[row, share_index, best]) * spread**2
    measured = min(measurement_variance(quantity, scales[best].transform), nugget)
    part = measured / nugget if nugget > 0 else 0.0
    return np.asarray(1.0 - part + part / quantity.replicates[layout.order])


def _grid(layout: _Layout, scales: tuple[Candidate, ...], *, null_fields: int, seed: int) -> LikelihoodGrid:
    """Likelihood grid with a column a scale, and after them one a white-noise field with the same relative nuggets."""
    noise = np.random.default_rng(seed).standard_normal((len(layout.sites), null_fields))
    noise *= np.sqrt(layout.relative_nugget)[:, None]
    return likelihood_grid(
        site_correlations(layout.signals, layout.sites),
        np.column_stack([*(scale.standard for scale in scales), noise]),
        nugget_share=np.array(NUGGET_SHARES),
        drift=layout.sites.drift,
        relative_nugget=layout.relative_nugget,
    )


def _best(grid: LikelihoodGrid, scales: tuple[Candidate, ...], *, first: int) -> int:
    """Which of the scales that start at column `first` is likeliest, structure or none."""
    last = first + len(scales)
    spatial = grid.log_likelihood[:, :, first:last].max(axis=(0, 1))
    likelihood = np.maximum(spatial, grid.null_log_likelihood[first:last])
    return int(np.argmax(likelihood + np.array([scale.log_jacobian for scale in scales])))


def _fit_together(
    quantities: tuple[Measurements, ...],
    layout: _Layout,
    *,
    transform: TransformChoice,
    structure_level: float,
    plugged_in: bool,
    seed: int,
) -> tuple[Fit, ...]:
    """Fit quantities that share points and relative nuggets.

    Notes
    -----
    The likelihood ratio against pure nugget has no usual limit distribution (the range means nothing under the null),
    but its exact one depends on nothing but the points: it is simulated, and the p-value is (1 + number of null fields
    with a ratio at least as great) / (1 + number of null fields) (Davison & Hinkley 1997, Bootstrap Methods and their
    Application, section 4.2; from memory).
    """
    scales = tuple(candidates(quantity.value[layout.order], transform) for quantity in quantities)
    flat = tuple(scale for of_quantity in scales for scale in of_quantity)
    grid = _grid(layout, flat, null_fields=_NULL_FIELDS, seed=seed)
    null_ratio = grid.ratio[len(flat) :]
    first = np.cumsum([0, *(len(of_quantity) for of_quantity in scales)])
    fits: dict[int, Fit] = {}

    def fit_one(q: int) -> None:
        best = _best(grid, scales[q], first=int(first[q]))
        column = int(first[q]) + best
        p = (1 + int(np.count_nonzero(null_ratio >= grid.ratio[column]))) / (1 + len(null_ratio))
        model = _spatial_model(quantities[q], layout, scales[q][best], grid, column=column)
        if p <= structure_level and not any(signal.likeness for signal in layout.signals):
            g = scales[q][best].standard * scales[q][best].spread
            turned = with_direction(layout.sites.xy, g, model, relative_nugget=layout.relative_nugget)
            model = model if turned is None else turned
        fit = Fit(scales[q][best].transform, "found", p, model, _thinned(quantities[q]))
        found = p <= structure_level and (not plugged_in or _predicts(quantities[q], fit.transform, model))
        fits[q] = fit if found else without_structure(quantities[q], fit, passed=p <= structure_level)

    in_threads(fit_one, range(len(quantities)))
    return tuple(fits[q] for q in range(len(quantities)))


def _spatial_model(
    quantity: Measurements, layout: _Layout, scale: Candidate, grid: LikelihoodGrid, *, column: int
) -> Variogram:
    """Likeliest model of place alone, refined about the likeliest of the grid's that hold most of place."""
    most = max(signal.place for signal in layout.signals)
    rows = np.flatnonzero([signal.place == most for signal in layout.signals])
    likeliest = grid.log_likelihood[rows, :, column].max(axis=1)
    family = layout.signals[rows[int(np.argmax(likeliest))]].family
    rows = np.array([row for row in rows.tolist() if layout.signals[row].family == family])
    range_m, share, sill = refine(
        layout.sites.xy,
        scale.standard,
        family=family,
        range_m=np.array([layout.signals[row].range_m for row in rows.tolist()]),
        nugget_share=grid.nugget_share,
        log_likelihood=grid.log_likelihood[rows, :, column],
        relative_nugget=layout.relative_nugget,
    )
    sill *= scale.spread**2
    nugget = share * sill
    measured = min(measurement_variance(quantity, scale.transform), nugget)
    return Variogram(family, range_m, nugget, sill - nugget, measured)


def without_structure(quantity: Measurements, fit: Fit, *, passed: bool) -> Fit:
    """Return the fit as one that shows no structure.

    Parameters
    ----------
    passed
        Whether the test against pure nugget was passed, so that it is prediction that failed.
    """
    why = f"p = {fit.structure_p:.2g}" + (", but the mean predicts left-out samples better" if passed else "")
    text = (
        f"{quantity.quantity}: {quantity.count} samples show no spatial structure ({why}); this sampling cannot "
        "support a map of it. Sample closer together, or apply one rate."
    )
    nugget = pure_nugget(quantity, fit.transform)
    return replace(fit, structure="not_found", variogram=nugget, notes=(*fit.notes, Note("warning", text)))


def _predicts(quantity: Measurements, transform: Transform, model: Variogram) -> bool:
    sites = np.column_stack([quantity.easting_m, quantity.northing_m])
    g = transform.forward(quantity.value)
    residual, _ = leave_one_out(site_covariance(sites, model, replicates=quantity.replicates), g)
    from_mean = (g - g.mean()) * len(g) / (len(g) - 1)
    return bool(np.square(residual).sum() <= np.square(from_mean).sum())


def _thinned(quantity: Measurements) -> tuple[Note, ...]:
    if quantity.count <= _MOST_FITTED_POINTS:
        return ()
    text = f"{quantity.quantity}: the covariance was fitted to {_MOST_FITTED_POINTS} of {quantity.count:,} points."
    return (Note("warning", text),)
