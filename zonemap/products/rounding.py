"""Rates the machine can spread that still keep a programme's promises."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from zonemap.products.model import Model, cap_of, most_over_kg_ha, prices_of, seed_limit, seed_salt
from zonemap.values.arrays import FloatArray

#: from this rate on, in units people read, a step of one unit; below, a tenth
_COARSE_FROM = 20.0
_HAIR = 1e-6
#: above any rate
_ENDLESS = 1e9


def rounded(model: Model, rates: FloatArray) -> FloatArray:
    """(zones, offers) rates as multiples of the machine's step.

    Every rate is rounded up, so that nothing falls behind; then, dearest product first, each goes down a step where
    nothing falls behind by it. Where rounding up breaks a limit, a rate that takes part in it goes down, and others go
    up for what is then behind.
    """
    result = np.zeros_like(rates)
    step = np.array([_step(model, float(offer.max(initial=0.0))) for offer in rates.T])
    for zone in range(model.zones):
        result[zone] = _rounded_zone(model, zone, rates[zone], step)
    return result


def _rounded_zone(model: Model, zone: int, rates: FloatArray, step: FloatArray) -> FloatArray:
    up = np.maximum(np.ceil(rates / step - _HAIR), 0.0) * step
    up = np.where((up > 0) & (up < model.least_kg_ha), np.ceil(model.least_kg_ha / step - 1e-9) * step, up)
    up = np.minimum(up, np.floor(np.minimum(model.most_kg_ha, _ENDLESS) / step + 1e-9) * step)
    allowed = np.maximum(_behind(model, zone, rates), 0.0) + _HAIR
    price = prices_of(model.products)
    dearest = sorted(range(len(step)), key=lambda n: (-price[model.offers[n].product.name] * step[n], n))
    for number in dearest:
        lower = _lowered(model, up, number, step)
        if lower is not None and np.all(_behind(model, zone, lower) <= allowed):
            up = lower
    if _breaking(model, zone, rates):
        return up
    return _made_up_for(model, zone, _within_limits(model, zone, up, step, allowed), step, allowed)


def _within_limits(model: Model, zone: int, rates: FloatArray, step: FloatArray, allowed: FloatArray) -> FloatArray:
    """Lower what takes part in a broken limit, always where the zone then falls behind the least."""
    while breaking := _breaking(model, zone, rates):
        choices = [lower for n in sorted(breaking) if (lower := _lowered(model, rates, n, step)) is not None]
        if not choices:
            break
        rates = min(choices, key=lambda lower: _short(model, zone, lower, allowed))
    return rates


def _made_up_for(model: Model, zone: int, rates: FloatArray, step: FloatArray, allowed: FloatArray) -> FloatArray:
    """Raise what is spread already, by as few steps as help, where the zone has fallen behind."""
    most = np.minimum(model.most_kg_ha, _ENDLESS)
    while (short := _short(model, zone, rates, allowed)) > 0:
        choices = []
        for number in np.flatnonzero((rates > 0) & (rates + step <= most + 1e-9)):
            raised = rates.copy()
            raised[number] += step[number]
            if not _breaking(model, zone, raised):
                choices.append(raised)
        best = min(choices, key=lambda raised: _short(model, zone, raised, allowed), default=rates)
        if _short(model, zone, best, allowed) >= short:
            break
        rates = best
    return rates


def _short(model: Model, zone: int, rates: FloatArray, allowed: FloatArray) -> float:
    """Kg/ha behind beyond what is allowed, over all elements."""
    return float(np.maximum(_behind(model, zone, rates) - allowed, 0.0).sum())


def _step(model: Model, largest_kg_ha: float) -> float:
    """Return the machine's own step, else one unit of what people read, a tenth where rates are small."""
    unit = model.ask.unit_kg_ha
    return model.ask.step_kg_ha or (0.1 * unit if largest_kg_ha < _COARSE_FROM * unit else unit)


def _lowered(model: Model, rates: FloatArray, number: int, step: FloatArray) -> FloatArray | None:
    if rates[number] <= 0:
        return None
    lower = rates.copy()
    lower[number] = max(lower[number] - step[number], 0.0)
    if lower[number] < model.least_kg_ha[number] - 1e-9:
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


def _breaking(model: Model, zone: int, rates: FloatArray) -> set[int]:
    """Offers that take part in a broken cap, bound on what is over, or limit with the seed, in one zone."""
    ask = model.ask
    limits: list[tuple[dict[int, float], float]] = []
    for position, when in enumerate(ask.passes):
        here = [n for n, offer in enumerate(model.offers) if offer.position == position]
        limits += [(_content(model, here, element), cap) for element, cap in cap_of(ask, when).items()]
        seed = seed_limit(when)
        limits += [] if seed is None else [({n: seed_salt(model.offers[n].product) for n in here}, seed)]
    every = range(len(model.offers))
    limits += [(_content(model, every, element), cap) for element, cap in ask.terms.cap_per_season_kg_ha.items()]
    for path in ask.paths:
        need = float(path.need_kg_ha[zone])
        over = most_over_kg_ha(ask, path.element, need)
        gives = {n: offer.given(path.element) for n, offer in enumerate(model.offers)}
        limits += [] if over is None else [(gives, need + over)]
    breaking: set[int] = set()
    for share, most in limits:
        if sum(share[n] * float(rates[n]) for n in share) > most * (1 + 1e-6) + 1e-9:
            breaking |= {n for n in share if share[n] > 0 and rates[n] > 0}
    return breaking


def _content(model: Model, numbers: Iterable[int], element: str) -> dict[int, float]:
    return {n: model.offers[n].product.analysis.get(element, 0.0) for n in numbers}
