"""Season shortfall as a function of the supply rate: exact, convex, piecewise linear."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from zonemap.values.need import Demand, NeedCurve


def shortfall_curve(demand: Demand, *, since: date) -> NeedCurve:
    """Season shortfall A(s) = sum_i max(0, d_i - s f_i) over the days from `since` on.

    A is piecewise linear with knots at d_i / f_i, so the sums at the sorted knots hold all of it.

    Parameters
    ----------
    demand
        Daily demand and seasonal response of supply.
    since
        First day that counts: what is spread on that day cannot feed the days before.

    Returns
    -------
    NeedCurve
        Shortfall in kg/ha of the element against the supply rate in kg/ha/day.

    Examples
    --------
    Two days that ask 1 and 3 kg/ha, supply 2: short by 1 on the second day.

    >>> d = Demand("K", date(2026, 5, 1), np.array([1.0, 3.0]), np.ones(2), "")
    >>> float(shortfall_curve(d, since=date(2026, 5, 1)).at(2.0))
    1.0
    """
    skip = max((since - demand.first_day).days, 0)
    daily, response = demand.demand_kg_ha_day[skip:], demand.response[skip:]
    fed = response > 0
    never_fed = float(daily[~fed].sum())
    knot = daily[fed] / response[fed]
    order = np.argsort(knot, kind="stable")
    knot, daily, response = knot[order], daily[fed][order], response[fed][order]
    # at knot j the days above it are short by d_i - knot_j f_i
    demand_above = daily[::-1].cumsum()[::-1] - daily
    response_above = response[::-1].cumsum()[::-1] - response
    shortfall = np.maximum(demand_above - knot * response_above, 0.0) + never_fed
    supply = np.concatenate([[0.0], knot])
    need = np.concatenate([[float(daily.sum()) + never_fed], shortfall])
    supply, first = np.unique(supply, return_index=True)
    # rounding may lift a knot by a last bit: a shortfall never rises
    return NeedCurve(demand.nutrient, "kg/ha/day", supply, np.minimum.accumulate(need[first]))


def first_short_day(demand: Demand, supply_kg_ha_day: float) -> date | None:
    """First day on which the crop asks more than the soil supplies; ``None`` when it never does."""
    short = np.flatnonzero(demand.demand_kg_ha_day > supply_kg_ha_day * demand.response)
    return demand.first_day + timedelta(days=int(short[0])) if short.size else None
