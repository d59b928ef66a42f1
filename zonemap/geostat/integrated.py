"""The surface method with covariance parameters integrated out: the default where there are few samples."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.covariance import axes_of, nearest_gap_m
from zonemap.geostat.covariates import covariate_values
from zonemap.geostat.crossval import predictive_mean
from zonemap.geostat.evidence import gather_evidence
from zonemap.geostat.fit import Fit, fit_covariances, without_structure
from zonemap.geostat.flat import flat_surface
from zonemap.geostat.integrate import Block, LeftOut, integrated_blocks, integrated_leave_one_out
from zonemap.geostat.kriging import ordinary_block_kriging
from zonemap.geostat.mixture import mixture_distribution
from zonemap.geostat.parameters import ParameterPoints, covariate_share, drift_share, parameter_points
from zonemap.geostat.scale import TransformChoice, curvature_of
from zonemap.geostat.signal import COVARIATES, PLACE, TREND, FamilyChoice, Mix, Places, Standard, weighed_families
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.covariate import Covariate
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.surface import CrossValidation, Surface
from zonemap.values.variogram import Family, Variogram, WeighedVariogram

#: With more points the likelihood leaves little to integrate, and one fitted covariance is used.
MOST_INTEGRATED_POINTS = 400
#: The nugget's real part has a correlation length of this share of the median gap between samples, where none is
#: stated: longer would show in the samples, shorter would average out over a cell. A choice of this package.
_SHORT_RANGE_OF_GAP = 1 / 3
#: 0.95 quantile of the standard normal
_SCORE_95 = 1.6448536269514722
#: Quantiles in a CRPS.
_SCORED_LEVELS = 200
#: The square of exp() of more is not a number any more; no logarithm of a measured value comes near it.
_GREATEST_G = {"none": np.inf, "log": 300.0, "box_cox": np.inf}


def integrated_block_kriging(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    *,
    covariates: tuple[Covariate, ...] = (),
    family: FamilyChoice = "auto",
    transform: TransformChoice = "auto",
    block_points: int = 4,
    structure_level: float = 0.05,
    short_range_m: float | None = None,
    seed: int = 0,
) -> tuple[Surface, ...]:
    """Mean over each cell of what is in the field, with the uncertainty of range, nugget and sill in it.

    Where the samples show no structure the surface leans only as little from the field mean as their likelihood says.
    Above 400 points it is that of `ordinary_block_kriging`.

    Parameters
    ----------
    covariates
        What else is known of the field; weighed against place by likelihood (`zonemap.geostat.signal`).
    family
        ``"auto"`` weighs exponential (rough) and Matern 5/2 (smooth) by likelihood.
    transform, structure_level, seed
        See `fit_covariances`; the level decides what is said, not what is mapped.
    block_points
        Most points along a side that stand for a cell.
    short_range_m
        Correlation length of the real part of the nugget, m; ``None`` takes a third of the median gap between samples.

    Raises
    ------
    InputError
        When the short range is no positive number of metres.

    Notes
    -----
    Measurement error is never in the result. What is left of the nugget is in the field: it stays in a cell that is
    small against its correlation length and averages out over a large one.
    """
    few = [k for k, quantity in enumerate(measurements) if quantity.count <= MOST_INTEGRATED_POINTS]
    surfaces = _plugged_in(
        {k: quantity for k, quantity in enumerate(measurements) if k not in few},
        grid,
        family=family,
        transform=transform,
        block_points=block_points,
        structure_level=structure_level,
        seed=seed,
    )
    chosen = tuple(measurements[k] for k in few)
    mapped = integrated_surfaces(
        chosen,
        grid,
        features_of(chosen, grid, covariates),
        family=family,
        transform=transform,
        block_points=block_points,
        structure_level=structure_level,
        short_range_m=short_range_m,
        seed=seed,
    )
    surfaces.update(zip(few, mapped, strict=True))
    return tuple(surfaces[k] for k in range(len(measurements)))


def integrated_surfaces(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    features: Features,
    *,
    family: FamilyChoice,
    transform: TransformChoice,
    block_points: int,
    structure_level: float,
    short_range_m: float | None,
    seed: int,
) -> tuple[Surface, ...]:
    """Surfaces with given features of the cells and of every quantity's points; see `integrated_block_kriging`."""
    if short_range_m is not None and not (math.isfinite(short_range_m) and short_range_m > 0):
        raise InputError("short_range_m", f"{short_range_m} m is no length", "Give a positive number of metres.")
    targets = np.column_stack(grid.centres())
    fits = fit_covariances(
        measurements,
        families=weighed_families(family),
        mixes=features.mixes,
        features=features.sites,
        transform=transform,
        structure_level=structure_level,
        plugged_in=False,
        seed=seed,
    )
    surfaces: dict[int, Surface] = {}
    groups: dict[tuple[bytes, ...], list[_Standard]] = defaultdict(list)
    for k, (quantity, raw, fit) in enumerate(zip(measurements, features.sites, fits, strict=True)):
        if fit.variogram is None:
            surfaces[k] = flat_surface(quantity, grid, fit)
        else:
            standard = _standard(k, quantity, raw, fit, drift=features.drift)
            groups[standard.key].append(standard)
    for members in groups.values():
        surfaces.update(
            _together(
                tuple(members),
                targets,
                features,
                families=weighed_families(family),
                side_m=grid.cell_m,
                block_points=block_points,
                short_range_m=short_range_m,
            )
        )
    return tuple(surfaces[k] for k in range(len(measurements)))


