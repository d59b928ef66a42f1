"""Surface methods: kriging and the field mean. Each takes all quantities; those sampled together share the work."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.covariance import (
    CORRELATIONS,
    axes_of,
    block_offsets,
    in_axes,
    within_block_variance,
    without_direction,
)
from zonemap.geostat.evidence import gather_evidence
from zonemap.geostat.fit import LEAST_POINTS, Fit, fit_covariances
from zonemap.geostat.flat import flat_surface
from zonemap.geostat.many_points import many_point_block_kriging, said_first
from zonemap.geostat.scale import TransformChoice, default_transform, half_variance_rise
from zonemap.geostat.signal import FamilyChoice, families_of
from zonemap.geostat.student import widening
from zonemap.geostat.system import krige, kriging_system
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.surface import Structure, Surface
from zonemap.values.variogram import Variogram

#: One neighbourhood of all points is factored: with more this would take minutes and gigabytes.
MOST_POINTS = 3_000

#: Targets handed to PyKrige at a time: its arrays hold (points, targets) several times over.
_TARGETS_AT_A_TIME = 4_000


def ordinary_block_kriging(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    *,
    family: FamilyChoice = "auto",
    transform: TransformChoice = "auto",
    block_points: int = 4,
    structure_level: float = 0.05,
    seed: int = 0,
) -> tuple[Surface, ...]:
    """Mean over each cell of what is in the field, where the samples show structure; the field mean where they do not.

    A quantity with more than 3,000 points is kriged from the nearest of them, as `many_point_block_kriging` does, and
    its surface says so.

    Parameters
    ----------
    family
        ``"auto"`` takes the likelier of exponential (rough) and Matern 3/2 (smooth).
    transform, structure_level, seed
        See `fit_covariances`.
    block_points
        Points along a side that stand for a cell. A cell on the boundary counts as a whole square.

    Notes
    -----
    Measurement error is filtered out and short-range variation averages out over the cell. On a log scale the result
    is the distribution of the cell's *arithmetic* mean: with D2 the variance of point values within a cell, real
    short-range variation included, the centre is raised by D2 / 2, and block means are log-normal as point values are
    ("permanence of lognormality": Journel & Huijbregts 1978, Mining Geostatistics, section VI.B.2; from memory).
    Because the sill was estimated, the standard deviation is that of the normal with the central 90 % interval of
    Student's t with n - 1 degrees of freedom.
    """
    many = [k for k, quantity in enumerate(measurements) if quantity.count > MOST_POINTS]
    few = [k for k in range(len(measurements)) if k not in many]
    surfaces: dict[int, Surface] = {}
    for method, members in ((_kriged_together, few), (_kriged_nearby, many)):
        chosen = method(
            tuple(measurements[k] for k in members),
            grid,
            family=family,
            transform=transform,
            block_points=block_points,
            structure_level=structure_level,
            seed=seed,
        )
        surfaces.update(zip(members, chosen, strict=True))
    return tuple(surfaces[k] for k in range(len(measurements)))


def _kriged_together(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    *,
    family: FamilyChoice,
    transform: TransformChoice,
    block_points: int,
    structure_level: float,
    seed: int,
) -> tuple[Surface, ...]:
    """Surfaces of quantities whose points are few enough for one neighbourhood."""
    fits = fit_covariances(
        measurements, families=families_of(family), transform=transform, structure_level=structure_level, seed=seed
    )
    offsets = block_offsets(grid.cell_m, block_points)
    targets = np.column_stack(grid.centres())
    surfaces = _flat_surfaces(measurements, grid, fits)
    models = {k: fit.variogram for k, fit in enumerate(fits) if k not in surfaces and fit.variogram is not None}
    for members in _sampled_together(measurements, models):
        # the members share a direction: in its axes their models have none
        first = models[members[0]]
        sites = in_axes(_sites(measurements[members[0]]), first)
        systems = tuple(
            kriging_system(
                sites,
                _g(measurements[k], fits[k]),
                without_direction(models[k]),
                replicates=measurements[k].replicates,
            )
            for k in members
        )
        mean, variance = krige(systems, sites, in_axes(targets, first), offsets=in_axes(offsets, first))
        for k, centre, cell_variance in zip(members, mean, variance, strict=True):
            rise = half_variance_rise(fits[k].transform, centre, within_block_variance(models[k], offsets))
            surfaces[k] = _kriged_surface(measurements[k], fits[k], centre + rise, cell_variance)
    return tuple(surfaces[k] for k in range(len(measurements)))


def _kriged_nearby(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    *,
    family: FamilyChoice,
    transform: TransformChoice,
    block_points: int,
    structure_level: float,
    seed: int,
) -> tuple[Surface, ...]:
    """Surfaces of quantities with many points, each with a note of what was done instead."""
    surfaces = many_point_block_kriging(
        measurements,
        grid,
        family=family,
        transform=transform,
        block_points=block_points,
        structure_level=structure_level,
        seed=seed,
    )
    return tuple(
        said_first(surface, Note("warning", _many_text(quantity)))
        for quantity, surface in zip(measurements, surfaces, strict=True)
    )


def _many_text(quantity: Measurements) -> str:
    return (
        f"{quantity.quantity}: {quantity.count:,} points are more than the {MOST_POINTS:,} that are kriged together; "
        "many_point_block_kriging took its place. Name it under [surface] of a pipeline to set its neighbourhood."
    )


def ordinary_point_kriging(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    *,
    family: FamilyChoice = "auto",
    transform: TransformChoice = "auto",
    structure_level: float = 0.05,
    seed: int = 0,
) -> tuple[Surface, ...]:
    """Value at each cell's centre, kriged by PyKrige with the same fit as `ordinary_block_kriging`.

    Raises
    ------
    InputError
        With more than 3,000 points.

    Notes
    -----
    PyKrige predicts what a new sample would read: its variance holds the whole nugget. Here the measurement part is
    taken off again, so that the distribution is that of the true value at the point, short-range variation included.
    It knows one nugget for all samples: averages of replicate rows count as plain samples. Where a cell centre falls on
    a sample, that sample's nugget is not shared.
    """
    fits = _fits(measurements, family=family, transform=transform, structure_level=structure_level, seed=seed)
    surfaces = _flat_surfaces(measurements, grid, fits)
    targets = np.column_stack(grid.centres())
    for k, (quantity, fit) in enumerate(zip(measurements, fits, strict=True)):
        if k in surfaces or fit.variogram is None:
            continue
        with one_linear_algebra_thread():
            sites, model = in_axes(_sites(quantity), fit.variogram), without_direction(fit.variogram)
            mean, variance = pykrige_points(sites, _g(quantity, fit), model, in_axes(targets, fit.variogram))
        real = np.maximum(variance - fit.variogram.measurement_variance, 0.0)
        surfaces[k] = _kriged_surface(quantity, fit, mean, real)
    return tuple(surfaces[k] for k in range(len(measurements)))


def pykrige_points(
    sites: FloatArray, value: FloatArray, variogram: Variogram, targets: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Ordinary kriging by PyKrige at (m, 2) targets: prediction and variance, both (m,), the nugget in the variance.

    PyKrige inverts a matrix of semivariances and ones, so it is given values with a sill of 1, whatever their unit.
    """
    from pykrige.ok import OrdinaryKriging

    def semivariance(parameters: list[float], lag_m: FloatArray) -> FloatArray:
        range_m, nugget, partial_sill = parameters
        return np.asarray(nugget + partial_sill * (1.0 - CORRELATIONS[variogram.family](lag_m / range_m)))

    kriging = OrdinaryKriging(
        sites[:, 0],
        sites[:, 1],
        value / np.sqrt(variogram.sill),
        variogram_model="custom",
        variogram_parameters=[variogram.range_m, variogram.nugget_ratio, 1.0 - variogram.nugget_ratio],
        variogram_function=semivariance,
        exact_values=False,
    )
    parts = [
        kriging.execute("points", *targets[start : start + _TARGETS_AT_A_TIME].T, backend="vectorized")
        for start in range(0, len(targets), _TARGETS_AT_A_TIME)
    ]
    mean, variance = (np.concatenate([np.asarray(part[k]) for part in parts]) for k in (0, 1))
    return mean * np.sqrt(variogram.sill), variance * variogram.sill


