"""What one kg of each product, spread on each pass, has given the crop by the end of every day."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from types import MappingProxyType

import numpy as np

from zonemap.products.salt import harms_seed
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import NeedPath
from zonemap.values.season import Product
from zonemap.values.terms import Pass


@dataclass(frozen=True, slots=True)
class Offer:
    """One product (or blend) that may be spread on one pass.

    Attributes
    ----------
    product
        What.
    position
        Which pass.
    gives
        element -> (days,) kg per kg of product, available by the end of each day of that element's path.
    parts
        For a blend: product -> share of its mass.
    """

    product: Product
    position: int
    gives: Mapping[str, FloatArray]
    parts: tuple[tuple[Product, float], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "gives", MappingProxyType(dict(self.gives)))

    def given(self, element: str) -> float:
        """Kg per kg of product by the end of the season."""
        return float(self.gives[element][-1]) if element in self.gives else 0.0


def released(product: Product, *, on: date | None, first_day: date, days: int, dated: bool = True) -> FloatArray:
    """(days,) share of what a product holds that is available by the end of each day.

    First-order release with the product's half-life from the day it is spread and its lag is over, times the share that
    ever becomes available. Without a day of spreading it is spread in time for the first day. An undated need is met by
    whatever ever becomes available.

    Examples
    --------
    Half of it is there after one half-life; spread on the second of four days.

    >>> meal = Product("meal", {"N": 0.12}, release_half_life_days=1.0)
    >>> released(meal, on=date(2026, 5, 2), first_day=date(2026, 5, 1), days=4).tolist()
    [0.0, 0.5, 0.75, 0.875]
    """
    if not dated:
        return np.full(days, product.available_fraction)
    start = 0 if on is None else (on + timedelta(days=product.release_lag_days) - first_day).days
    elapsed = np.maximum(np.arange(days) - start + 1, 0)
    if product.release_half_life_days is None:
        return np.where(elapsed > 0, product.available_fraction, 0.0)
    rate = math.log(2) / product.release_half_life_days
    return np.asarray(-product.available_fraction * np.expm1(-rate * elapsed))


def offers_of(products: Sequence[Product], passes: Sequence[Pass], paths: Sequence[NeedPath]) -> tuple[Offer, ...]:
    """Every product on every pass it may be spread on, by pass and then in the order given.

    Left out are those that feed nothing that is lacking, products spread too late, and urea with the seed.
    """
    offers = []
    for position, when in enumerate(passes):
        for product in products:
            if when.products and product.name not in when.products:
                continue
            if when.placement == "with_seed" and burns_seed(product):
                continue
            gives = {path.element: _gives(product, when, path) for path in paths if product.analysis.get(path.element)}
            lacking = [path.element for path in paths if path.need_kg_ha.max() > 0]
            if any(element in gives and gives[element][-1] > 0 for element in lacking):
                offers.append(Offer(product, position, gives))
    return tuple(offers)


def blend_offer(
    parts: Sequence[tuple[Product, float]], position: int, when: Pass, paths: Sequence[NeedPath], *, name: str
) -> Offer:
    """One blend as an offer: contents, release, price and bulk density follow from its parts.

    Parameters
    ----------
    parts
        (product, share of the mass), shares adding up to 1.
    """
    elements = {element for product, _ in parts for element in product.analysis}
    analysis = {e: sum(share * product.analysis.get(e, 0.0) for product, share in parts) for e in sorted(elements)}
    priced = [product.price_per_kg for product, _ in parts]
    price = None if None in priced else sum(share * (product.price_per_kg or 0.0) for product, share in parts)
    densities = [product.bulk_density_kg_m3 for product, _ in parts]
    density = None if None in densities else 1 / sum(share / (p.bulk_density_kg_m3 or 1.0) for p, share in parts)
    organic = all(product.source == "organic" for product, _ in parts)
    blend = Product(name, analysis, {}, price, source="organic" if organic else "mineral", bulk_density_kg_m3=density)
    gives: dict[str, FloatArray] = {}
    for path in paths:
        if path.element in analysis:
            gives[path.element] = np.asarray(
                sum(share * _gives(product, when, path) for product, share in parts), dtype=float
            )
    return Offer(blend, position, gives, tuple(parts))


def burns_seed(product: Product) -> bool:
    """Whether a product must not lie with the seed, by its kind or, of the user's own making, by its name."""
    return harms_seed(product.kind) or "urea" in product.name.casefold().split()


def _gives(product: Product, when: Pass, path: NeedPath) -> FloatArray:
    share = released(
        product.serving(path.element),
        on=when.on,
        first_day=path.first_day,
        days=path.lacking_kg_ha.shape[1],
        dated=path.dated,
    )
    return product.analysis.get(path.element, 0.0) * share
