"""The rate that pays: critical fractile, pooled quantile, expected loss."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.polynomial.hermite_e import hermeval

from zonemap.values.arrays import FloatArray
from zonemap.values.need import Costs, NeedCurve
from zonemap.values.surface import Surface
from zonemap.values.zones import Zones

#: normal scores that bracket every quantile a rate is ever read at
_BRACKET_SCORE = 6.0
_MOST_STEPS = 100
#: a quantile is found when its probability is met this well
_TOLERANCE = 1e-11
#: Gauss-Legendre nodes on (0, 1) for expectations over a cell's distribution
_NODES = 24


def pooled_quantile(surface: Surface, cell_area_ha: FloatArray, zones: Zones, *, probability: float) -> FloatArray:
    """Quantile of the area-weighted mixture of the cells' distributions, for every zone.

    It carries both the variation within a zone and the uncertainty of every estimate.

    Parameters
    ----------
    cell_area_ha
        Cell vector of weights.
    probability
        In (0, 1).

    Returns
    -------
    FloatArray
        (zones,) in the unit of the surface.
    """
    from scipy.special import ndtr

    index = zones.number - 1
    weight = cell_area_ha / np.bincount(index, weights=cell_area_ha)[index]

    def excess(g: FloatArray) -> FloatArray:
        share = np.bincount(index, weights=weight * ndtr(surface.score_of(g[index])))
        return np.asarray(share - probability, dtype=np.float64)

    low, high = np.full(zones.count, np.inf), np.full(zones.count, -np.inf)
    np.minimum.at(low, index, np.asarray(hermeval(-_BRACKET_SCORE, surface.score_coefficients)))
    np.maximum.at(high, index, np.asarray(hermeval(_BRACKET_SCORE, surface.score_coefficients)))
    return surface.transform.backward(_root_of_rising(excess, low, high))


def zone_need(
    surface: Surface, curve: NeedCurve, cell_area_ha: FloatArray, zones: Zones, *, assurance: float
) -> FloatArray:
    """Loss-minimising need of every zone: the `assurance` quantile of the zone's pooled need.

    Quantiles pass straight through a monotone curve: a falling one takes the (1 - assurance) quantile of the measured
    value. A curve that rises and falls is read at 999 pooled quantiles and its own quantile taken.

    Returns
    -------
    FloatArray
        (zones,) kg/ha, of the element or of the curve's product.
    """
    if curve.falling or curve.rising:
        probability = 1 - assurance if curve.falling else assurance
        return curve.at(pooled_quantile(surface, cell_area_ha, zones, probability=probability))
    levels = (np.arange(999) + 0.5) / 999
    needs = [curve.at(pooled_quantile(surface, cell_area_ha, zones, probability=float(p))) for p in levels]
    return np.asarray(np.quantile(np.array(needs), assurance, axis=0), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class NeedDistribution:
    """Need of every cell at Gauss-Legendre nodes of probability.

    Attributes
    ----------
    need_kg_ha
        (nodes, cells).
    weight
        (nodes,) summing to 1.
    cell_area_ha
        Cell vector.
    """

    need_kg_ha: FloatArray
    weight: FloatArray
    cell_area_ha: FloatArray

    def mean(self) -> FloatArray:
        """Cell vector of the expected need, kg/ha."""
        return np.asarray(self.weight @ self.need_kg_ha)

    def expected_loss(self, rate_kg_ha: FloatArray, costs: Costs) -> float:
        """Area mean of c_u E[(A - r)+] + c_o E[(r - A)+], per ha; `rate_kg_ha` a cell vector."""
        miss = self.need_kg_ha - rate_kg_ha
        over = self.weight @ np.maximum(-miss, 0.0)
        short = self.weight @ miss + over
        loss = costs.short * short + costs.over * over
        return float(loss @ self.cell_area_ha / self.cell_area_ha.sum())


def need_distribution(surface: Surface, curve: NeedCurve, cell_area_ha: FloatArray) -> NeedDistribution:
    """Need of every cell at the nodes of its distribution."""
    scores, weight = _score_nodes()
    need = np.stack([curve.at(surface.at_score(float(score))) for score in scores])
    return NeedDistribution(need, weight, cell_area_ha)


@cache
def _score_nodes() -> tuple[FloatArray, FloatArray]:
    """Normal scores and weights of the Gauss-Legendre nodes on (0, 1)."""
    from scipy.special import ndtri

    node, weight = np.polynomial.legendre.leggauss(_NODES)
    return np.asarray(ndtri((node + 1) / 2)), np.asarray(weight / 2)


def _root_of_rising(of: Callable[[FloatArray], FloatArray], low: FloatArray, high: FloatArray) -> FloatArray:
    """Roots of rising functions, all at once: Illinois steps, every third a bisection (which also finds a jump)."""
    at_low, at_high = of(low), of(high)
    middle = low
    for step in range(_MOST_STEPS):
        with np.errstate(divide="ignore", invalid="ignore"):
            secant = high - at_high * (high - low) / (at_high - at_low)
        usable = np.isfinite(secant) & (secant > low) & (secant < high) & (step % 3 != 2)
        middle = np.where(usable, secant, (low + high) / 2)
        at_middle = of(middle)
        if np.all((np.abs(at_middle) < _TOLERANCE) | (high - low <= 1e-14 * np.maximum(np.abs(low), np.abs(high)))):
            break
        below = at_middle < 0
        # Illinois: the end that stays has its value halved, so that it cannot stay for ever
        at_high = np.where(below, at_high / 2, at_middle)
        at_low = np.where(below, at_middle, at_low / 2)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return middle
