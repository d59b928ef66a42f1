"""Surfaces from the many points that a sensor logs: fitted to averages, kriged from the nearest points."""

from __future__ import annotations

import dataclasses

import numpy as np

from zonemap.geostat.covariance import block_offsets, in_axes, within_block_variance, without_direction
from zonemap.geostat.evidence import gather_evidence
from zonemap.geostat.fit import Fit, fit_covariances
from zonemap.geostat.flat import flat_surface
from zonemap.geostat.neighbourhood import PointValues, krige_nearby
from zonemap.geostat.scale import TransformChoice
from zonemap.geostat.signal import FamilyChoice, families_of
from zonemap.geostat.student import widening
from zonemap.geostat.thin import average_over_blocks
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.surface import Surface
from zonemap.values.variogram import Variogram


def many_point_block_kriging(
    measurements: tuple[Measurements, ...],
    grid: Grid,
    *,
    family: FamilyChoice = "auto",
    transform: TransformChoice = "auto",
    block_points: int = 4,
    neighbours: int = 32,
    per_quadrant: int = 4,
    structure_level: float = 0.05,
    seed: int = 0,
) -> tuple[Surface, ...]:
    """Mean over each cell from the nearest of the many points that a sensor logs, with what they show of structure.

    Parameters
    ----------
    neighbours, per_quadrant
        k and the least number from each quadrant, see `krige_nearby`.
    family, transform, block_points, structure_level, seed
        See `ordinary_block_kriging`.

    Notes
    -----
    For more points than `ordinary_block_kriging` takes. The covariance is fitted to averages over blocks
    (`average_over_blocks`), 2,000 at most, and what is said of the fit is said of them; the cells are kriged from the
    points, of which those that fall into a square of a cell's side are averaged where there are more than 2,000: k
    averages know far more than k points. Where the averages show no structure the surface is their mean.
    """
    averages = tuple(average_over_blocks(quantity) for quantity in measurements)
    fits = fit_covariances(
        tuple(average for average, _ in averages),
        families=families_of(family),
        transform=transform,
        structure_level=structure_level,
        seed=seed,
    )
    offsets = block_offsets(grid.cell_m, block_points)
    targets = np.column_stack(grid.centres())
    surfaces = []
    for quantity, (average, notes), fit in zip(measurements, averages, fits, strict=True):
        if fit.structure != "found" or fit.variogram is None:
            with one_linear_algebra_thread():
                flat = flat_surface(average, grid, fit)
            surfaces.append(_with_notes(flat, average.count, notes))
            continue
        sites, points = _points(quantity, fit, fit.variogram, side_m=grid.cell_m if notes else None)
        mean, variance = krige_nearby(
            (points,),
            sites,
            in_axes(targets, fit.variogram),
            k=neighbours,
            per_quadrant=per_quadrant,
            offsets=in_axes(offsets, fit.variogram),
        )
        rise = 0.5 * within_block_variance(fit.variogram, offsets) if fit.transform.name == "log" else 0.0
        surface = _kriged_surface(average, fit, mean[0] + rise, variance[0])
        surfaces.append(_with_notes(surface, quantity.count, notes))
    return tuple(surfaces)


def _points(
    quantity: Measurements, fit: Fit, variogram: Variogram, *, side_m: float | None
) -> tuple[FloatArray, PointValues]:
    """Return sites in the axes of the model and g values, in an order of their own; averages over blocks of a side.

    A mean of r values on the g scale has an r-th of their error, which is what the model says of replicates.
    """
    points = dataclasses.replace(quantity, value=fit.transform.forward(quantity.value))
    if side_m is not None:
        points, _ = average_over_blocks(points, side_m=side_m)
    order = np.lexsort((points.northing_m, points.easting_m))
    sites = in_axes(np.column_stack([points.easting_m, points.northing_m])[order], variogram)
    return sites, PointValues(without_direction(variogram), points.value[order], points.replicates[order].astype(float))


def _kriged_surface(average: Measurements, fit: Fit, centre: FloatArray, variance: FloatArray) -> Surface:
    with one_linear_algebra_thread():
        evidence = gather_evidence(average, fit, predictive=fit.variogram)
    return Surface(
        quantity=average.quantity,
        unit=average.unit,
        transform=fit.transform,
        score_coefficients=np.vstack([centre, np.sqrt(variance) * widening(average.count - 1)]),
        evidence=evidence,
    )


def _with_notes(surface: Surface, points: int, notes: tuple[Note, ...]) -> Surface:
    evidence = dataclasses.replace(surface.evidence, samples=points, notes=(*notes, *surface.evidence.notes))
    return dataclasses.replace(surface, evidence=evidence)