def field_mean(
    measurements: tuple[Measurements, ...], grid: Grid, *, transform: TransformChoice = "auto"
) -> tuple[Surface, ...]:
    """Return the mean of each quantity everywhere, with the variance a cell has about it; structure is not asked for.

    Parameters
    ----------
    transform
        ``"auto"`` and ``"log"`` take logarithms where all values are positive.
    """
    return tuple(flat_surface(quantity, grid, _unasked(quantity, transform)) for quantity in measurements)


def single_value(measurements: tuple[Measurements, ...], grid: Grid) -> tuple[Surface, ...]:
    """One composite sample a field: its value everywhere, as sure as it is repeatable.

    Raises
    ------
    InputError
        When a quantity was sampled at several places.
    """
    for quantity in measurements:
        if quantity.count != 1:
            raise InputError(
                quantity.quantity,
                f"{quantity.count} sampled places are not one composite sample",
                "Use field_mean or ordinary_block_kriging.",
            )
    return field_mean(measurements, grid)


def _fits(
    measurements: tuple[Measurements, ...],
    *,
    family: FamilyChoice,
    transform: TransformChoice,
    structure_level: float,
    seed: int,
) -> tuple[Fit, ...]:
    for quantity in measurements:
        if quantity.count > MOST_POINTS:
            raise InputError(
                quantity.quantity,
                f"{quantity.count:,} points are more than the {MOST_POINTS:,} that are kriged together",
                "Use ordinary_block_kriging or many_point_block_kriging under [surface] of a pipeline.",
            )
    return fit_covariances(
        measurements, families=families_of(family), transform=transform, structure_level=structure_level, seed=seed
    )


