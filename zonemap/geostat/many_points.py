"""Surfaces from the many points that a sensor logs: fitted to averages, kriged from the nearest points."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from zonemap.geostat.covariance import axes_of, block_offsets, in_axes, within_block_variance, without_direction
from zonemap.geostat.evidence import gather_evidence
from zonemap.geostat.fit import Fit, fit_covariances
from zonemap.geostat.flat import flat_surface
from zonemap.geostat.neighbourhood import PointValues, krige_nearby
from zonemap.geostat.regularised import point_variogram
from zonemap.geostat.repeatability import measurement_variance
from zonemap.geostat.scale import TransformChoice, half_variance_rise
from zonemap.geostat.signal import FamilyChoice, families_of
from zonemap.geostat.student import widening
from zonemap.geostat.thin import average_over_blocks, side_for
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.surface import Surface
from zonemap.values.variogram import Variogram

#: With fewer degrees of freedom within blocks averages are all but points, and the variance is not known to a tenth.
_LEAST_DEGREES = 200


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
    family
        ``"auto"`` is exponential where points are averaged.
    transform, block_points, structure_level, seed
        See `ordinary_block_kriging`.

    Notes
    -----
    For more points than `ordinary_block_kriging` takes. The covariance is fitted to averages over blocks
    (`average_over_blocks`), 2,000 at most, and what is said of the fit is said of them; the cells are kriged from the
    points, of which those that fall into a square of a cell's side are averaged where there are more than 2,000: k
    averages know far more than k points. Where the averages show no structure the surface is their mean.

    The fitted model is that of averages; the one of the points, and all of the nugget, follow from what differs within
    the blocks (`point_variogram`). Of the nugget, error is what replicates or the repeatability allow; the rest is in
    the field: it averages out over a cell, but on a log scale it raises the cell's arithmetic mean.
    """
    sides = [side_for(quantity) for quantity in measurements]
    averages = [
        (quantity, ()) if side_m is None else average_over_blocks(quantity, side_m=side_m)
        for quantity, side_m in zip(measurements, sides, strict=True)
    ]
    fits = fit_covariances(
        tuple(average for average, _ in averages),
        # averages look smoother than what they average, so that their likelihood cannot choose a family
        families=families_of("exponential" if family == "auto" and any(sides) else family),
        transform=transform,
        structure_level=structure_level,
        seed=seed,
    )
    chosen = [
        _Averaged(quantity, average, side_m, fit, notes)
        for quantity, side_m, (average, notes), fit in zip(measurements, sides, averages, fits, strict=True)
    ]
    offsets = block_offsets(grid.cell_m, block_points)
    kriged = _kriged(chosen, grid, offsets, neighbours=neighbours, per_quadrant=per_quadrant)
    return tuple(_flat(of, grid) if k not in kriged else kriged[k] for k, of in enumerate(chosen))


@dataclass(frozen=True, slots=True)
class _Averaged:
    """One quantity, its averages over blocks of a side (``None``: the points themselves), and what they say."""

    quantity: Measurements
    average: Measurements
    side_m: float | None
    fit: Fit
    notes: tuple[Note, ...]

    def point_model(self) -> Variogram | None:
        """Return the model of the points; ``None`` where the averages show no structure."""
        if self.fit.structure != "found" or self.fit.variogram is None:
            return None
        degrees = int((self.average.replicates - 1).sum())
        if self.side_m is None or degrees < _LEAST_DEGREES:
            return self.fit.variogram
        return point_variogram(
            self.fit.variogram,
            side_m=self.side_m,
            within_variance=measurement_variance(self.average, self.fit.transform),
            least_nugget=measurement_variance(self.quantity, self.fit.transform),
        )

    def real_model(self, model: Variogram) -> Variogram:
        """Return the model with no more of the nugget called error than replicates or the repeatability allow."""
        error = min(measurement_variance(self.quantity, self.fit.transform), model.measurement_variance)
        return dataclasses.replace(model, measurement_variance=error)


def _flat(of: _Averaged, grid: Grid) -> Surface:
    with one_linear_algebra_thread():
        return said_first(flat_surface(of.average, grid, of.fit), *of.notes)


def _kriged(
    chosen: list[_Averaged], grid: Grid, offsets: FloatArray, *, neighbours: int, per_quadrant: int
) -> dict[int, Surface]:
    """Surfaces, by position, of the quantities with structure; those at the same points share neighbourhoods."""
    together: dict[tuple[bytes, bytes], list[_Points]] = defaultdict(list)
    for k, of in enumerate(chosen):
        model = of.point_model()
        if model is not None:
            side_m = None if of.side_m is None else grid.cell_m
            points = _points(k, of, model, side_m=side_m)
            together[points.sites.tobytes(), axes_of(model).tobytes()].append(points)
    targets = np.column_stack(grid.centres())
    surfaces = {}
    for members in together.values():
        mean, variance = krige_nearby(
            tuple(member.values for member in members),
            members[0].sites,
            in_axes(targets, members[0].model),
            k=neighbours,
            per_quadrant=per_quadrant,
            offsets=in_axes(offsets, members[0].model),
        )
        for member, centre, cell_variance in zip(members, mean, variance, strict=True):
            of = chosen[member.position]
            model = of.real_model(member.model)
            rise = half_variance_rise(of.fit.transform, centre, within_block_variance(model, offsets))
            surfaces[member.position] = _kriged_surface(of, model, centre + rise, cell_variance)
    return surfaces


@dataclass(frozen=True, slots=True)
class _Points:
    """What one quantity is kriged from: sites in the axes of its model, and values in which it has no direction."""

    position: int
    model: Variogram
    sites: FloatArray
    values: PointValues


def _points(position: int, of: _Averaged, model: Variogram, *, side_m: float | None) -> _Points:
    """Return points in an order of their own, averaged on the g scale over blocks of the side if given.

    A mean of r values on the g scale has an r-th of their error, which is what the model says of replicates.
    """
    points = dataclasses.replace(of.quantity, value=of.fit.transform.forward(of.quantity.value))
    if side_m is not None:
        points, _ = average_over_blocks(points, side_m=side_m)
    order = np.lexsort((points.northing_m, points.easting_m))
    sites = in_axes(np.column_stack([points.easting_m, points.northing_m])[order], model)
    values = PointValues(without_direction(model), points.value[order], points.replicates[order].astype(float))
    return _Points(position, model, sites, values)


def _kriged_surface(of: _Averaged, model: Variogram, centre: FloatArray, variance: FloatArray) -> Surface:
    with one_linear_algebra_thread():
        evidence = gather_evidence(of.average, of.fit, predictive=of.fit.variogram)
    surface = Surface(
        quantity=of.quantity.quantity,
        unit=of.quantity.unit,
        transform=of.fit.transform,
        distribution=Distribution.normal(centre, np.sqrt(variance) * widening(of.average.count - 1)),
        evidence=dataclasses.replace(evidence, variogram=model),
    )
    return said_first(surface, *of.notes, samples=of.quantity.count)


def said_first(surface: Surface, *notes: Note, samples: int | None = None) -> Surface:
    """Return the surface with notes before its own, and the number of points it stands on if given."""
    evidence = surface.evidence
    evidence = dataclasses.replace(
        evidence, samples=evidence.samples if samples is None else samples, notes=(*notes, *evidence.notes)
    )
    return dataclasses.replace(surface, evidence=evidence)