def _plugged_in(measurements: dict[int, Measurements], grid: Grid, **parameters: Any) -> dict[int, Surface]:
    """Surfaces, by position, of quantities with many points."""
    if not measurements:
        return {}
    surfaces = ordinary_block_kriging(tuple(measurements.values()), grid, **parameters)
    return dict(zip(measurements, surfaces, strict=True))


@dataclass(frozen=True, slots=True)
class Features:
    """What beside place predicts: covariates, or a trend across the field.

    Attributes
    ----------
    names
        Of the covariates.
    mixes
        Of place, line and likeness.
    sites
        (n, p) of the points of each quantity, as they are.
    targets
        (m, p) of the cells.
    drift
        Whether the prediction takes them as straight lines without shrinkage, and place for what is left.
    """

    names: tuple[str, ...]
    mixes: tuple[Mix, ...]
    sites: tuple[FloatArray, ...]
    targets: FloatArray
    drift: bool = False


def features_of(measurements: tuple[Measurements, ...], grid: Grid, covariates: tuple[Covariate, ...]) -> Features:
    """Means of covariates over the cells and about every quantity's points; coordinates where there are none."""
    targets = np.column_stack(grid.centres())
    sites = [np.column_stack([quantity.easting_m, quantity.northing_m]) for quantity in measurements]
    if not covariates:
        return Features((), TREND, tuple(sites), targets)
    # cells and samples in one call: what is fitted to a sensor's points is fitted once
    values = covariate_values(covariates, np.vstack([targets, *sites]), side_m=grid.cell_m)
    ends = np.cumsum([len(targets), *(len(places) for places in sites)])
    cells, *parts = np.split(values, ends[:-1])
    return Features(tuple(covariate.name for covariate in covariates), COVARIATES, tuple(parts), cells)


@dataclass(frozen=True, slots=True)
class _Standard:
    """One quantity on its g scale at unit spread, in an order that its rows do not decide."""

    position: int
    measurements: Measurements
    fit: Fit
    order: IntArray
    sites: Places
    axes: FloatArray
    standard: Standard
    relative_nugget: FloatArray
    value: FloatArray
    centre: float
    spread: float
    measurement_variance: float

    @property
    def unit_curvature(self) -> tuple[float, float]:
        """Of the way back from values at unit spread, as in `curvature_of`."""
        curvature, slope = curvature_of(self.fit.transform)
        at_centre = 1.0 + slope * self.centre
        return curvature * self.spread / at_centre, slope * self.spread / at_centre

    @property
    def key(self) -> tuple[bytes, ...]:
        """Equal for quantities that share points, features and relative nuggets."""
        # the axes too: two sets of points may agree in different ones
        return (
            self.axes.tobytes(),
            self.sites.xy.tobytes(),
            self.sites.features.tobytes(),
            self.sites.drift.tobytes(),
            self.relative_nugget.tobytes(),
        )


