"""What each application costs: as it is bought, in whole bags where it comes in bags, less what is on hand."""

from __future__ import annotations

from zonemap.values.batch import Bought
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


def bought(plan: Plan) -> tuple[Bought, ...]:
    """Every product that is spread, over all its applications: mass, what of it is on hand, and money."""
    if plan.programmes is not None:
        purchases = plan.programmes.chosen.purchases
        return tuple(Bought(p.product.name, p.total_kg, p.from_hand_kg, p.cost) for p in purchases if p.total_kg > 0)
    found: dict[str, Bought] = {}
    for application in plan.prescription.applications:
        name, cost = application.product.name, cost_of(plan, application)
        so_far = found.get(name, Bought(name, 0.0, 0.0, 0.0))
        money = None if cost is None or so_far.cost is None else so_far.cost + cost
        found[name] = Bought(name, so_far.kg + plan.prescription.total_kg(application), 0.0, money)
    return tuple(found.values())
