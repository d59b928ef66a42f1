"""Cells that belong to several zones, each to a degree, and how fuzzy a grouping is."""

from __future__ import annotations

import math

import numpy as np

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray
from zonemap.values.zones import Features, Memberships
from zonemap.zoning.cluster import centres_of, chosen_cells

_MOST_STEPS = 500
#: centres are found when none moves by more than this share of the features' spread
_TOLERANCE = 1e-10


def fuzzy_c_means(
    features: Features,
    cell_area_ha: FloatArray,
    *,
    count: int,
    fuzzifier: float = 1.5,
    seed: int = 0,
    sample: int = 4000,
) -> Memberships:
    """Grade every cell's membership in `count` zones: 1 at a zone's centre, alike in all far from any.

    Parameters
    ----------
    cell_area_ha
        (cells,) weight of each cell.
    count
        Zones asked for; fewer come out where fewer rows of `features` are distinct.
    fuzzifier
        Above 1: near it every cell is of one zone, at large values of all alike.
    seed, sample
        Centres start from those of k-means (`zonemap.zoning.cluster`) and are fitted to the same cells.

    Raises
    ------
    InputError
        When `count` is less than one, or the fuzzifier not above 1.

    References
    ----------
    Bezdek, Ehrlich & Full 1984, FCM: the fuzzy c-means clustering algorithm, Computers & Geosciences 10:191-203
    (from memory); area weights as in a sum over cells of equal area.
    """
    if not (math.isfinite(fuzzifier) and fuzzifier > 1):
        raise InputError("zones, fuzzifier", f"{fuzzifier:g} is not a fuzzifier", "Write a number above 1, e.g. 1.5.")
    centres = centres_of(features, cell_area_ha, count=count, seed=seed, sample=sample)
    if len(centres) == 1:
        return Memberships(np.ones((len(features.value), 1)))
    chosen = chosen_cells(len(features.value), seed=seed, sample=sample)
    value, weight = features.value[chosen], cell_area_ha[chosen]
    scale = float(np.ptp(value, axis=0).max())
    for _ in range(_MOST_STEPS):
        pull = weight[:, None] * _grade(value, centres, fuzzifier) ** fuzzifier
        moved = (pull.T @ value) / pull.sum(axis=0)[:, None]
        shift, centres = float(np.abs(moved - centres).max()), moved
        if shift <= _TOLERANCE * scale:
            break
    return Memberships(_grade(features.value, centres[np.lexsort(centres.T[::-1])], fuzzifier))


def _grade(value: FloatArray, centres: FloatArray, fuzzifier: float) -> FloatArray:
    """(cells, zones) grades, each row summing to 1."""
    squared = np.stack([np.square(value - centre).sum(axis=1) for centre in centres], axis=1)
    # relative to the nearest, so that no power overflows; a cell on a centre is of that zone
    nearest = squared.min(axis=1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        closeness = np.where(squared == nearest, 1.0, (nearest / squared) ** (1 / (fuzzifier - 1)))
    return np.asarray(closeness / closeness.sum(axis=1, keepdims=True))


def fuzzy_performance_index(memberships: Memberships) -> float:
    """Fuzziness of a grouping: 0 where every cell is of one zone, 1 where all are of all alike.

    References
    ----------
    McBratney & Moore 1985, Application of fuzzy sets to climatic classification, Agric. For. Meteorol. 35:165-185 (from
    memory): 1 - (c F - 1) / (c - 1) with F the mean sum of squared grades. Papers print it two ways.

    Examples
    --------
    F = 0.725 by hand.

    >>> grades = Memberships(np.array([[0.9, 0.1], [0.8, 0.2], [0.3, 0.7], [0.1, 0.9]]))
    >>> round(fuzzy_performance_index(grades), 2), round(normalised_classification_entropy(grades), 4)
    (0.55, 0.8807)
    """
    grade = memberships.grade
    cells, count = len(grade), grade.shape[1]
    if count == 1:
        return 0.0
    coefficient = float(np.square(grade).sum()) / cells
    return float(1 - (count * coefficient - 1) / (count - 1))


def normalised_classification_entropy(memberships: Memberships) -> float:
    """Disorder of a grouping: 0 where every cell is of one zone.

    References
    ----------
    Bezdek 1981, Pattern Recognition with Fuzzy Objective Function Algorithms, Plenum (from memory): mean of
    -sum u ln u over 1 - c / n.
    """
    grade = memberships.grade
    cells, count = grade.shape
    if count >= cells:
        return 0.0
    terms = grade * np.log(np.where(grade > 0, grade, 1.0))
    return float(-terms.sum() / cells / (1 - count / cells))