def _standard(position: int, measurements: Measurements, features: FloatArray, fit: Fit, *, drift: bool) -> _Standard:
    order = np.lexsort((measurements.northing_m, measurements.easting_m))
    xy = np.column_stack([measurements.easting_m, measurements.northing_m])[order]
    axes = np.eye(2) if fit.variogram is None or fit.variogram.ratio == 1 else axes_of(fit.variogram)
    standard = Standard.of(features[order])
    g = fit.transform.forward(measurements.value)[order]
    centre, spread = float(g.mean()), float(g.std())
    variogram = fit.variogram
    measured = 0.0 if variogram is None else variogram.measurement_variance
    part = measured / variogram.nugget if variogram is not None and variogram.nugget > 0 else 0.0
    return _Standard(
        position=position,
        measurements=measurements,
        fit=fit,
        order=order,
        sites=_places(xy @ axes.T, standard(features[order]), drift=drift),
        axes=axes,
        standard=standard,
        relative_nugget=1.0 - part + part / measurements.replicates[order],
        value=(g - centre) / spread,
        centre=centre,
        spread=spread,
        measurement_variance=measured / spread**2,
    )


def _places(xy: FloatArray, standard: FloatArray, *, drift: bool) -> Places:
    """Places with standardised features as they are, or as columns of the drift beside the constant."""
    ones = np.ones((len(xy), 1))
    return Places(xy, standard[:, :0], np.hstack([ones, standard])) if drift else Places(xy, standard, ones)


def _together(
    members: tuple[_Standard, ...],
    targets: FloatArray,
    features: Features,
    *,
    families: tuple[Family, ...],
    side_m: float,
    block_points: int,
    short_range_m: float | None,
) -> dict[int, Surface]:
    """Surfaces, by position, of quantities that share points, features and relative nuggets."""
    first = members[0]
    sites, relative = first.sites, first.relative_nugget
    values = np.column_stack([member.value for member in members])
    measured = np.array([member.measurement_variance for member in members])
    with one_linear_algebra_thread():
        points = parameter_points(
            sites,
            values,
            families=families,
            measurement_variance=measured,
            mixes=features.mixes if sites.features.shape[1] else PLACE,
            relative_nugget=relative,
        )
    curvature, slope = np.array([member.unit_curvature for member in members]).T
    block = Block(
        side_m,
        block_points,
        nearest_gap_m(sites.xy @ np.linalg.inv(first.axes).T) * _SHORT_RANGE_OF_GAP
        if short_range_m is None
        else short_range_m,
        measured,
        curvature,
        slope,
        first.axes,
    )
    cells = _places(targets @ first.axes.T, first.standard(features.targets), drift=features.drift)
    said = integrated_blocks(sites, values, cells, points, block, relative_nugget=relative)
    left_out = integrated_leave_one_out(sites, values, points, relative_nugget=relative)
    surfaces = {}
    for q, member in enumerate(members):
        surface = _surface(member, said[q], left_out, q)
        models = _models(member, points, q, short_range_m=block.short_range_m)
        surface = replace(surface, evidence=replace(surface.evidence, models=models))
        if features.names:
            share = (drift_share(points, sites, values) if features.drift else covariate_share(points))[q]
            evidence = replace(surface.evidence, covariates=features.names, covariate_share=float(share))
            surface = replace(surface, evidence=evidence)
        surfaces[member.position] = surface
    return surfaces


