"""A programme at other rates than its own: what it then gives, and what has to be bought."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from zonemap.products.model import given, trip_cost
from zonemap.products.offers import Offer, blend_offer, offers_of
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import Ask, Balance, Dose, NeedPath, Programme, Purchase
from zonemap.values.season import Product


def at_rates(made: Programme, ask: Ask, doses: Sequence[Dose]) -> Programme:
    """Return a programme with other doses of its products: balances, purchases, trips and cost follow.

    Parameters
    ----------
    ask
        That the programme was made from.
    doses
        Of products, blends and days of the programme; such that are nowhere spread are left out.

    Notes
    -----
    What one more kg would cost is not known any more, nor whether a cheaper programme exists.
    """
    kept = tuple(dose for dose in doses if dose.rate_kg_ha.max(initial=0.0) > 0)
    paths = tuple(balance.path for balance in made.balances)
    offers = [_offer(dose, ask, paths) for dose in kept]
    rates = np.column_stack([dose.rate_kg_ha for dose in kept]) if kept else np.zeros((ask.zones, 0))
    positions = [_position(dose, ask) for dose in kept]
    crossed = sorted(set(positions)) if made.spreading == "bins" else positions
    return replace(
        made,
        doses=kept,
        balances=tuple(_balance(path, offers, rates) for path in paths),
        purchases=_purchases(ask, kept),
        trips=len(crossed),
        trip_cost=sum(trip_cost(ask, position) for position in crossed),
        shadow=(),
        proven=False,
    )


def _position(dose: Dose, ask: Ask) -> int:
    return next(position for position, when in enumerate(ask.passes) if when.on == dose.on)


def _offer(dose: Dose, ask: Ask, paths: Sequence[NeedPath]) -> Offer:
    position = _position(dose, ask)
    if dose.parts:
        return blend_offer(dose.parts, position, ask.passes[position], paths, name=dose.product.name)
    found = offers_of((dose.product,), ask.passes, paths)
    # a product whose elements are not lacking any more gives nothing that counts
    return next((offer for offer in found if offer.position == position), Offer(dose.product, position, {}))


def _balance(path: NeedPath, offers: Sequence[Offer], rates: FloatArray) -> Balance:
    content = np.array([offer.product.analysis.get(path.element, 0.0) for offer in offers])
    return Balance(path, given(path, offers, rates), rates @ content)


def _purchases(ask: Ask, doses: Sequence[Dose]) -> tuple[Purchase, ...]:
    kg: dict[str, float] = {}
    for dose in doses:
        total = float(dose.rate_kg_ha @ ask.zone_area_ha)
        for product, share in dose.parts or ((dose.product, 1.0),):
            kg[product.name] = kg.get(product.name, 0.0) + share * total
    return tuple(_purchase(product, kg[product.name], ask) for product in ask.products if product.name in kg)


def _purchase(product: Product, kg: float, ask: Ask) -> Purchase:
    from_hand = min(product.on_hand_kg, kg)
    bought, bags = kg - from_hand, None
    if ask.terms.whole_bags and product.bag_kg is not None:
        bags = int(np.ceil(bought / product.bag_kg - 1e-9))
        bought = bags * product.bag_kg
    cost = None if product.price_per_kg is None else bought * product.price_per_kg
    return Purchase(product, kg, from_hand, bags, 0.0 if bought == 0 else cost)
