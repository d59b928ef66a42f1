"""Are the zones real: do neighbours differ by more than the surfaces are unsure, and would cells stay in their zone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.grid import Grid
from zonemap.values.surface import Surface
from zonemap.values.zones import Features, Zones
from zonemap.zoning.cluster import nearest_centre
from zonemap.zoning.workable import neighbours

#: places of two areas, (places, 2) each -> variance of the error of the difference of their means
DifferenceVariance: TypeAlias = Callable[[FloatArray, FloatArray], float]
#: cells that stand for a zone
_PLACES = 80
#: two-sided 95 % of a normal distribution
_SCORE = 1.96


def touching(zones: Zones, grid: Grid) -> tuple[tuple[int, int], ...]:
    """Pairs of zones, lower number first, that share a side of a cell, sorted."""
    beside = enumerate(neighbours(grid.raster(zones.number, outside=0)), start=1)
    return tuple((one, other + 1) for one, others in beside for other in sorted(others) if one <= other)


def alike(
    zones: Zones,
    grid: Grid,
    surfaces: Mapping[str, Surface],
    difference_variance: Mapping[str, DifferenceVariance],
    *,
    score: float = _SCORE,
) -> tuple[tuple[int, int], ...]:
    """Pairs of touching zones whose means no quantity tells apart.

    Two zones differ in a quantity where single cells of theirs do: their means are at least ``score sqrt(2 v)`` apart,
    v the mean prediction variance of their cells; or else where their means do: ``score`` standard errors of the
    difference apart.

    Parameters
    ----------
    difference_variance
        quantity -> variance of the error of the difference of two areas' means, given their places, on the transformed
        scale; a quantity without one is judged by its single cells alone.

    References
    ----------
    Whelan & McBratney 2003, Definition and interpretation of potential management zones in Australia, Proc. 11th
    Australian Agronomy Conference, Geelong: single cells. Their test asks more than a zone's rate needs, which answers
    to the zone's mean.
    """
    told_apart: set[tuple[int, int]] = set()
    pairs = touching(zones, grid)
    for quantity, surface in surfaces.items():
        mean, variance = _zone_moments(zones, grid, surface)
        error = difference_variance.get(quantity)
        for one, other in pairs:
            apart = abs(mean[one - 1] - mean[other - 1])
            cells = math.sqrt(variance[one - 1] + variance[other - 1])
            if (one, other) not in told_apart and (
                apart >= score * cells
                or (error is not None and apart >= score * math.sqrt(error(*_places(zones, grid, one, other))))
            ):
                told_apart.add((one, other))
    return tuple(pair for pair in pairs if pair not in told_apart)


def _zone_moments(zones: Zones, grid: Grid, surface: Surface) -> tuple[FloatArray, FloatArray]:
    """(zones,) mean of the surface, and mean prediction variance of the cells, on the transformed scale."""
    index, area = zones.number - 1, grid.cell_area_ha
    of_zone = np.bincount(index, weights=area)
    mean = np.bincount(index, weights=area * surface.centre()) / of_zone
    return mean, np.bincount(index, weights=area * np.square(surface.spread())) / of_zone


def _places(zones: Zones, grid: Grid, *numbers: int) -> tuple[FloatArray, ...]:
    """(places, 2) centres of cells that stand for each zone, evenly taken."""
    centres = np.column_stack(grid.centres())
    found = []
    for number in numbers:
        members = np.flatnonzero(zones.number == number)
        found.append(centres[members[:: max(members.size // _PLACES, 1)]])
    return tuple(found)


def share_that_stays(
    zones: Zones,
    surfaces: Sequence[Surface | None],
    features: Features,
    cell_area_ha: FloatArray,
    *,
    draws: int = 64,
    seed: int = 0,
) -> FloatArray:
    """Share of draws of the surfaces in which each cell is most like the zone it is in.

    Every draw takes one value of every quantity from each cell's distribution and compares it, on the scale of the
    features, with the mean features of the zones. What a cell's share tells does not depend on how draws of different
    cells go together, so that all cells share the same normal scores, evenly spread over all quantities.

    Parameters
    ----------
    surfaces
        (features) the surface behind each column of `features`, which is linear in its median; ``None`` for a column
        that is known without error.
    draws
        A power of two.

    Returns
    -------
    FloatArray
        (cells,) 0 to 1.
    """
    from scipy.special import ndtri
    from scipy.stats.qmc import Sobol

    index = zones.number - 1
    of_zone = np.bincount(index, weights=cell_area_ha)
    centres = np.stack(
        [np.bincount(index, weights=cell_area_ha * column) / of_zone for column in features.value.T], axis=1
    )
    scores = ndtri(Sobol(len(surfaces), seed=seed).random(draws))
    errors = [
        None if surface is None else _error(surface, column)
        for surface, column in zip(surfaces, features.value.T, strict=True)
    ]
    stays = np.zeros(index.size)
    for score in scores:
        drawn = [
            column if error is None else column + error[0] + z * error[1]
            for column, error, z in zip(features.value.T, errors, score, strict=True)
        ]
        stays += nearest_centre(np.stack(drawn).T, centres) == index
    return stays / draws


def _error(surface: Surface, column: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean error and standard deviation of a column of features, a + b times the surface's median."""
    median = surface.g_at_score(0.0)
    # b from the extremes
    factor = np.ptp(column) / max(float(np.ptp(median)), float(np.finfo(float).tiny))
    return factor * (surface.centre() - median), factor * surface.spread()
