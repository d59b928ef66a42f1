"""The order in which places are walked: a short path, open at both ends."""

from __future__ import annotations

import numpy as np

from zonemap.geostat.covariance import distances
from zonemap.values.arrays import FloatArray, IntArray

#: starts that are tried, fewer of very many places
_MOST_STARTS, _STARTS_OF_ALL = 40, 4_000
_SAME = 1e-9


def short_path(places: FloatArray) -> IntArray:
    """Order of (n, 2) places along a short path: the nearest next, then pieces turned round while that shortens it.

    The best of up to 40 starts (4,000 / n of many places); short, not proven the shortest. It runs from its southern
    end, as the crow flies.

    References
    ----------
    Croes, G.A. (1958), A method for solving traveling-salesman problems, Operations Research 6:791-812 (turning pieces
    round, known as 2-opt; from memory).

    Examples
    --------
    >>> short_path(np.array([[0.0, 0.0], [0.0, 30.0], [0.0, 10.0], [0.0, 20.0]])).tolist()
    [0, 2, 3, 1]
    """
    n = len(places)
    if n < 3:
        order = np.arange(n)
    else:
        between = distances(places, places)
        starts = np.unique(
            np.linspace(0, n - 1, min(n, _MOST_STARTS, max(_STARTS_OF_ALL // n, 1))).round().astype(int)
        ).tolist()
        paths = [_turned(_nearest_next(between, start), between) for start in starts]
        order = min(paths, key=lambda path: float(between[path[:-1], path[1:]].sum()))
    ends = places[order[[0, -1]]] if n else places
    southern_first = n < 2 or tuple(ends[0, ::-1]) <= tuple(ends[1, ::-1])
    return np.asarray(order if southern_first else order[::-1], dtype=np.int64)


def path_length_m(places: FloatArray) -> float:
    """Length of the path through (n, 2) places in their order, m."""
    return float(np.hypot(*np.diff(places, axis=0).T).sum())


def _nearest_next(between: FloatArray, start: int) -> IntArray:
    left = np.ones(len(between), dtype=bool)
    order = [start]
    left[start] = False
    while left.any():
        order.append(int(np.where(left, between[order[-1]], np.inf).argmin()))
        left[order[-1]] = False
    return np.array(order)


def _turned(order: IntArray, between: FloatArray) -> IntArray:
    """Turn pieces round that shorten the path until none does; a piece may end where the path ends."""
    order, least, shorter = order.copy(), _SAME * float(between.max()), True
    while shorter:
        shorter = False
        for first in range(len(order) - 1):
            begin, lasts, follow = order[first], order[first + 1 :], order[first + 2 :]
            gain = np.zeros(len(lasts))
            gain[:-1] += between[lasts[:-1], follow] - between[begin, follow]
            if first > 0:
                gain += between[order[first - 1], begin] - between[order[first - 1], lasts]
            best = int(gain.argmax())
            if gain[best] > least:
                order[first : first + best + 2] = order[first : first + best + 2][::-1].copy()
                shorter = True
    return order
