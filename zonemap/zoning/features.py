"""What cells are grouped by: the surfaces on one common scale."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray
from zonemap.values.surface import Surface
from zonemap.values.zones import Features

#: medians that differ by less than this share of their size or spread are rounding, not structure
_ROUNDING = 1e-9


def supply_features(
    surfaces: Mapping[str, Surface], *, weights: Mapping[str, float], cell_area_ha: FloatArray | None = None
) -> Features:
    """Median of every quantity on its transformed scale, standardised over the cells, times its weight.

    Parameters
    ----------
    surfaces
        quantity -> surface, all over the same cells.
    weights
        quantity -> weight, 0 or more; a quantity that is not named weighs 0.
    cell_area_ha
        (cells,) area by which cells count in mean and standard deviation; ``None`` counts all alike.

    Returns
    -------
    Features
        One column a quantity, in the order of `surfaces`; quantities of weight 0 and constant ones are left out, so
        that there may be no column at all.

    Raises
    ------
    InputError
        When there is no surface, or a weight is negative or not a number.
    """
    if not surfaces:
        raise InputError("zones", "there is no surface to group cells by", "Name at least one measured quantity.")
    _check(weights)
    columns = {}
    for quantity, surface in surfaces.items():
        median = surface.g_at_score(0.0)
        weight = weights.get(quantity, 0.0)
        if weight > 0 and not _constant(median, surface.spread()):
            columns[quantity] = weight * _standardised(median, cell_area_ha)
    cells = next(iter(surfaces.values())).cells
    return Features(tuple(columns), np.column_stack(list(columns.values())) if columns else np.empty((cells, 0)))


def supply_and_covariates(
    surfaces: Mapping[str, Surface],
    *,
    weights: Mapping[str, float],
    covariates: Mapping[str, FloatArray],
    covariate_weight: float = 0.5,
) -> Features:
    """Columns of `supply_features`, and the covariates beside them, all alike in weight.

    Parameters
    ----------
    covariates
        name -> cell vector, finite; constant ones are left out.
    covariate_weight
        What all covariates weigh together, as a share of what the quantities weigh together (squared weights are
        compared, since distances are squared).

    Raises
    ------
    InputError
        As `supply_features`; and when the share is negative or not a number.
    """
    if not (math.isfinite(covariate_weight) and covariate_weight >= 0):
        what = f"{covariate_weight:g} is not a weight"
        raise InputError("pipeline, features.covariate_weight", what, "Write 0 or more.")
    supply = supply_features(surfaces, weights=weights)
    varying = {name: value for name, value in covariates.items() if np.ptp(value) > _ROUNDING * np.abs(value).max()}
    if not varying or covariate_weight == 0:
        return supply
    total = math.sqrt(sum(weights.get(name, 0.0) ** 2 for name in supply.name)) or 1.0
    each = total * math.sqrt(covariate_weight / len(varying))
    columns = [each * _standardised(value, None) for value in varying.values()]
    names = tuple(f"covariate {name}" for name in varying)
    return Features((*supply.name, *names), np.column_stack([supply.value, *columns]))


def _check(weights: Mapping[str, float]) -> None:
    for quantity, weight in weights.items():
        if not (math.isfinite(weight) and weight >= 0):
            raise InputError(f"zones, weight of {quantity}", f"{weight:g} is not a weight", "Write 0 or more.")


def _constant(median: FloatArray, spread: FloatArray) -> bool:
    """Whether medians differ by no more than rounding, seen against their size and the spread of one cell."""
    return bool(np.ptp(median) <= _ROUNDING * max(np.abs(median).max(), np.abs(spread).max()))


def _standardised(value: FloatArray, cell_area_ha: FloatArray | None) -> FloatArray:
    """Mean 0 and standard deviation 1 over the cells."""
    from_mean = value - np.average(value, weights=cell_area_ha)
    return from_mean / math.sqrt(np.average(from_mean**2, weights=cell_area_ha))
