"""A programme at other rates than its own: what it then gives, and what has to be bought."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from zonemap.products.account import balances, purchases, trips
from zonemap.products.offers import Offer, blend_offer, offers_of
from zonemap.values.prescription import Application
from zonemap.values.programme import Ask, NeedPath, Programme


def at_rates(made: Programme, ask: Ask, doses: Sequence[Application]) -> Programme:
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
    crossed, cost = trips(ask, positions, made.spreading)
    return replace(
        made,
        doses=kept,
        balances=balances(paths, offers, rates),
        purchases=purchases(ask, kept),
        trips=crossed,
        trip_cost=cost,
        shadow=(),
        proven=False,
    )


def _position(dose: Application, ask: Ask) -> int:
    return next(position for position, when in enumerate(ask.passes) if when.on == dose.on)


def _offer(dose: Application, ask: Ask, paths: Sequence[NeedPath]) -> Offer:
    position = _position(dose, ask)
    if dose.parts:
        return blend_offer(dose.parts, position, ask.passes[position], paths, name=dose.product.name)
    found = offers_of((dose.product,), ask.passes, paths)
    # a product whose elements are not lacking any more gives nothing that counts
    return next((offer for offer in found if offer.position == position), Offer(dose.product, position, {}))
