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
from typing import TYPE_CHECKING

import numpy as np

from zonemap.products.model import prices_of
from zonemap.products.solve import Solution
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import Ask
from zonemap.values.season import Product

if TYPE_CHECKING:
    from scipy.optimize import LinearConstraint

#: the gap between the two bounds that is closed, and the steps allowed for it
_CLOSED, _MOST_STEPS = 1e-9, 400
#: shares of what the strongest product gives at which tangents stand from the start
_FIRST = (1.0, 0.5, 0.2, 0.05, 0.01)
#: a product that costs nothing would make the scale endless
_LEAST_PRICE = 1e-3
#: a part below this share of the mass is left out
_CRUMB = 1e-6


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
    apart: Sequence[tuple[int, int]] = (),
    most_products: int | None = None,
) -> Composition | None:
    """Composition of least cost; ``None`` where a need is met by no product.

    Parameters
    ----------
    price
        (products,) money per kg.
    area_ha
        (zones,).
    apart
        Pairs of products that must not both be in it.
    """
    strongest = wanted.gives / np.maximum(price, _LEAST_PRICE * price.max() or 1.0)
    if np.any((strongest.max(axis=1) <= 0) & (wanted.need_kg_ha.max(axis=0) > 0)):
        return None
    master = _Master(wanted, strongest, area_ha, tuple(apart), most_products)
    tangents = [
        (zone, need, share * float(strongest[need].max()))
        for zone, need in zip(*np.nonzero(wanted.need_kg_ha > 0), strict=True)
        for share in _FIRST
    ]
    best: tuple[float, FloatArray] | None = None
    least = 0.0
    for _ in range(_MOST_STEPS):
        solved = master.solve(tangents)
        if solved is None:
            return None
        least, spent = max(least, solved[0]), solved[1]
        strength = strongest @ spent
        cost, worst = _cost(wanted.need_kg_ha, strength, area_ha)
        if best is None or cost < best[0]:
            best = (cost, spent)
        if best[0] - least <= _CLOSED * max(best[0], 1.0):
            break
        floor = 1e-4 * strongest.max(axis=1)
        tangents += [
            (zone, int(need), float(max(strength[need], floor[need])))
            for zone, need in enumerate(worst)
            if wanted.need_kg_ha[zone, need] > 0
        ]
    if best is None or not np.isfinite(best[0]):
        return None
    mass = best[1] / np.maximum(price, _LEAST_PRICE * price.max() or 1.0)
    share = np.where(mass > _CRUMB * mass.sum(), mass, 0.0)
    return Composition(share / share.sum(), best[0], least)


def _cost(need: FloatArray, strength: FloatArray, area_ha: FloatArray) -> tuple[float, FloatArray]:
    """Cost of a blend, and the need that sets each zone's rate."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(need > 0, need / strength, 0.0)
    return float(area_ha @ rate.max(axis=1)), rate.argmax(axis=1)


@dataclass(frozen=True, slots=True)
class _Master:
    """The linear programme under the tangents: money spent on each product, 1 in all, and the rate of each zone."""

    wanted: Wanted
    strongest: FloatArray
    area_ha: FloatArray
    apart: tuple[tuple[int, int], ...]
    most_products: int | None

    def solve(self, tangents: Sequence[tuple[int, int, float]]) -> tuple[float, FloatArray] | None:
        """Least cost under the tangents, and the money spent on each product."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        products, zones = self.strongest.shape[1], self.area_ha.size
        whole = bool(self.apart) or self.most_products is not None
        columns = products + zones + (products if whole else 0)
        matrix, low = np.zeros((len(tangents), columns)), np.zeros(len(tangents))
        for row, (zone, need, at) in enumerate(tangents):
            # 1/v >= 2/at - v/at^2 for every v > 0; both sides times at keep the digits
            wanted = self.wanted.need_kg_ha[zone, need] / at
            matrix[row, :products] = wanted * self.strongest[need] / at
            matrix[row, products + zone] = 1.0
            low[row] = 2 * wanted
        sums = np.zeros((1, columns))
        sums[0, :products] = 1.0
        constraints = [LinearConstraint(matrix, low, np.inf), LinearConstraint(sums, 1.0, 1.0)]
        upper, integral = np.full(columns, np.inf), np.zeros(columns)
        if whole:
            constraints.append(self._choices(columns))
            upper[products + zones :], integral[products + zones :] = 1.0, 1
        cost = np.zeros(columns)
        cost[products : products + zones] = self.area_ha
        found = milp(
            cost,
            constraints=constraints,
            bounds=Bounds(np.zeros(columns), upper),
            integrality=integral,
            options={"mip_rel_gap": _CLOSED / 10},
        )
        return None if found.x is None else (float(found.fun), np.maximum(found.x[:products], 0.0))

    def _choices(self, columns: int) -> LinearConstraint:
        """What must not be together, and how many may be."""
        from scipy.optimize import LinearConstraint

        products = self.strongest.shape[1]
        used = columns - products
        rows, high = [], []
        for product in range(products):
            row = np.zeros(columns)
            row[product], row[used + product] = 1.0, -1.0
            rows.append(row)
            high.append(0.0)
        for pair in self.apart:
            row = np.zeros(columns)
            row[[used + product for product in pair]] = 1.0
            rows.append(row)
            high.append(1.0)
        if self.most_products is not None:
            row = np.zeros(columns)
            row[used:] = 1.0
            rows.append(row)
            high.append(float(self.most_products))
        return LinearConstraint(np.array(rows), -np.inf, np.array(high))


def compositions(
    solution: Solution, ask: Ask
) -> tuple[tuple[int, tuple[tuple[Product, float], ...], Composition], ...]:
    """(pass, parts, composition) of the blend of each pass that a programme of free rates uses.

    Where that is one pass, the blend meets every need by itself. Where there are several, that of each pass is to meet
    what the pass gives in the programme of free rates, so the whole is good but not proven to cost the least.
    """
    model, rates = solution.model, solution.rates
    used = sorted({o.position for n, o in enumerate(model.offers) if rates[:, n].max(initial=0.0) > 0})
    found = []
    for position in used:
        numbers = [n for n, offer in enumerate(model.offers) if offer.position == position]
        products = [model.offers[n].product for n in numbers]
        wanted = _everything(solution, numbers) if len(used) == 1 else _its_part(solution, numbers)
        prices = prices_of(products)
        composition = cheapest_composition(
            wanted,
            np.array([prices[product.name] for product in products]),
            np.asarray(ask.zone_area_ha),
            apart=_apart(products, ask),
            most_products=ask.terms.most_products,
        )
        if composition is None:
            return ()
        parts = tuple((p, float(share)) for p, share in zip(products, composition.share, strict=True) if share > 0)
        found.append((position, parts, composition))
    return tuple(found)


def _apart(products: Sequence[Product], ask: Ask) -> list[tuple[int, int]]:
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
