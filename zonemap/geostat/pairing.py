"""Which places of two sets of samples belong together."""

from __future__ import annotations

import math

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.comparison import Pairs
from zonemap.values.samples import Measurements

#: places nearer than this share of the usual spacing are one place (our choice): two of them cannot be mistaken
_SHARE_OF_SPACING = 1 / 3


def spacing_m(measurements: Measurements) -> float:
    """Median distance from a place to its nearest neighbour, m; infinite with fewer than two places."""
    from scipy.spatial import cKDTree

    if measurements.count < 2:
        return math.inf
    sites = _sites(measurements)
    distance, _ = cKDTree(sites).query(sites, k=[2])
    return float(np.median(distance))


def default_distance_m(first: Measurements, second: Measurements) -> float:
    """Distance up to which two places are one: a third of the spacing of the denser set; 10 m where neither has one."""
    spacing = min(spacing_m(first), spacing_m(second))
    return spacing * _SHARE_OF_SPACING if math.isfinite(spacing) else 10.0


def pair_places(first: Measurements, second: Measurements, *, within_m: float) -> Pairs:
    """Pair places of two sets, each in one pair at most: those of one name first, then the nearest.

    Parameters
    ----------
    within_m
        Places further apart are never paired, whatever their names.

    Returns
    -------
    Pairs
        In the order of the first set.
    """
    from scipy.spatial import cKDTree

    one, other = _sites(first), _sites(second)
    near = cKDTree(one).sparse_distance_matrix(cKDTree(other), within_m, output_type="ndarray")
    candidates = sorted(
        (first.sample[i] != second.sample[j], float(distance), int(i), int(j))
        for i, j, distance in zip(near["i"], near["j"], near["v"], strict=True)
    )
    partner: dict[int, tuple[int, float]] = {}
    taken: set[int] = set()
    for _, distance, i, j in candidates:
        if i not in partner and j not in taken:
            partner[i] = (j, distance)
            taken.add(j)
    order = sorted(partner)
    return Pairs(
        np.array(order, dtype=np.int64),
        np.array([partner[i][0] for i in order], dtype=np.int64),
        np.array([partner[i][1] for i in order], dtype=np.float64),
    )


def _sites(measurements: Measurements) -> FloatArray:
    return np.column_stack([measurements.easting_m, measurements.northing_m])