def _surface(member: _Standard, said: Distribution, left_out: LeftOut, q: int) -> Surface:
    middle = (left_out.weight[:, :, q] * left_out.centre[:, :, q]).sum(axis=0)
    n = len(member.value)
    from_mean = np.square(member.value * n / (n - 1))
    fit = member.fit
    if fit.structure == "found" and np.square(member.value - middle).sum() > from_mean.sum():
        fit = without_structure(member.measurements, fit, passed=True)
    evidence = gather_evidence(member.measurements, fit, predictive=None)
    surface = Surface(
        quantity=member.measurements.quantity,
        unit=member.measurements.unit,
        transform=fit.transform,
        distribution=said.moved(shift=member.centre, factor=member.spread),
        evidence=evidence,
    )
    return replace(surface, evidence=replace(evidence, cross_validation=_validation(member, surface, left_out, q)))


def _models(
    member: _Standard, points: ParameterPoints, q: int, *, short_range_m: float
) -> tuple[WeighedVariogram, ...]:
    """The parameter points of a quantity as models on its g scale, heaviest first."""
    fitted, scale = member.fit.variogram, member.spread**2
    ratio, azimuth_deg = (1.0, 0.0) if fitted is None else (fitted.ratio, fitted.azimuth_deg)
    models = []
    for row in np.flatnonzero(points.weight[:, q]).tolist():
        signal, share = points.signals[int(points.signal[row])], float(points.nugget_share[row])
        sill = float(points.sill[row, q]) * scale
        error = min(member.measurement_variance * scale, share * sill)
        pattern = (1.0 - share) * signal.place * sill
        model = Variogram(signal.family, signal.range_m, share * sill, pattern, error, ratio, azimuth_deg)
        models.append(WeighedVariogram(float(points.weight[row, q]), model, short_range_m))
    return tuple(sorted(models, key=lambda each: -each.weight))


def _validation(member: _Standard, surface: Surface, left_out: LeftOut, q: int) -> CrossValidation:
    """Leave-one-out under the mixture; what the others say of a reading is a surface of one cell a sample."""
    weight, centre, scale = left_out.weight[:, :, q], left_out.centre[:, :, q], left_out.scale[:, :, q]
    degrees = left_out.degrees
    middle = (weight * centre).sum(axis=0)
    variance = (weight * (np.square(scale) * (degrees / (degrees - 2)) + np.square(centre - middle))).sum(axis=0)
    at_unit_spread = mixture_distribution(weight, centre, scale, degrees=degrees)
    said = replace(surface, distribution=at_unit_spread.moved(shift=member.centre, factor=member.spread))
    g, value = member.centre + member.spread * member.value, member.measurements.value[member.order]
    mean = predictive_mean(surface.transform, member.centre + member.spread * middle, member.spread**2 * variance)
    return CrossValidation(
        mean_error=float((mean - value).mean()),
        rmse=float(np.sqrt(np.square(mean - value).mean())),
        msdr=float((np.square(member.value - middle) / variance).mean()),
        coverage_90=float(((g >= said.g_at_score(-_SCORE_95)) & (g <= said.g_at_score(_SCORE_95))).mean()),
        crps=_crps(said, value),
    )


def _crps(said: Surface, value: FloatArray) -> float:
    """Mean continuous ranked probability score on the measured scale, from quantiles at even probabilities.

    Twice the mean quantile score: Gneiting & Raftery (2007), Journal of the American Statistical Association
    102:359-378, section 4.2 and equation 40 (the equation's number from memory).
    """
    from scipy.special import ndtri

    level = (np.arange(_SCORED_LEVELS) + 0.5) / _SCORED_LEVELS
    total = 0.0
    for probability, score in zip(level.tolist(), np.asarray(ndtri(level)).tolist(), strict=True):
        above = said.transform.backward(np.minimum(said.g_at_score(score), _GREATEST_G[said.transform.name])) - value
        total += float((above * ((above >= 0) - probability)).mean())
    return 2.0 * total / _SCORED_LEVELS
