"""The surface method with covariance parameters integrated out: the default where there are few samples."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.covariance import nearest_gap_m
from zonemap.geostat.crossval import predictive_mean
from zonemap.geostat.evidence import gather_evidence
from zonemap.geostat.fit import Fit, fit_covariances
from zonemap.geostat.flat import flat_surface
from zonemap.geostat.integrate import Block, LeftOut, integrated_blocks, integrated_leave_one_out
from zonemap.geostat.kriging import ordinary_block_kriging
from zonemap.geostat.mixture import mixture_series
from zonemap.geostat.parameters import parameter_points
from zonemap.geostat.scale import TransformChoice
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.surface import CrossValidation, Surface
from zonemap.values.variogram import Family

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
    family: Family = "exponential",
    transform: TransformChoice = "auto",
    block_points: int = 4,
    structure_level: float = 0.05,
    short_range_m: float | None = None,
    seed: int = 0,
) -> tuple[Surface, ...]:
    """Mean over each cell of what is in the field, with the uncertainty of range, nugget and sill in it.

    Where the samples show no structure the surface is the field mean; above 400 points it is that of
    `ordinary_block_kriging`.

    Parameters
    ----------
    transform, structure_level, seed
        See `fit_covariances`.
    block_points
        Most points along a side that stand for a cell.
    short_range_m
        Correlation length of the real part of the nugget, m; ``None`` takes a third of the median gap between samples.

    Raises
    ------
    InputError
        When the short range is no positive number of metres, or with more than 3,000 points.

    Notes
    -----
    Measurement error is never in the result. What is left of the nugget is in the field: it stays in a cell that is
    small against its correlation length and averages out over a large one.
    """
    if short_range_m is not None and not (math.isfinite(short_range_m) and short_range_m > 0):
        raise InputError("short_range_m", f"{short_range_m} m is no length", "Give a positive number of metres.")
    many = [k for k, quantity in enumerate(measurements) if quantity.count > MOST_INTEGRATED_POINTS]
    few = [k for k in range(len(measurements)) if k not in many]
    surfaces: dict[int, Surface] = {}
    if many:
        plugged_in = ordinary_block_kriging(
            tuple(measurements[k] for k in many),
            grid,
            family=family,
            transform=transform,
            block_points=block_points,
            structure_level=structure_level,
            seed=seed,
        )
        surfaces.update(zip(many, plugged_in, strict=True))
    chosen = tuple(measurements[k] for k in few)
    fits = fit_covariances(chosen, family=family, transform=transform, structure_level=structure_level, seed=seed)
    groups: dict[tuple[bytes, bytes], list[_Standard]] = defaultdict(list)
    for k, quantity, fit in zip(few, chosen, fits, strict=True):
        if fit.structure != "found" or fit.variogram is None:
            surfaces[k] = flat_surface(quantity, grid, fit)
        else:
            standard = _standard(k, quantity, fit)
            groups[standard.sites.tobytes(), standard.relative_nugget.tobytes()].append(standard)
    targets = np.column_stack(grid.centres())
    for members in groups.values():
        surfaces.update(
            _together(
                tuple(members),
                targets,
                family=family,
                side_m=grid.cell_m,
                block_points=block_points,
                short_range_m=short_range_m,
            )
        )
    return tuple(surfaces[k] for k in range(len(measurements)))


@dataclass(frozen=True, slots=True)
class _Standard:
    """One quantity with structure, on its g scale at unit spread, in an order that its rows do not decide."""

    position: int
    measurements: Measurements
    fit: Fit
    order: IntArray
    sites: FloatArray
    relative_nugget: FloatArray
    value: FloatArray
    centre: float
    spread: float
    measurement_variance: float


def _standard(position: int, measurements: Measurements, fit: Fit) -> _Standard:
    order = np.lexsort((measurements.northing_m, measurements.easting_m))
    sites = np.column_stack([measurements.easting_m, measurements.northing_m])[order]
    g = fit.transform.forward(measurements.value)[order]
    centre, spread = float(g.mean()), float(g.std())
    variogram = fit.variogram
    measured = 0.0 if variogram is None else variogram.measurement_variance
    part = measured / variogram.nugget if variogram is not None and variogram.nugget > 0 else 0.0
    relative = 1.0 - part + part / measurements.replicates[order]
    return _Standard(
        position, measurements, fit, order, sites, relative, (g - centre) / spread, centre, spread, measured / spread**2
    )


def _together(
    members: tuple[_Standard, ...],
    targets: FloatArray,
    *,
    family: Family,
    side_m: float,
    block_points: int,
    short_range_m: float | None,
) -> dict[int, Surface]:
    """Surfaces, by position, of quantities that share points and relative nuggets."""
    sites, relative = members[0].sites, members[0].relative_nugget
    values = np.column_stack([member.value for member in members])
    measured = np.array([member.measurement_variance for member in members])
    with one_linear_algebra_thread():
        points = parameter_points(sites, values, family=family, measurement_variance=measured, relative_nugget=relative)
    block = Block(
        side_m,
        block_points,
        nearest_gap_m(sites) * _SHORT_RANGE_OF_GAP if short_range_m is None else short_range_m,
        measured,
        # on a log scale at unit spread the half variance is raised by the spread itself
        np.array([member.spread if member.fit.transform.name == "log" else 0.0 for member in members]),
    )
    series = integrated_blocks(sites, values, targets, points, block, relative_nugget=relative)
    left_out = integrated_leave_one_out(sites, values, points, relative_nugget=relative)
    return {member.position: _surface(member, series[q], left_out, q) for q, member in enumerate(members)}


def _surface(member: _Standard, series: FloatArray, left_out: LeftOut, q: int) -> Surface:
    evidence = gather_evidence(member.measurements, member.fit, predictive=None)
    surface = Surface(
        quantity=member.measurements.quantity,
        unit=member.measurements.unit,
        transform=member.fit.transform,
        score_coefficients=_measured_scale(member, series),
        evidence=evidence,
    )
    return replace(surface, evidence=replace(evidence, cross_validation=_validation(member, surface, left_out, q)))


def _measured_scale(member: _Standard, series: FloatArray) -> FloatArray:
    """Coefficients on the g scale from those at unit spread."""
    coefficients = series * member.spread
    coefficients[0] += member.centre
    return coefficients


def _validation(member: _Standard, surface: Surface, left_out: LeftOut, q: int) -> CrossValidation:
    """Leave-one-out under the mixture; what the others say of a reading is a surface of one cell a sample."""
    weight, centre, scale = left_out.weight[:, :, q], left_out.centre[:, :, q], left_out.scale[:, :, q]
    degrees = len(member.value) - 2
    middle = (weight * centre).sum(axis=0)
    variance = (weight * (np.square(scale) * (degrees / (degrees - 2)) + np.square(centre - middle))).sum(axis=0)
    said = replace(
        surface, score_coefficients=_measured_scale(member, mixture_series(weight, centre, scale, degrees=degrees))
    )
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
