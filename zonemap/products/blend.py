"""One blend for all zones: the composition that costs the least when only its rate may vary.

Let w be what of each product is in the blend, scaled so that it costs 1, and q a zone's rate of it. A need R that
product p meets at k_p a kg asks for q >= R / (k . w). The cost, the sum of area x q, is then convex in w, because the
inverse of a linear function is: tangents to it, added one by one, close in on the least cost from below (Kelley, J. E.
1960, The cutting-plane method for solving convex programs, J. SIAM 8:703-712) while every blend tried bounds it from
above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from zonemap.products.model import prices_of
from zonemap.products.solve import Solution
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import Ask
from zonemap.values.season import Product

#: the gap between the two bounds that is closed, and the steps allowed for it
_CLOSED, _MOST_STEPS = 1e-9, 400
#: shares of what the strongest product gives at which tangents stand from the start
_FIRST = (1.0, 0.5, 0.2, 0.05, 0.01)
#: a product that costs nothing would make the scale endless
_LEAST_PRICE = 1e-3
#: a part below this share of the mass is left out
_CRUMB = 1e-6
#: a rate to divide by
_LEAST_RATE = 1e-9

#: (zone, need, strength of the blend at which the tangent touches)
Tangent = tuple[int, int, float]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a blend must meet.

    Attributes
    ----------
    gives
        (needs, products) kg available a kg of product.
    need_kg_ha
        (zones, needs).
    """

    gives: FloatArray
    need_kg_ha: FloatArray


@dataclass(frozen=True, slots=True)
class Composition:
    """A blend found.

    Attributes
    ----------
    share
        (products,) of the mass.
    cost, least_cost
        Of the product for all zones, and a bound below it.
    """

    share: FloatArray
    cost: float
    least_cost: float

    @property
    def proven(self) -> bool:
        """Whether no composition is cheaper."""
        return self.cost - self.least_cost <= 10 * _CLOSED * max(self.cost, 1.0)


def cheapest_composition(
    wanted: Wanted,
    price: FloatArray,
    area_ha: FloatArray,
    *,
    forbidden: Sequence[tuple[int, int]] = (),
    most_products: int | None = None,
) -> Composition | None:
    """Composition of least cost; ``None`` where a need is met by no product, or only by what must not be together.

    Products are left out one by one where too many are in, or two that must be apart, and the best is kept (branch and
    bound): tangents found on one branch hold on all.

    Parameters
    ----------
    price
        (products,) money per kg.
    area_ha
        (zones,).
    forbidden
        Pairs of products that must not both be in it.
    most_products
        How many may be in it.
    """
    price = np.maximum(price, _LEAST_PRICE * price.max() or 1.0)
    strength = wanted.gives / price
    cut = _Cuts(wanted.need_kg_ha, strength, area_ha, _first_tangents(wanted, strength))
    best: tuple[float, FloatArray] | None = None
    least = np.inf
    waiting: list[tuple[frozenset[int], frozenset[int]]] = [(frozenset(), frozenset())]
    while waiting:
        out, kept = waiting.pop()
        found = cut.cheapest(out, enough=np.inf if best is None else best[0])
        if found is None:
            continue
        cost, bound, spent = found
        inside = [int(product) for product in np.flatnonzero(spent / price > _CRUMB * (spent / price).sum())]
        broken = _broken(inside, forbidden, most_products)
        if not broken:
            least = min(least, bound)
            if best is None or cost < best[0]:
                best = (cost, spent)
            continue
        if best is not None and bound >= best[0]:
            continue
        for position, product in enumerate(broken):
            if product not in kept:
                waiting.append((out | {product}, kept | set(broken[:position])))
    if best is None:
        return None
    mass = best[1] / price
    share = np.where(mass > _CRUMB * mass.sum(), mass, 0.0)
    return Composition(share / share.sum(), best[0], min(least, best[0]))


