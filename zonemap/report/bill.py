"""What each application costs: as it is bought, in whole bags where it comes in bags, less what is on hand."""

from __future__ import annotations

from zonemap.values.plan import Plan
from zonemap.values.prescription import Application


def cost_of(plan: Plan, application: Application) -> float | None:
    """Money for the product of one application; ``None`` without a price.

    A product's bill is shared over its applications by mass.
    """
    parts = application.parts or ((application.product, 1.0),)
    total = plan.prescription.total_kg(application)
    bought = {p.product.name: p for p in plan.programmes.chosen.purchases} if plan.programmes else {}
    cost = 0.0
    for product, share in parts:
        purchase = bought.get(product.name)
        kg = total * share
        if purchase is not None:
            if purchase.cost is None:
                return None
            cost += purchase.cost * kg / purchase.total_kg if purchase.total_kg else 0.0
        elif product.price_per_kg is None:
            return None
        else:
            cost += kg * product.price_per_kg
    return cost


def bags_of(plan: Plan, application: Application) -> int | None:
    """Whole bags to buy of an application's product, over all its applications; ``None`` where it is bought loose."""
    if plan.programmes is None:
        return None
    bags = {p.product.name: p.bags for p in plan.programmes.chosen.purchases}
    return bags.get(application.product.name)
