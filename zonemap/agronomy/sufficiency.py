"""How far the soil's supply goes against what the crop asks."""

from __future__ import annotations

import numpy as np

from zonemap.agronomy.rate import pooled_quantile
from zonemap.agronomy.shortfall import shortfall_curve
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.need import Demand
from zonemap.values.sufficiency import Sufficiency
from zonemap.values.surface import Surface
from zonemap.values.zones import Zones

#: a zone's band is told by so many of its cells: the shares are said in whole percent
_MOST_CELLS = 2000
#: a demand below this, kg/ha/day, is none
_NOTHING = 1e-12
#: probabilities of the band that is shown
BAND = (0.1, 0.5, 0.9)


def sufficiency(surface: Surface, demand: Demand, cell_area_ha: FloatArray, zones: Zones) -> Sufficiency:
    """Compare the supply of the field and of its zones with a crop's demand.

    Parameters
    ----------
    surface
        Of supply in kg/ha/day.
    cell_area_ha
        Cell vector.

    Examples
    --------
    A supply of 2 kg/ha/day against days that ask 1, 4 and 3: half of the peak, and 1 + 2 + 2 of 8 over the season.

    >>> from datetime import date
    >>> from zonemap.values.distribution import Distribution
    >>> from zonemap.values.surface import Evidence, Transform
    >>> evidence = Evidence(9, "not_found", 0.5, None, None, None)
    >>> level = Distribution.normal(np.array([2.0]), np.array([1e-9]))
    >>> surface = Surface("K", "kg/ha/day", Transform("none"), level, evidence)
    >>> demand = Demand("K", date(2026, 5, 1), np.array([1.0, 4.0, 3.0]), np.ones(3), "")
    >>> found = sufficiency(surface, demand, np.ones(1), Zones.whole(1))
    >>> found.share_of_peak.round(6), found.share_of_season.round(6)
    (array([0.5, 0.5]), array([0.625, 0.625]))
    """
    cells, area = _spokesmen(zones, cell_area_ha)
    some, places = surface.of_cells(cells), (Zones.whole(cells.size), Zones(zones.number[cells]))
    supply = np.column_stack(
        [np.concatenate([pooled_quantile(some, area, each, probability=p) for each in places]) for p in BAND]
    )
    middle, total = supply[:, 1], demand.total_kg_ha
    peak = int(np.argmax(demand.demand_kg_ha_day))
    asked = demand.peak_kg_ha_day
    lacking = shortfall_curve(demand, since=demand.first_day).at(middle)
    return Sufficiency(
        supply,
        middle * demand.response[peak] / asked if asked > _NOTHING else np.ones_like(middle),
        1 - lacking / total if total > _NOTHING else np.ones_like(middle),
    )


def _spokesmen(zones: Zones, cell_area_ha: FloatArray) -> tuple[IntArray, FloatArray]:
    """Numbers of cells that stand for their zones, evenly taken, and areas that add up to those of the zones."""
    count = np.bincount(zones.number)
    rank = np.empty(zones.number.size, dtype=np.int64)
    order = np.argsort(zones.number, kind="stable")
    rank[order] = np.arange(order.size) - np.repeat(np.cumsum(count) - count, count)
    cells = np.flatnonzero(rank % np.maximum(count // _MOST_CELLS, 1)[zones.number] == 0)
    whole = np.bincount(zones.number, weights=cell_area_ha)
    taken = np.bincount(zones.number[cells], weights=cell_area_ha[cells], minlength=whole.size)
    number = zones.number[cells]
    return cells, cell_area_ha[cells] * whole[number] / taken[number]
