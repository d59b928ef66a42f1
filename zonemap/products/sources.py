"""Which product serves which nutrient, and how much of it a need asks for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.season import Product


def cheapest_source(element: str, products: Sequence[Product]) -> Product | None:
    """Product with the lowest price per kg of the element, among unpriced ones the richest; ``None`` if none holds it.

    Ties go to the product named first. A priced product goes before an unpriced one.

    Examples
    --------
    >>> urea = Product("urea", {"N": 0.46}, price_per_kg=0.5)
    >>> sulfate = Product("ammonium sulfate", {"N": 0.21}, price_per_kg=0.4)
    >>> cheapest_source("N", [sulfate, urea]).name
    'urea'
    """
    holders = [product for product in products if product.analysis.get(element, 0.0) > 0]
    return min(holders, key=lambda product: _cost_rank(product, element), default=None)


def _cost_rank(product: Product, element: str) -> tuple[bool, float]:
    content = product.analysis[element]
    return (True, -content) if product.price_per_kg is None else (False, product.price_per_kg / content)


def price_per_kg_of(element: str, product: Product) -> float | None:
    """Money per kg of the element bought as this product, its other nutrients counted as nothing."""
    return None if product.price_per_kg is None else product.price_per_kg / product.analysis[element]


def released_fraction(product: Product, *, days: int) -> float:
    """Fraction e of the applied nutrient that becomes available within `days` of spreading.

    First-order release with the product's half-life, times the share that ever becomes available.

    >>> released_fraction(Product("meal", {"N": 0.12}, release_half_life_days=30.0), days=60)
    0.75
    """
    if product.release_half_life_days is None:
        return product.available_fraction
    released = 1 - math.exp(-math.log(2) * max(days, 0) / product.release_half_life_days)
    return product.available_fraction * released


def serving_order(sources: Mapping[str, Product]) -> tuple[str, ...]:
    """Order in which to serve nutrients, so that what a product brings along is credited before its nutrient is served.

    A nutrient goes before another when its product carries the other too; a circle is cut at the nutrient whose product
    is richest in it.

    >>> map_, urea = Product("MAP", {"N": 0.11, "P": 0.227}), Product("urea", {"N": 0.46})
    >>> serving_order({"N": urea, "P": map_})
    ('P', 'N')
    """
    waiting = list(sources)
    ordered: list[str] = []
    while waiting:
        free = [e for e in waiting if not any(_carries(sources, other, e) for other in waiting if other != e)]
        following = free[0] if free else max(waiting, key=lambda e: sources[e].analysis[e])
        ordered.append(following)
        waiting.remove(following)
    return tuple(ordered)


def _carries(sources: Mapping[str, Product], element: str, other: str) -> bool:
    """Whether the product chosen for one element brings another that has a product of its own."""
    return sources[element].name != sources[other].name and sources[element].analysis.get(other, 0.0) > 0


def one_product_per_nutrient(
    needs_kg_ha: Mapping[str, FloatArray],
    sources: Mapping[str, Product],
    days: Mapping[str, date | None],
    fractions: Mapping[str, float],
) -> tuple[tuple[Product, date | None, FloatArray], ...]:
    """Product rates that meet every need, each nutrient from its own product, what comes along credited.

    Parameters
    ----------
    needs_kg_ha
        element -> (zones,) kg/ha that must become available.
    sources, days, fractions
        element -> its product, its day, and the fraction of it that becomes available in the season.

    Returns
    -------
    tuple of (product, day, (zones,) kg/ha)
        Rates of one product on one day are summed; in serving order, products no zone needs left out.

    References
    ----------
    Crediting nitrogen from phosphate products before topping up is the hand calculation of Ohio State University
    Extension ANR-74.
    """
    credit = {element: np.zeros_like(need) for element, need in needs_kg_ha.items()}
    rates: dict[tuple[str, date | None], tuple[Product, FloatArray]] = {}
    for element in serving_order({e: sources[e] for e in needs_kg_ha}):
        product, fraction = sources[element], fractions[element]
        left = np.maximum(needs_kg_ha[element] - credit[element], 0.0)
        rate = left / (product.analysis[element] * fraction)
        for other in credit:
            credit[other] = credit[other] + rate * product.analysis.get(other, 0.0) * fraction
        earlier = rates.get((product.name, days[element]))
        rates[product.name, days[element]] = (product, rate if earlier is None else earlier[1] + rate)
    return tuple((product, on, rate) for (_, on), (product, rate) in rates.items() if np.any(rate > 0))
