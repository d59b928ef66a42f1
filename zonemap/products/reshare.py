"""A better composition for blends whose rates are known: the other half of a search in turns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from zonemap.products.blend import apart
from zonemap.products.model import Rows, cap_of, costs_of_columns, most_over_kg_ha, prices_of, seed_limit, seed_salt
from zonemap.products.offers import Offer
from zonemap.products.solve import Solution
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import Ask
from zonemap.values.season import Product

Parts = tuple[tuple[Product, float], ...]
#: being behind outweighs any cost
_BEHIND_WEIGHS = 1e4
_CRUMB = 1e-6


def worth(solution: Solution) -> tuple[float, float]:
    """How far behind a programme is, weighed by what that costs, and its money: less is better, in that order."""
    short = np.array([path.short_cost for path in solution.model.ask.paths])
    behind = float(np.asarray(solution.model.ask.zone_area_ha) @ solution.behind @ short)
    return behind, float(costs_of_columns(solution.model) @ solution.column)


def reshared(blended: Solution, simple: Sequence[Offer]) -> tuple[tuple[int, Parts], ...]:
    """(pass, parts) of blends that serve the rates of a programme at less cost, or leave less behind.

    The mass of each product for one unit of a blend's rate is sought by linear programming; they may add up to less
    than one, and the rates are then to be sought again.

    Parameters
    ----------
    simple
        Offers of the single products on the same passes.
    """
    ask, model = blended.model.ask, blended.model
    rate = dict(zip((offer.position for offer in model.offers), blended.rates.T, strict=True))
    columns = [offer for offer in simple if _may_be_in(offer, blended)]
    if not columns or any(np.max(rates) <= 0 for rates in rate.values()):
        return ()
    share = _shares(ask, blended, columns, [rate[offer.position] for offer in columns])
    if share is None:
        return ()
    found = []
    for position in rate:
        here = [(o.product, float(s)) for o, s in zip(columns, share, strict=True) if o.position == position]
        total = sum(s for _, s in here)
        if total <= _CRUMB:
            return ()
        parts = [(product, s / total) for product, s in here if s > _CRUMB * total]
        kept = sum(s for _, s in parts)
        found.append((position, tuple((product, s / kept) for product, s in parts)))
    return tuple(found)


def _may_be_in(offer: Offer, blended: Solution) -> bool:
    """Any product where nothing keeps it out of the blend of its pass, else those that are in it."""
    ask = blended.model.ask
    blend = next((o for o in blended.model.offers if o.position == offer.position), None)
    if blend is None:
        return False
    inside = [product for product, _ in blend.parts or ((blend.product, 1.0),)]
    if offer.product.name in {product.name for product in inside}:
        return True
    return ask.terms.most_products is None and not apart([*inside, offer.product], ask)


def _shares(ask: Ask, blended: Solution, columns: Sequence[Offer], rates: Sequence[FloatArray]) -> FloatArray | None:
    from scipy.optimize import LinearConstraint, milp
    from scipy.sparse import csr_matrix

    rows = Rows([], [], [], [], [])
    paths, first_behind = ask.paths, len(columns)
    for zone, number, day in sorted(blended.rows):
        path = paths[number]
        terms = [(c, -rates[c][zone] * _at(o, path.element, day)) for c, o in enumerate(columns)]
        terms.append((first_behind + zone * len(paths) + number, -1.0))
        rows.add(terms, high=-float(path.lacking_kg_ha[zone, day]))
    for zone in range(ask.zones):
        _limits(ask, rows, columns, [float(rate[zone]) for rate in rates], zone)
    for position in sorted({offer.position for offer in columns}):
        rows.add([(c, 1.0) for c, o in enumerate(columns) if o.position == position], high=1.0)
    price = prices_of(ask.products)
    area = np.asarray(ask.zone_area_ha)
    cost = [price[o.product.name] * float(area @ rate) for o, rate in zip(columns, rates, strict=True)]
    short = np.outer(area, [path.short_cost for path in paths]).ravel()
    scale = max(max(cost), 1e-9)
    weights = np.concatenate([np.array(cost) / scale, _BEHIND_WEIGHS * short / max(float(short.max()), 1e-9)])
    matrix = csr_matrix((rows.value, (rows.row, rows.column)), shape=(len(rows.low), weights.size))
    found = milp(weights, constraints=LinearConstraint(matrix, -np.inf, np.array(rows.high)))
    return None if found.x is None else np.maximum(np.asarray(found.x[:first_behind], dtype=float), 0.0)


def _at(offer: Offer, element: str, day: int) -> float:
    return float(offer.gives[element][day]) if element in offer.gives else 0.0


def _limits(ask: Ask, rows: Rows, columns: Sequence[Offer], rates: Sequence[float], zone: int) -> None:
    """Caps, the limit with the seed, and bounds on what is over, in one zone."""

    def applied(element: str, position: int | None) -> list[tuple[int, float]]:
        return [
            (c, rates[c] * o.product.analysis.get(element, 0.0))
            for c, o in enumerate(columns)
            if position in (None, o.position)
        ]

    for position, when in enumerate(ask.passes):
        for element, cap in cap_of(ask, when).items():
            rows.add(applied(element, position), high=cap)
        limit = seed_limit(when)
        if limit is not None:
            salt = [(c, rates[c] * seed_salt(o.product)) for c, o in enumerate(columns) if o.position == position]
            rows.add(salt, high=limit)
    for element, cap in ask.terms.cap_per_season_kg_ha.items():
        rows.add(applied(element, None), high=cap)
    for path in ask.paths:
        need = float(path.need_kg_ha[zone])
        most = most_over_kg_ha(ask, path.element, need)
        if most is not None:
            rows.add([(c, rates[c] * o.given(path.element)) for c, o in enumerate(columns)], high=need + most)
