"""Kriging with an external drift: a straight line in every covariate, without shrinkage, and place for what is left.

Universal kriging whose trend functions are covariates (Matheron 1969; Wackernagel 2003, Multivariate Geostatistics, 3rd
ed., chapter on external drift; both from memory). Covariance parameters are integrated out as in
`zonemap.geostat.integrated`, and the lines' coefficients with them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.fit import LEAST_POINTS
from zonemap.geostat.integrated import MOST_INTEGRATED_POINTS, Features, features_of, integrated_surfaces
from zonemap.geostat.many_points import said_first
from zonemap.geostat.scale import TransformChoice
from zonemap.geostat.signal import FamilyChoice, Standard
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.covariate import Covariate, RasterCovariate
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.surface import Surface

_METHOD = "external_drift_kriging"
_INSTEAD = "integrated_block_kriging"
#: A logged covariate covers a sample within so many median gaps of its points, or within this share of their diagonal:
#: passes lie many points apart. A choice, the one by which the reader warns of a field that points do not reach.
_GAPS, _SHARE_OF_DIAGONAL = 5.0, 0.05
#: Standardised covariates whose least singular value is below this share of the greatest say the same thing twice.
_SAME = 1e-6


def external_drift_kriging(
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
    """Mean over each cell of what is in the field, its trend a straight line in every covariate.

    Choose it where the covariate is known to drive the nutrient in a straight line; where it may tell nothing,
    `integrated_block_kriging` weighs it and loses less.

    Parameters
    ----------
    covariates
        At least one; (p,) lines and a constant are fitted by generalised least squares on the transform's scale.
    family, transform, block_points, structure_level, short_range_m, seed
        As for `integrated_block_kriging`. The test of structure counts the covariates' pattern as structure.

    Raises
    ------
    InputError
        No covariate; one that is the same at all samples, does not reach a sample, or says what others say; fewer
        samples than 8 and one a covariate (under 8 there is no map in any case); more than 400.

    Notes
    -----
    Beyond the sampled values by more than a quarter of their span a covariate counts as that far, and a note says so.
    """
    if not covariates:
        mend = f"Add a [[covariate]] to field.toml, or use {_INSTEAD} under [surface] of the pipeline."
        raise InputError(_METHOD, "there is no covariate to be the drift", mend)
    for quantity in measurements:
        _refuse_uncovered(quantity, covariates)
    beside = features_of(measurements, grid, covariates)
    for quantity, raw in zip(measurements, beside.sites, strict=True):
        _refuse_useless(quantity, raw, beside.names)
    surfaces = integrated_surfaces(
        measurements,
        grid,
        replace(beside, drift=True),
        family=family,
        transform=transform,
        block_points=block_points,
        structure_level=structure_level,
        short_range_m=short_range_m,
        seed=seed,
    )
    return tuple(
        said_first(surface, *_notes(surface, raw, beside)) for surface, raw in zip(surfaces, beside.sites, strict=True)
    )


def _refuse_uncovered(quantity: Measurements, covariates: Sequence[Covariate]) -> None:
    places = np.column_stack([quantity.easting_m, quantity.northing_m])
    for covariate in covariates:
        away = np.flatnonzero(~_covered(covariate, places))
        if away.size:
            sample = quantity.sample[int(away[0])]
            what = f"it does not cover sample {sample} of {quantity.quantity}"
            what += f" and {away.size - 1} more" if away.size > 1 else ""
            mend = f"Give a file that covers every sample, or use {_INSTEAD} under [surface] of the pipeline."
            raise InputError(f"covariate '{covariate.name}'", what, mend)


def _covered(covariate: Covariate, places: FloatArray) -> BoolArray:
    """(n,) whether a raster lies under a place, or logged points near it."""
    from scipy.spatial import cKDTree

    if isinstance(covariate, RasterCovariate):
        rows, columns = covariate.value.shape
        column = (places[:, 0] - covariate.west_m) / covariate.cell_m
        row = (covariate.north_m - places[:, 1]) / covariate.cell_m
        return np.asarray((column >= 0) & (column <= columns) & (row >= 0) & (row <= rows))
    logged = np.unique(np.column_stack([covariate.easting_m, covariate.northing_m]), axis=0)
    tree = cKDTree(logged)
    gap_m = float(np.median(np.asarray(tree.query(logged, 2)[0])[:, 1])) if len(logged) > 1 else 0.0
    reach_m = max(_GAPS * gap_m, _SHARE_OF_DIAGONAL * float(np.hypot(*np.ptp(logged, axis=0))))
    return np.asarray(tree.query(places)[0] <= reach_m)


def _refuse_useless(quantity: Measurements, raw: FloatArray, names: Sequence[str]) -> None:
    """Refuse covariates that carry no line: constant, the same as others, or too many for the samples."""
    if quantity.count > MOST_INTEGRATED_POINTS:
        what = f"{quantity.count:,} samples are more than the {MOST_INTEGRATED_POINTS} this method takes"
        raise InputError(f"{_METHOD}, {quantity.quantity}", what, f"Use {_INSTEAD} under [surface] of the pipeline.")
    if quantity.count < LEAST_POINTS:
        return  # no map is made, whatever is known beside
    kept = Standard.of(raw).kept.tolist()
    constant = [name for k, name in enumerate(names) if k not in kept]
    if constant:
        what = f"it is the same at all {quantity.count} samples of {quantity.quantity}, so no line can be drawn"
        raise InputError(f"covariate '{constant[0]}'", what, f"Leave it out, or use {_INSTEAD}.")
    least = LEAST_POINTS + len(names)
    if quantity.count < least:
        what = f"{quantity.count} samples are too few for a line in {len(names)} covariates, which takes {least}"
        raise InputError(f"{_METHOD}, {quantity.quantity}", what, f"Leave covariates out, or use {_INSTEAD}.")
    size = np.linalg.svd(Standard.of(raw)(raw), compute_uv=False)
    if size[-1] <= _SAME * size[0]:
        what = f"one of {', '.join(names)} follows from the others at the samples of {quantity.quantity}"
        raise InputError(_METHOD, what, "Leave one of them out.")


def _notes(surface: Surface, raw: FloatArray, beside: Features) -> Iterator[Note]:
    if surface.evidence.variogram is None:
        return
    names = " and ".join(beside.names)
    scale = {"none": "", "log": " in its logarithm", "box_cox": " on a Box-Cox scale"}[surface.transform.name]
    said = f"{surface.quantity}: taken to follow {names} in a straight line{scale}, as this pipeline asks."
    yield Note("warning", said)
    standard = Standard.of(raw)
    for k, name in enumerate(beside.names):
        beyond = float(np.mean((beside.targets[:, k] < raw[:, k].min()) | (beside.targets[:, k] > raw[:, k].max())))
        far = np.any((beside.targets[:, k] < standard.least[k]) | (beside.targets[:, k] > standard.most[k]))
        if far:
            text = (
                f"{surface.quantity}: {beyond:.0%} of the field has {name} outside what was sampled, some by more than "
                "a quarter of the sampled span, where the line is held level. Sample there before trusting it."
            )
            yield Note("warning", text)
