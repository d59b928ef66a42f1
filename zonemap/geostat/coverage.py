"""Places that cover a field evenly, and places close beside them.

Even coverage is k-means on the coordinates of the field's cells: the places lie in the middle of what they stand for,
which makes the mean squared distance to the nearest place small. Close pairs tell what varies over short distances,
which decides what a map can say and which evenly spread places alone do not show.

References
----------
Brus, D.J., Spatjens, L.E.E.M. & de Gruijter, J.J. (1999), A sampling scheme for estimating the mean extractable
phosphorus concentration of fields for environmental regulation, Geoderma 89:129-148 (from memory).
Walvoort, D.J.J., Brus, D.J. & de Gruijter, J.J. (2010), An R package for spatial coverage sampling and random sampling
from compact geographical strata by k-means, Computers & Geosciences 36:1261-1267 (from memory).
Lark, R.M. & Marchant, B.P. (2018), How should a spatial-coverage sample design for a geostatistical soil survey be
supplemented to support estimation of spatial covariance parameters?, Geoderma 319:89-99 (from memory).
"""

from __future__ import annotations

import numpy as np

from zonemap.values.arrays import FloatArray, IntArray

#: independent starts, of which the one that covers best is kept
_STARTS = 10
_MOST_ROUNDS = 200


def cover(
    cells: FloatArray, cell_area: FloatArray, *, count: int, fixed: FloatArray | None = None, seed: int = 0
) -> FloatArray:
    """Centres that cover cells evenly, beside those that are there already.

    Parameters
    ----------
    cells
        (m, 2) centres of the cells, at least `count`.
    cell_area
        (m,) weights.
    fixed
        (f, 2) places that are covered already and stay where they are; ``None`` for none.
    seed
        Of the starts.

    Returns
    -------
    FloatArray
        (count, 2) each the mean of the cells nearest to it, in order of northing, then easting.

    Raises
    ------
    ValueError
        When there are fewer cells than `count`.
    """
    if not 1 <= count <= len(cells):
        msg = f"{count} places cannot cover {len(cells)} cells"
        raise ValueError(msg)
    there = np.empty((0, 2)) if fixed is None else fixed
    generator, best, least = np.random.default_rng(seed), np.empty((0, 2)), np.inf
    for _ in range(_STARTS):
        centres, lost = _settled(cells, cell_area, _started(cells, cell_area, count, there, generator), there)
        if lost < least:
            best, least = centres, lost
    return np.asarray(best[np.lexsort((best[:, 0], best[:, 1]))])


def mean_squared_distance(cells: FloatArray, cell_area: FloatArray, places: FloatArray) -> float:
    """Area mean of the squared distance from (m, 2) cells to the nearest of (n, 2) places, m2."""
    _, distance = _nearest(cells, places)
    return float(cell_area @ np.square(distance) / cell_area.sum())


def beside(
    places: FloatArray, cells: FloatArray, *, distance_m: float, count: int, seed: int = 0
) -> tuple[IntArray, IntArray]:
    """Cells a short distance from some of the places, in any direction.

    Parameters
    ----------
    places
        (n, 2), of which some are drawn, all of them once before any is drawn twice.
    cells
        (m, 2) centres of the cells that may be taken; each is taken once.
    distance_m
        Wanted; the nearest to it that the cells allow is taken.
    count
        How many, at most m.
    seed
        Of the draws.

    Returns
    -------
    IntArray, IntArray
        (count,) numbers of the places, and of the cells beside them.
    """
    generator = np.random.default_rng(seed)
    rounds = -(-count // len(places))
    drawn = np.concatenate([generator.permutation(len(places)) for _ in range(rounds)])[:count]
    free, taken = np.ones(len(cells), dtype=bool), []
    for place in drawn.tolist():
        miss = np.abs(np.hypot(*(cells - places[place]).T) - distance_m)
        miss[~free] = np.inf
        # as near as any to the distance, to a tenth of it: directions are then left to chance
        near = np.flatnonzero(miss <= miss.min() + 0.1 * distance_m)
        chosen = int(generator.choice(near))
        free[chosen] = False
        taken.append(chosen)
    return np.asarray(drawn, dtype=np.int64), np.array(taken, dtype=np.int64)


def _started(
    cells: FloatArray, area: FloatArray, count: int, there: FloatArray, generator: np.random.Generator
) -> FloatArray:
    """Cells drawn one after another, far ones likelier (k-means++: Arthur & Vassilvitskii 2007, SODA 2007)."""
    squared = np.full(len(cells), np.inf) if len(there) == 0 else np.square(_nearest(cells, there)[1])
    drawn: list[int] = []
    for _ in range(count):
        odds = area if np.isinf(squared[0]) else area * squared
        if odds.sum() <= 0:  # what is left lies upon places that are there
            odds = np.ones(len(cells))
            odds[drawn] = 0.0
        drawn.append(int(generator.choice(len(cells), p=odds / odds.sum())))
        squared = np.minimum(squared, np.square(cells - cells[drawn[-1]]).sum(axis=1))
    return cells[drawn]


def _settled(cells: FloatArray, area: FloatArray, centres: FloatArray, there: FloatArray) -> tuple[FloatArray, float]:
    """Centres moved to the mean of their cells until none moves (Lloyd 1982), and what they leave uncovered."""
    count = len(centres)
    for _ in range(_MOST_ROUNDS):
        nearest, _ = _nearest(cells, np.vstack([centres, there]))
        mass = np.bincount(nearest, weights=area, minlength=count)[:count]
        sums = [np.bincount(nearest, weights=area * cells[:, axis], minlength=count)[:count] for axis in (0, 1)]
        moved = np.column_stack(sums) / np.where(mass > 0, mass, 1.0)[:, None]
        moved[mass == 0] = centres[mass == 0]
        if np.array_equal(moved, centres):
            break
        centres = moved
    return centres, mean_squared_distance(cells, area, np.vstack([centres, there]))


def _nearest(cells: FloatArray, places: FloatArray) -> tuple[IntArray, FloatArray]:
    from scipy.spatial import cKDTree

    distance, number = cKDTree(places).query(cells)
    return np.asarray(number, dtype=np.int64), np.asarray(distance, dtype=np.float64)
