"""Which product serves a nutrient at the lowest price, and how much of it is released."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
