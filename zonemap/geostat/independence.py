"""How many independent pairs the pairs of two patterned sets are worth: neighbours are alike and repeat one another."""

from __future__ import annotations

import math

import numpy as np

from zonemap.values.arrays import FloatArray, IntArray

#: more pairs than this are thinned evenly first: their number is then a cautious one
_MOST_PAIRS = 1_500


def effective_pairs(first: FloatArray, second: FloatArray, easting_m: FloatArray, northing_m: FloatArray) -> float:
    """Effective number of pairs for a test of correlation between two sets that both vary in patches.

    The autocorrelation of each set is estimated in about sqrt(n) classes of distance that hold equally many couples of
    places, and `effective_number` is taken of the two.

    Parameters
    ----------
    first, second
        (pairs,) values, or their ranks.
    easting_m, northing_m
        (pairs,) where the pairs lie.

    Returns
    -------
    float
        At most the number of pairs: that the interval may not become narrower than for independent ones is our choice.
    """
    from scipy.spatial.distance import pdist

    every = max(1, math.ceil(first.size / _MOST_PAIRS))
    one, other = first[::every], second[::every]
    n = one.size
    if n < 4 or np.ptp(one) == 0 or np.ptp(other) == 0:
        return float(n)
    distance = pdist(np.column_stack([easting_m, northing_m])[::every])
    classes = max(4, round(math.sqrt(n)))
    edges = np.quantile(distance, np.linspace(0, 1, classes + 1)[1:-1])
    number = np.searchsorted(edges, distance)
    number_of = effective_number(*(_correlation_matrix(values, number, classes) for values in (one, other)))
    return min(float(n), number_of)


def effective_number(first: FloatArray, second: FloatArray) -> float:
    """Effective sample size 1 + 1/var(r) from the (n, n) correlation matrices of two independent patterns.

    var(r) = tr(B S1 B S2) / (tr(B S1) tr(B S2)) with B = I - 11'/n.

    Returns
    -------
    float
        n for independent places; n too where estimated matrices give no positive variance.

    References
    ----------
    Dutilleul, P. 1993. Modifying the t test for assessing the correlation between two spatial processes. Biometrics
    49:305-314, after Clifford, P., Richardson, S., Hemon, D. 1989. Assessing the significance of the correlation
    between two spatial processes. Biometrics 45:123-134 (formula from memory).
    """
    one, other = (matrix - matrix.mean(axis=0) for matrix in (first, second))
    product, scale = float(np.sum(one * other.T)), float(np.trace(one) * np.trace(other))
    return 1 + scale / product if product > 0 and scale > 0 else float(len(first))


def _correlation_matrix(value: FloatArray, number: IntArray, classes: int) -> FloatArray:
    """(n, n) estimated correlation of every couple of places: that of its class of distance."""
    from scipy.spatial.distance import squareform

    deviation = value - value.mean()
    row, column = np.triu_indices(value.size, 1)
    count = np.maximum(np.bincount(number, minlength=classes), 1)
    product = np.bincount(number, deviation[row] * deviation[column], minlength=classes) / count
    matrix = squareform(product[number] / float(deviation @ deviation / value.size))
    np.fill_diagonal(matrix, 1.0)
    return np.asarray(matrix)
