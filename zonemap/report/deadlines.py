"""By when each nutrient must be spread: one day for all zones, by the rule of the programme, and an early warning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from zonemap.products.timing import spread_by
from zonemap.values.need import Need
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application
from zonemap.values.programme import TRIFLE, Balance
from zonemap.values.season import Product

#: what the days are, in the words of terminal, sheet and page
BY_WHEN = "Last day of spreading that keeps every zone from falling behind"
#: what brings less than this share of an element is not why it is spread
_LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Deadline:
    """By when one nutrient must be spread.

    Attributes
    ----------
    nutrient
        Element.
    products
        Names of what brings it, in the order of passes.
    spread_by
        Last day on which spreading them keeps every zone from lacking more than a hundredth of the season's need, what
        little other products bring before it counted.
    first_pass
        Day of the first pass with one of them; ``None`` where passes have no day.
    poorest_tenth
        Day from which the poorest tenth of the field, over places and uncertainty, may run short; ``None`` if never.
    """

    nutrient: str
    products: tuple[str, ...]
    spread_by: date
    first_pass: date | None
    poorest_tenth: date | None

    @property
    def late(self) -> bool:
        """Whether the first pass comes after the last day."""
        return self.first_pass is not None and self.first_pass > self.spread_by


def deadlines(plan: Plan) -> tuple[Deadline, ...]:
    """Deadlines of the nutrients that are spread, in the order of the needs."""
    return tuple(_deadlines(plan))


def deadlines_of(plan: Plan, application: Application) -> tuple[Deadline, ...]:
    """Deadlines of the nutrients that one application is spread for."""
    return tuple(each for each in deadlines(plan) if application.product.name in each.products)


def _deadlines(plan: Plan) -> Iterator[Deadline]:
    if plan.programmes is None:
        return
    balances = {each.element: each for each in plan.programmes.chosen.balances if each.path.dated}
    for need in plan.needs:
        bringing = _bringing(plan, need)
        if need.quantity not in balances or not bringing:
            continue
        held = [part for application in bringing for part in _parts(application) if part.analysis.get(need.quantity)]
        lag = min(part.release_lag_days for part in held)
        first_pass = min((application.on for application in bringing if application.on is not None), default=None)
        first = _short_from(balances[need.quantity], first_pass, lag)
        if first is None:
            continue
        yield Deadline(
            need.quantity,
            tuple(dict.fromkeys(application.product.name for application in bringing)),
            spread_by(first, release_lag_days=lag),
            first_pass,
            need.first_short_day,
        )


def _short_from(balance: Balance, first_pass: date | None, lag_days: int) -> date | None:
    """First day by whose end a zone lacks more than a trifle, were nothing spread but what comes before the pass."""
    path, lost = balance.path, balance.lost_kg_ha
    trifle = TRIFLE * max(float((balance.need_kg_ha + lost).max()), 0.1)
    if lost.max() > trifle or first_pass is None:
        return path.short_from
    before = int(np.clip((first_pass - path.first_day).days + lag_days - 1, -1, path.lacking_kg_ha.shape[1] - 1))
    until = balance.available_kg_ha[:, before, None] if before >= 0 else 0.0
    left = path.lacking_kg_ha + lost[:, None] - np.minimum(balance.available_kg_ha, until)
    short = (left > trifle).any(axis=0)
    return path.day(int(short.argmax())) if short.any() else None


def _bringing(plan: Plan, need: Need) -> list[Application]:
    """Applications that bring more than a trifle of an element."""
    given = [
        (each, float(each.rate_kg_ha.sum()) * each.product.analysis.get(need.quantity, 0.0))
        for each in plan.prescription.applications
    ]
    whole = sum(kg for _, kg in given)
    return [each for each, kg in given if kg > 0 and kg >= _LEAST_SHARE * whole]


def _parts(application: Application) -> tuple[Product, ...]:
    return tuple(part for part, _ in application.parts) or (application.product,)