def _flat_surfaces(measurements: tuple[Measurements, ...], grid: Grid, fits: tuple[Fit, ...]) -> dict[int, Surface]:
    """Surfaces, by position, of the quantities that no map is made of."""
    pairs = enumerate(zip(measurements, fits, strict=True))
    return {k: flat_surface(quantity, grid, fit) for k, (quantity, fit) in pairs if fit.structure != "found"}


def _sampled_together(measurements: tuple[Measurements, ...], models: dict[int, Variogram]) -> tuple[list[int], ...]:
    """Positions of the quantities with a model, grouped by identical points and directions."""
    groups: dict[tuple[bytes, bytes], list[int]] = defaultdict(list)
    for k, model in models.items():
        groups[_sites(measurements[k]).tobytes(), axes_of(model).tobytes()].append(k)
    return tuple(groups.values())


def _sites(measurements: Measurements) -> FloatArray:
    return np.column_stack([measurements.easting_m, measurements.northing_m])


def _g(measurements: Measurements, fit: Fit) -> FloatArray:
    return fit.transform.forward(measurements.value)


def _kriged_surface(measurements: Measurements, fit: Fit, centre: FloatArray, variance: FloatArray) -> Surface:
    deviation = np.sqrt(variance) * widening(measurements.count - 1)
    return Surface(
        quantity=measurements.quantity,
        unit=measurements.unit,
        transform=fit.transform,
        distribution=Distribution.normal(centre, deviation),
        evidence=gather_evidence(measurements, fit, predictive=fit.variogram),
    )


def _unasked(measurements: Measurements, transform: TransformChoice) -> Fit:
    name, n = measurements.quantity, measurements.count
    if n == 1:
        text = f"{name}: one sample says nothing about differences within the field; only its repeatability is shown."
    else:
        text = f"{name}: the surface is the mean of {n} samples; whether they show structure was not asked."
    structure: Structure = "too_few" if n < LEAST_POINTS else "not_found"
    return Fit(default_transform(measurements, transform), structure, math.nan, None, (Note("warning", text),))
