"""The rate that pays: critical fractile, pooled quantile, expected loss."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.need import Costs, NeedCurve
from zonemap.values.surface import Surface
from zonemap.values.zones import Zones

#: normal scores that bracket every quantile a rate is ever read at
_BRACKET_SCORE = 6.0
_MOST_STEPS = 200
_SQRT_2_PI = float(np.sqrt(2 * np.pi))
#: a quantile is found when its probability is met this well
_TOLERANCE = 1e-7
#: of many cells, every so manieth is asked first where to start
_STRIDE, _LEAST_TO_START = 50, 2000
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
    index = zones.number - 1
    start = None
    few = np.arange(0, index.size, _STRIDE)
    if few.size >= _LEAST_TO_START and np.all(np.bincount(index[few], minlength=zones.count)):
        start = _mixture_quantile(surface.of_cells(few), cell_area_ha[few], index[few], probability, None)
    return surface.transform.backward(_mixture_quantile(surface, cell_area_ha, index, probability, start))


def _mixture_quantile(
    surface: Surface, cell_area_ha: FloatArray, index: IntArray, probability: float, start: FloatArray | None
) -> FloatArray:
    """(zones,) quantiles on the g scale, sought from a start, or from where mixtures would be if they were normal."""
    from scipy.special import ndtr, ndtri

    weight = cell_area_ha / np.bincount(index, weights=cell_area_ha)[index]

    def share_and_density(g: FloatArray) -> tuple[FloatArray, FloatArray]:
        score, slope = surface.score_and_slope_of(g[index])
        density = np.exp(-0.5 * np.square(score)) / (_SQRT_2_PI * np.maximum(slope, np.finfo(float).tiny))
        share = np.bincount(index, weights=weight * ndtr(score))
        return np.asarray(share, dtype=float), np.asarray(np.bincount(index, weights=weight * density), dtype=float)

    order, first = _zone_by_zone(index)
    low = np.minimum.reduceat(surface.g_at_score(-_BRACKET_SCORE)[order], first)
    high = np.maximum.reduceat(surface.g_at_score(_BRACKET_SCORE)[order], first)
    if start is None:
        centre = np.bincount(index, weights=weight * surface.centre())
        spread = np.square(surface.spread()) + np.square(surface.centre() - centre[index])
        start = centre + float(ndtri(probability)) * np.sqrt(np.bincount(index, weights=weight * spread))
    return _quantile(share_and_density, probability, low, np.clip(start, low, high), high)


def _zone_by_zone(index: IntArray) -> tuple[IntArray, IntArray]:
    """Numbers of the cells zone by zone, and where each zone begins; every zone has a cell."""
    count = np.bincount(index)
    return np.argsort(index, kind="stable"), np.cumsum(count) - count


@dataclass(frozen=True, slots=True)
class ZoneRate:
    """Need of the zones, and where their curve was read.

    Attributes
    ----------
    need_kg_ha
        (zones,) of the element or of the curve's product.
    read_at
        (zones,) measured value with the assurance asked for; ``None`` where the curve rises and falls.
    """

    need_kg_ha: FloatArray
    read_at: FloatArray | None


def zone_need(
    surface: Surface, curve: NeedCurve, cell_area_ha: FloatArray, zones: Zones, *, assurance: float
) -> FloatArray:
    """(zones,) need alone of `zone_rate`, kg/ha."""
    return zone_rate(surface, curve, cell_area_ha, zones, assurance=assurance).need_kg_ha


def zone_rate(
    surface: Surface, curve: NeedCurve, cell_area_ha: FloatArray, zones: Zones, *, assurance: float
) -> ZoneRate:
    """Loss-minimising need of every zone: the `assurance` quantile of the zone's pooled need.

    Quantiles pass straight through a monotone curve: a falling one takes the (1 - assurance) quantile of the measured
    value. A curve that rises and falls is read at 999 pooled quantiles and its own quantile taken.
    """
    if curve.falling or curve.rising:
        probability = 1 - assurance if curve.falling else assurance
        read_at = pooled_quantile(surface, cell_area_ha, zones, probability=probability)
        return ZoneRate(curve.at(read_at), read_at)
    levels = (np.arange(999) + 0.5) / 999
    needs = [curve.at(pooled_quantile(surface, cell_area_ha, zones, probability=float(p))) for p in levels]
    return ZoneRate(np.asarray(np.quantile(np.array(needs), assurance, axis=0), dtype=np.float64), None)


@dataclass(frozen=True, slots=True)
class NeedDistribution:
    """Need of every cell at Gauss-Legendre nodes of probability.

    Attributes
    ----------
    need_kg_ha
        (nodes, cells).
    weight
        (nodes,) summing to 1.
    cell_area_ha, mean_kg_ha
        Cell vectors: weights of the cells, and their expected need.
    """

    need_kg_ha: FloatArray
    weight: FloatArray
    cell_area_ha: FloatArray
    mean_kg_ha: FloatArray

    def expected_loss(self, rate_kg_ha: FloatArray, costs: Costs) -> float:
        """Area mean of c_u E[(A - r)+] + c_o E[(r - A)+], per ha; `rate_kg_ha` a cell vector."""
        return self._mean_loss(rate_kg_ha, costs, slice(None))

    def loss_of_part(self, cells: IntArray, rate_kg_ha: float, costs: Costs) -> float:
        """What some cells, all at one rate, add to the mean of `expected_loss`; `cells` their numbers."""
        return self._mean_loss(rate_kg_ha, costs, cells)

    def _mean_loss(self, rate_kg_ha: FloatArray | float, costs: Costs, cells: IntArray | slice) -> float:
        excess = rate_kg_ha - self.need_kg_ha[:, cells]
        over = self.weight @ np.maximum(excess, 0.0, out=excess)
        short = self.mean_kg_ha[cells] - rate_kg_ha + over
        loss = costs.short * short + costs.over * over
        return float(loss @ self.cell_area_ha[cells] / self.cell_area_ha.sum())


def need_distribution(surface: Surface, curve: NeedCurve, cell_area_ha: FloatArray) -> NeedDistribution:
    """Need of every cell at the nodes of its distribution."""
    scores, weight = _score_nodes()
    need = np.stack([curve.at(surface.at_score(float(score))) for score in scores])
    return NeedDistribution(need, weight, cell_area_ha, np.asarray(weight @ need))


def probability_of_need(surface: Surface, curve: NeedCurve) -> FloatArray:
    """Cell vector of the probability that anything is needed."""
    needed = curve.need_kg_ha > 0
    if needed.all() or not needed.any():
        return np.full(surface.cells, float(needed[0]))
    if curve.falling:
        return surface.probability_below(np.full(surface.cells, curve.value[int(np.argmin(needed))]))
    if curve.rising:
        return 1 - surface.probability_below(np.full(surface.cells, curve.value[int(np.argmax(needed)) - 1]))
    scores, weight = _score_nodes()
    return np.asarray(sum(w * (curve.at(surface.at_score(float(s))) > 0) for s, w in zip(scores, weight, strict=True)))


@cache
def _score_nodes() -> tuple[FloatArray, FloatArray]:
    """Normal scores and weights of the Gauss-Legendre nodes on (0, 1)."""
    from scipy.special import ndtri

    node, weight = np.polynomial.legendre.leggauss(_NODES)
    return np.asarray(ndtri((node + 1) / 2)), np.asarray(weight / 2)


def _quantile(
    share_and_density: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    probability: float,
    low: FloatArray,
    g: FloatArray,
    high: FloatArray,
) -> FloatArray:
    """Where distributions reach a probability, all at once: Newton steps, bisection where one leaves the bracket."""
    for _ in range(_MOST_STEPS):
        share, density = share_and_density(g)
        miss = share - probability
        if np.all((np.abs(miss) < _TOLERANCE) | (high - low <= 1e-14 * np.maximum(np.abs(low), np.abs(high)))):
            break
        low, high = np.where(miss < 0, g, low), np.where(miss < 0, high, g)
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            newton = g - miss / density
        usable = np.isfinite(newton) & (newton > low) & (newton < high)
        g = np.where(usable, newton, (low + high) / 2)
    return g
