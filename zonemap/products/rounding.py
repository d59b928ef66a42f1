"""Rates the machine can spread that still keep a programme's promises."""

from __future__ import annotations

import numpy as np

from zonemap.products.model import Model, cap_of, most_over_kg_ha, prices_of, seed_limit, seed_salt
from zonemap.values.arrays import FloatArray

#: from this rate on, in units people read, a step of one unit; below, a tenth
_COARSE_FROM = 20.0
_HAIR = 1e-6


def rounded(model: Model, rates: FloatArray) -> FloatArray:
    """(zones, offers) rates as multiples of the machine's step.

    Every rate is rounded up, so that nothing falls behind; then, dearest product first, each goes down a step where
    nothing falls behind by it. A limit that rounding up would break is kept by going down all the same, where the
    zone falls behind the least.
    """
    result = np.zeros_like(rates)
    step = np.array([_step(model, float(offer.max(initial=0.0))) for offer in rates.T])
    for zone in range(model.zones):
        result[zone] = _rounded_zone(model, zone, rates[zone], step)
    return result


def _rounded_zone(model: Model, zone: int, rates: FloatArray, step: FloatArray) -> FloatArray:
    up = np.maximum(np.ceil(rates / step - _HAIR), 0.0) * step
    up = np.where((up > 0) & (up < model.least_kg_ha), np.ceil(model.least_kg_ha / step - 1e-9) * step, up)
    up = np.minimum(up, np.floor(model.most_kg_ha / step + 1e-9) * step if np.isfinite(model.most_kg_ha) else up)
    allowed = np.maximum(_behind(model, zone, rates), 0.0) + _HAIR
    price = prices_of(model.products)
    dearest = sorted(range(len(step)), key=lambda n: (-price[model.offers[n].product.name] * step[n], n))
    for number in dearest:
        lower = _lowered(model, up, number, step)
        if lower is not None and np.all(_behind(model, zone, lower) <= allowed):
            up = lower
    while _breaks(model, zone, up) and not _breaks(model, zone, rates):
        choices = [lower for n in range(len(step)) if (lower := _lowered(model, up, n, step)) is not None]
        if not choices:
            break
        up = min(choices, key=lambda lower: float(np.maximum(_behind(model, zone, lower) - allowed, 0.0).sum()))
    return up


def _step(model: Model, largest_kg_ha: float) -> float:
    """Return the machine's own step, else one unit of what people read, a tenth where rates are small."""
    unit = model.ask.unit_kg_ha
    return model.ask.step_kg_ha or (0.1 * unit if largest_kg_ha < _COARSE_FROM * unit else unit)


def _lowered(model: Model, rates: FloatArray, number: int, step: FloatArray) -> FloatArray | None:
    if rates[number] <= 0:
        return None
    lower = rates.copy()
    lower[number] = max(lower[number] - step[number], 0.0)
    if lower[number] < model.least_kg_ha - 1e-9:
        lower[number] = 0.0
    return lower


def _behind(model: Model, zone: int, rates: FloatArray) -> FloatArray:
    """(paths,) how far a zone falls behind at the worst."""
    worst = []
    for path in model.ask.paths:
        behind = path.lacking_kg_ha[zone].copy()
        for number, offer in enumerate(model.offers):
            if rates[number] and path.element in offer.gives:
                behind -= rates[number] * offer.gives[path.element]
        worst.append(behind.max())
    return np.array(worst)


def _breaks(model: Model, zone: int, rates: FloatArray) -> bool:
    """Whether rates of a zone break a cap, the bound on what is over, or the limit with the seed."""
    ask, hair = model.ask, 1 + 1e-6

    def applied(element: str, position: int | None) -> float:
        return sum(
            float(rates[n]) * o.product.analysis.get(element, 0.0)
            for n, o in enumerate(model.offers)
            if position in (None, o.position)
        )

    for position, when in enumerate(ask.passes):
        if any(applied(element, position) > cap * hair for element, cap in cap_of(ask, when).items()):
            return True
        limit = seed_limit(when)
        here = [n for n, offer in enumerate(model.offers) if offer.position == position]
        if limit is not None and sum(rates[n] * seed_salt(model.offers[n].product) for n in here) > limit * hair:
            return True
    if any(applied(element, None) > cap * hair for element, cap in ask.terms.cap_per_season_kg_ha.items()):
        return True
    for path in ask.paths:
        need = float(path.need_kg_ha[zone])
        most = most_over_kg_ha(ask, path.element, need)
        over = sum(rates[n] * offer.given(path.element) for n, offer in enumerate(model.offers)) - need
        if most is not None and over > most * hair + 1e-9:
            return True
    return False
