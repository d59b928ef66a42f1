"""What being short and over costs, and how likely any need is: shared by all ways to a need."""

from __future__ import annotations

from zonemap.agronomy.rate import probability_of_need
from zonemap.products.sources import price_per_kg_of
from zonemap.values.grid import Grid
from zonemap.values.need import Costs, NeedCurve
from zonemap.values.season import Decision, Product
from zonemap.values.surface import Surface


def need_costs(decision: Decision, curve: NeedCurve, product: Product | None, fraction: float) -> Costs:
    """Costs of being short and over of what a curve is of, met by a product of which a fraction feeds the crop."""
    element, price = curve.element or curve.quantity, None
    if product is not None:
        price = product.price_per_kg if curve.product else price_per_kg_of(element, product)
    return costs_of(decision, curve.product or element, curve, None if price is None else price / fraction)


def costs_of(decision: Decision, key: str, curve: NeedCurve, price: float | None) -> Costs:
    """Costs from the user's prices, else from the product's price and the assurance, else relative."""
    short, over = decision.cost_short.get(key), decision.cost_over.get(key)
    odds = decision.assurance / (1 - decision.assurance)
    if short is not None and over is not None:
        return Costs(short, over, priced=True)
    if short is not None:
        return Costs(short, short / odds, priced=True)
    if over is None:
        over = price
    if over is None or over == 0:
        return relative(decision.assurance, curve)
    return Costs(over * odds, over, priced=True)


def relative(assurance: float, curve: NeedCurve) -> Costs:
    """Costs in units of the largest need of the curve."""
    scale = float(curve.need_kg_ha.max()) or 1.0
    return Costs(assurance / (1 - assurance) / scale, 1 / scale, priced=False)


def share_short(surface: Surface, curve: NeedCurve, grid: Grid) -> float:
    """Probability of any need, averaged over the area of the field."""
    return float(probability_of_need(surface, curve) @ grid.cell_area_ha / grid.cell_area_ha.sum())
