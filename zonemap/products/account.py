"""What doses of products come to: what they give, what has to be bought, how often the field is crossed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from zonemap.products.model import given, trip_cost
from zonemap.products.offers import Offer
from zonemap.values.arrays import FloatArray
from zonemap.values.prescription import Application
from zonemap.values.programme import Ask, Balance, NeedPath, Purchase
from zonemap.values.season import Product
from zonemap.values.terms import Spreading


def balances(paths: Sequence[NeedPath], offers: Sequence[Offer], rates: FloatArray) -> tuple[Balance, ...]:
    """Balance of every path at (zones, offers) rates, kg/ha."""
    return tuple(_balance(path, offers, rates) for path in paths)


def purchases(ask: Ask, doses: Sequence[Application]) -> tuple[Purchase, ...]:
    """What is bought of each product, in the order of the ask."""
    kg: dict[str, float] = {}
    for dose in doses:
        total = float(dose.rate_kg_ha @ ask.zone_area_ha)
        for product, share in dose.parts or ((dose.product, 1.0),):
            kg[product.name] = kg.get(product.name, 0.0) + share * total
    return tuple(_purchase(product, kg[product.name], ask) for product in ask.products if product.name in kg)


def trips(ask: Ask, positions: Iterable[int], spreading: Spreading) -> tuple[int, float]:
    """How often the machine crosses the field for doses on these passes, and what that costs."""
    crossed = sorted(set(positions)) if spreading == "bins" else list(positions)
    return len(crossed), sum(trip_cost(ask, position) for position in crossed)


def _balance(path: NeedPath, offers: Sequence[Offer], rates: FloatArray) -> Balance:
    content = np.array([offer.product.analysis.get(path.element, 0.0) for offer in offers])
    return Balance(path, given(path, offers, rates), rates @ content)


def _purchase(product: Product, kg: float, ask: Ask) -> Purchase:
    from_hand = min(product.on_hand_kg, kg)
    bought, bags = kg - from_hand, None
    if ask.terms.whole_bags and product.bag_kg is not None:
        bags = int(np.ceil(bought / product.bag_kg - 1e-9))
        bought = bags * product.bag_kg
    cost = None if product.price_per_kg is None else bought * product.price_per_kg
    return Purchase(product, kg, from_hand, bags, 0.0 if bought == 0 else cost)
