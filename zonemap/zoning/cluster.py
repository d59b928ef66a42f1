"""Cells grouped by their features."""

from __future__ import annotations

import numpy as np

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.zones import Features, Zones

#: independent starts of k-means, of which the tightest grouping is kept
_STARTS = 10


def whole_field(features: Features, cell_area_ha: FloatArray, *, count: int = 1) -> Zones:  # noqa: ARG001
    """Make one zone of all cells, however many are asked for and whatever they are like."""
    return Zones.whole(cell_area_ha.size)


def k_means(features: Features, cell_area_ha: FloatArray, *, count: int, seed: int = 0, sample: int = 4000) -> Zones:
    """Group cells so that the area-weighted squared distance to their zone's mean is small.

    Parameters
    ----------
    cell_area_ha
        (cells,) weight of each cell.
    count
        Zones asked for; fewer come out where fewer rows of `features` are distinct.
    seed
        Of the starts and of the choice of cells.
    sample
        Centres are fitted to at most this many cells; all cells are then given to the nearest centre.

    Returns
    -------
    Zones
        The same for any number of threads. Numbers are provisional: zones are ordered by their centre, first feature
        first.

    Raises
    ------
    InputError
        When `count` is less than one.

    References
    ----------
    Arthur & Vassilvitskii 2007, k-means++: the advantages of careful seeding, SODA 2007 (the starts); Lloyd 1982,
    Least squares quantization in PCM, IEEE Trans. Inf. Theory 28:129-137 (the iteration).
    """
    centres = centres_of(features, cell_area_ha, count=count, seed=seed, sample=sample)
    if len(centres) == 1:
        return Zones.whole(len(features.value))
    return Zones.closed_up(nearest_centre(features.value, centres))


def centres_of(features: Features, cell_area_ha: FloatArray, *, count: int, seed: int, sample: int) -> FloatArray:
    """(zones, features) centres that k-means finds, fewer than `count` where fewer rows are distinct.

    Raises
    ------
    InputError
        When `count` is less than one.
    """
    if count < 1:
        raise InputError("zones, count", f"{count} zones cannot be made", "Ask for 1 zone or more.")
    chosen = chosen_cells(len(features.value), seed=seed, sample=sample)
    value, weight = features.value[chosen], cell_area_ha[chosen]
    distinct = len(np.unique(value, axis=0)) if features.name else 1
    if min(count, distinct) == 1:
        return np.average(value, axis=0, weights=weight)[None]
    return _centres(value, weight, count=min(count, distinct), seed=seed)


def renumber(zones: Zones, by: FloatArray, cell_area_ha: FloatArray) -> Zones:
    """Order zones by rising area-weighted mean of `by` (a cell vector); equal means keep their order.

    >>> renumber(Zones(np.array([1, 2, 2])), np.array([9.0, 1.0, 2.0]), np.ones(3)).number
    array([2, 1, 1])
    """
    label = zones.number - 1
    mean = np.bincount(label, weights=by * cell_area_ha) / np.bincount(label, weights=cell_area_ha)
    rank = np.empty(zones.count, dtype=np.int64)
    rank[np.argsort(mean, kind="stable")] = np.arange(1, zones.count + 1)
    return Zones(rank[label])


def chosen_cells(cells: int, *, seed: int, sample: int) -> IntArray:
    """At most `sample` cells, drawn without replacement, in their order."""
    if cells <= sample:
        return np.arange(cells, dtype=np.int64)
    drawn = np.random.default_rng(seed).choice(cells, size=sample, replace=False)
    return np.asarray(np.sort(drawn), dtype=np.int64)


def _centres(value: FloatArray, weight: FloatArray, *, count: int, seed: int) -> FloatArray:
    """(zones, features) centres of the tightest of several starts, sorted by their coordinates."""
    from sklearn.cluster import KMeans
    from threadpoolctl import threadpool_limits

    # One thread: sums of several threads come in any order, and on cores that others use too, threads that wait for one
    # another were seen to take forty times as long.
    with threadpool_limits(limits=1):
        fitted = KMeans(count, n_init=_STARTS, tol=0.0, random_state=seed).fit(value, sample_weight=weight)
    centres = np.asarray(fitted.cluster_centers_, dtype=np.float64)
    return centres[np.lexsort(centres.T[::-1])]


def nearest_centre(value: FloatArray, centres: FloatArray) -> IntArray:
    """Position of the nearest centre for every cell, the first of equals."""
    # feature by feature: sums along rows of a few numbers take many times as long
    column, position = np.ascontiguousarray(value.T), np.zeros(len(value), dtype=np.int64)
    least = np.full(len(value), np.inf)
    for number, centre in enumerate(centres):
        distance = np.square(column - centre[:, None]).sum(axis=0)
        position[distance < least] = number
        np.minimum(least, distance, out=least)
    return position