def _broken(inside: Sequence[int], forbidden: Sequence[tuple[int, int]], most_products: int | None) -> tuple[int, ...]:
    """Products of which at least one must go; none where the blend may be."""
    for pair in forbidden:
        if set(pair) <= set(inside):
            return pair
    return tuple(inside) if most_products is not None and len(inside) > most_products else ()


def _first_tangents(wanted: Wanted, strength: FloatArray) -> list[Tangent]:
    return [
        (int(zone), int(need), share * float(strength[need].max()))
        for zone, need in zip(*np.nonzero(wanted.need_kg_ha > 0), strict=True)
        for share in _FIRST
        if strength[need].max() > 0
    ]


@dataclass(frozen=True, slots=True)
class _Cuts:
    """Tangents to the cost: columns are money spent on each product, 1 in all, and the rate of each zone.

    Attributes
    ----------
    need_kg_ha, strength, area_ha
        (zones, needs); (needs, products) kg available for one unit of money; (zones,).
    tangents
        Grows as blends are tried.
    """

    need_kg_ha: FloatArray
    strength: FloatArray
    area_ha: FloatArray
    tangents: list[Tangent]

    def cheapest(self, out: frozenset[int], *, enough: float) -> tuple[float, float, FloatArray] | None:
        """Cost, a bound below it, and money spent on each product, without some products.

        Stops as soon as the bound says that it will not be cheaper than `enough`.
        """
        left = [product for product in range(self.strength.shape[1]) if product not in out]
        met = self.strength[:, left].max(axis=1, initial=0.0) > 0
        if np.any(self.need_kg_ha[:, ~met] > 0):
            return None
        best: tuple[float, FloatArray] | None = None
        least = 0.0
        for _ in range(_MOST_STEPS):
            solved = self._under_tangents(out)
            if solved is None:
                return None
            least = max(least, solved[0])
            cost, asked = self._asked(solved[1])
            if best is None or cost < best[0]:
                best = (cost, solved[1])
            closed = np.isfinite(best[0]) and best[0] - least <= _CLOSED * max(best[0], 1.0)
            if closed or least >= enough:
                break
            reached = self.strength @ solved[1]
            rate = np.maximum(solved[2], _LEAST_RATE)
            for zone, number in zip(*np.nonzero(asked > rate[:, None] * (1 + _CLOSED)), strict=True):
                # where the blend has next to nothing of what is needed: what the rate would ask of it
                wanted = float(self.need_kg_ha[zone, number] / rate[zone])
                at = float(reached[number]) if reached[number] > 0.1 * wanted else wanted
                self.tangents.append((int(zone), int(number), at))
        return None if best is None or not np.isfinite(best[0]) else (best[0], least, best[1])

    def _asked(self, spent: FloatArray) -> tuple[float, FloatArray]:
        """Cost of a blend, and (zones, needs) the rate that each need asks for."""
        strength = self.strength @ spent
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.where(self.need_kg_ha > 0, self.need_kg_ha / strength, 0.0)
        return float(self.area_ha @ rate.max(axis=1)), rate

    def _under_tangents(self, out: frozenset[int]) -> tuple[float, FloatArray, FloatArray] | None:
        """Least cost under the tangents, money spent on each product, and the rate of each zone."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        products, zones = self.strength.shape[1], self.area_ha.size
        zone, need, at = (np.array(part) for part in zip(*self.tangents, strict=True))
        # 1/v >= 2/at - v/at^2 for every v > 0, both sides times the need
        wanted = self.need_kg_ha[zone, need] / at
        matrix = np.zeros((len(zone) + 1, products + zones))
        matrix[:-1, :products] = (wanted / at)[:, None] * self.strength[need]
        matrix[np.arange(len(zone)), products + zone] = 1.0
        matrix[-1, :products] = 1.0
        upper = np.full(products + zones, np.inf)
        upper[list(out)] = 0.0
        found = milp(
            np.concatenate([np.zeros(products), self.area_ha]),
            constraints=LinearConstraint(
                matrix, np.append(2 * wanted, 1.0), np.append(np.full(len(zone), np.inf), 1.0)
            ),
            bounds=Bounds(np.zeros(upper.size), upper),
        )
        if found.x is None:
            return None
        return float(found.fun), np.maximum(found.x[:products], 0.0), found.x[products:]


#: pass, parts (product, share of the mass) and composition of a blend
PassBlend = tuple[int, tuple[tuple[Product, float], ...], Composition]


def compositions(solution: Solution, ask: Ask) -> tuple[PassBlend, ...]:
    """(pass, parts, composition) of the blend of each pass that a programme of free rates uses.

    Where that is one pass, the blend meets every need by itself. Where there are several, that of each pass is to meet
    what the pass gives in the programme of free rates, so the whole is good but not proven to cost the least.
    """
    model, rates = solution.model, solution.rates
    used = sorted({o.position for n, o in enumerate(model.offers) if rates[:, n].max(initial=0.0) > 0})
    # over several passes the number of products is kept by taking those of the programme of free rates
    few = ask.terms.most_products is not None and len(used) > 1
    may = {o.product.name for n, o in enumerate(model.offers) if not few or rates[:, n].max(initial=0.0) > 0}
    found = []
    for position in used:
        numbers = [
            n for n, offer in enumerate(model.offers) if offer.position == position and offer.product.name in may
        ]
        products = [model.offers[n].product for n in numbers]
        wanted = _everything(solution, numbers) if len(used) == 1 else _its_part(solution, numbers)
        if not wanted.need_kg_ha.size:
            continue
        prices = prices_of(products)
        composition = cheapest_composition(
            wanted,
            np.array([prices[product.name] for product in products]),
            np.asarray(ask.zone_area_ha),
            forbidden=apart(products, ask),
            most_products=ask.terms.most_products,
        )
        if composition is None:
            return ()
        parts = tuple((p, float(share)) for p, share in zip(products, composition.share, strict=True) if share > 0)
        found.append((position, parts, composition))
    return tuple(found)


def apart(products: Sequence[Product], ask: Ask) -> list[tuple[int, int]]:
    """Pairs that cannot be blended: by their nature, and a liquid with a dry product."""
    return [
        (i, j)
        for i, j in combinations(range(len(products)), 2)
        if frozenset({products[i].name, products[j].name}) in ask.never_blended
        or (products[i].density_kg_l is None) != (products[j].density_kg_l is None)
    ]


def _everything(solution: Solution, numbers: Sequence[int]) -> Wanted:
    """Every day that matters, of every element."""
    model = solution.model
    days = sorted({(number, day) for _, number, day in solution.rows})
    gives, need = [], []
    for number, day in days:
        path = model.ask.paths[number]
        lacking = path.lacking_kg_ha[:, day] - solution.model.behind_kg_ha[:, number]
        gives.append([_given(model.offers[n].gives.get(path.element), day) for n in numbers])
        need.append(np.maximum(lacking, 0.0))
    return _without_idle(np.array(gives), np.array(need).T)


def _its_part(solution: Solution, numbers: Sequence[int]) -> Wanted:
    """What one pass gives by the end of the season, less its share of what is given beyond the need."""
    model, rates = solution.model, solution.rates
    gives, need = [], []
    for path in model.ask.paths:
        ends = [offer.given(path.element) for offer in model.offers]
        total = rates @ np.array(ends)
        own = rates[:, list(numbers)] @ np.array(ends)[list(numbers)]
        with np.errstate(divide="ignore", invalid="ignore"):
            wanted = np.where(total > 0, np.minimum(path.need_kg_ha / total, 1.0), 0.0)
        gives.append([ends[n] for n in numbers])
        need.append(own * wanted)
    return _without_idle(np.array(gives), np.array(need).T)


def _given(gives: FloatArray | None, day: int) -> float:
    return 0.0 if gives is None else float(gives[day])


def _without_idle(gives: FloatArray, need: FloatArray) -> Wanted:
    """Leave out what nobody lacks, or what nothing gives yet."""
    kept = (need.max(axis=0) > 1e-9) & (gives.max(axis=1) > 0)
    return Wanted(gives[kept], need[:, kept])
