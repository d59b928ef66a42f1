"""What it is worth to know a supply better, before it is known: expected loss against what is left of the variance.

Once a sample is taken, a cell's rate follows from what is then known. Seen from today that knowledge is itself
uncertain: of the variance v of a cell a share w will be left, and the centre will have moved by the rest. So the loss
that is to be expected is the mean, over where the centre may come to lie, of the least expected loss there
(preposterior analysis: Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, chapter 5; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.need import Costs, Need
from zonemap.values.surface import Surface

#: knots of the curve, at even steps of the root of the share that is left: there a loss is nearly a straight line
_KNOTS = 13
#: Gauss-Legendre nodes on each side of the probability at which the rate is read, and nodes for where the centre lies
_NODES, _CENTRE_NODES = 10, 17


@dataclass(frozen=True, slots=True)
class LossCurve:
    """Expected loss of every cell's own best rate, by the share of the cell's variance that is left.

    Attributes
    ----------
    loss
        (knots, cells) per ha, at even steps of the root of the share from 0 to 1.
    """

    loss: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "loss", frozen_floats(self.loss, shape=(None, None)))

    @classmethod
    def of_variance(cls, cells: int) -> LossCurve:
        """Return the curve whose loss is the share itself, where no rate hangs on it."""
        root = np.linspace(0.0, 1.0, _KNOTS)
        return cls(np.repeat(np.square(root)[:, None], cells, axis=1))

    def at(self, share_left: FloatArray) -> FloatArray:
        """Losses at (cells,) or (rows, cells) shares, of the same shape; straight between the knots."""
        step = np.sqrt(share_left) * (len(self.loss) - 1)
        left = np.minimum(step.astype(np.int64), len(self.loss) - 2)
        cell = np.arange(self.loss.shape[1])
        first, last = self.loss[left, cell], self.loss[left + 1, cell]
        return np.asarray(first + (step - left) * (last - first))


def loss_curve(surface: Surface, need: Need) -> LossCurve:
    """Expected loss of each cell's best rate for one need, by what is left of its variance.

    Parameters
    ----------
    surface
        Of the quantity that the need is read from.

    Notes
    -----
    A cell's distribution keeps its shape, on the g scale, as it grows narrower; where its centre comes to lie is taken
    to have the same shape. Both are exact for a normal distribution, and for any other at the ends: nothing more
    known, and all.
    """
    curve, costs = need.curve, need.costs
    score, weight = _score_nodes(1 - costs.assurance if curve.falling else costs.assurance)
    from_centre = np.stack([surface.g_at_score(float(each)) - surface.centre() for each in score])
    moved_score, moved_weight = _centre_nodes()
    moves = np.stack([surface.g_at_score(float(each)) - surface.centre() for each in moved_score])
    losses = []
    for root in np.linspace(0.0, 1.0, _KNOTS).tolist():
        moved = surface.centre() + np.sqrt(1.0 - root**2) * moves
        total = np.zeros(surface.cells)
        for centre, share in zip(moved, moved_weight.tolist(), strict=True):
            needed = curve.at(surface.transform.backward(centre + root * from_centre))
            total += share * _least_loss(needed, weight, costs)
        losses.append(total)
    return LossCurve(np.stack(losses))


def _least_loss(needed: FloatArray, weight: FloatArray, costs: Costs) -> FloatArray:
    """(cells,) expected loss at the best rate, of (nodes, cells) needs with (nodes,) weights.

    The best rate is the quantile at the assurance; what lies above it is short, below it over, and the rate itself
    cancels: ``c_u E[A; above] - c_o E[A; below]``.
    """
    order = np.argsort(needed, axis=0, kind="stable")
    rising, weights = np.take_along_axis(needed, order, axis=0), weight[order]
    before = np.cumsum(weights, axis=0) - weights
    below = np.clip(costs.assurance - before, 0.0, weights)
    return np.asarray(((costs.short * (weights - below) - costs.over * below) * rising).sum(axis=0))


@cache
def _score_nodes(probability: float) -> tuple[FloatArray, FloatArray]:
    """Normal scores and weights of the Gauss-Legendre nodes on both sides of a probability."""
    from scipy.special import ndtri

    node, weight = np.polynomial.legendre.leggauss(_NODES)
    part, share = (node + 1) / 2, weight / 2
    level = np.concatenate([probability * part, probability + (1 - probability) * part])
    return np.asarray(ndtri(level)), np.concatenate([probability * share, (1 - probability) * share])


@cache
def _centre_nodes() -> tuple[FloatArray, FloatArray]:
    """Gauss-Hermite normal scores and weights."""
    node, weight = np.polynomial.hermite_e.hermegauss(_CENTRE_NODES)
    return np.asarray(node), np.asarray(weight / weight.sum())
