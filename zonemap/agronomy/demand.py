"""Daily crop demand by calendar day."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from zonemap.agronomy.crops import CropRow, Uptake, crop_names, crop_row
from zonemap.agronomy.degree_days import degree_days
from zonemap.errors import InputError
from zonemap.units import ELEMENTS, UnitSystem
from zonemap.values.arrays import FloatArray
from zonemap.values.need import Demand
from zonemap.values.season import Crop, Temperatures


def crop_demand(crop: Crop, temperatures: Temperatures | None, *, units: UnitSystem) -> tuple[Demand, ...]:
    """Demand of a crop for every nutrient its table (or the user's own file) knows.

    Parameters
    ----------
    crop
        `own_demand` replaces the table's curve of the elements it holds. A crop the table does not know needs it, and
        then asks for nothing else.
    temperatures
        With them the crop's calendar follows degree days where its row has a rule; without, days after planting.
    units
        Unit system of the yield goal.

    Returns
    -------
    tuple of Demand
        In the order of `units.ELEMENTS`; nutrients the crop makes itself are left out.

    Raises
    ------
    InputError
        Unknown crop without a demand of its own, or a yield goal out of range.
    """
    if crop.own_demand and crop.name not in crop_names():
        return tuple(_own_demand(crop, element) for element in ELEMENTS if element in crop.own_demand)
    row = crop_row(crop.name)
    factor = row.yield_factor(crop.yield_goal, units)
    edges = season_edges(row, crop, temperatures)
    _refuse_unknown(crop, row)
    demands = []
    for element in ELEMENTS:
        if element in crop.own_demand:
            demands.append(_own_demand(crop, element))
            continue
        uptake = _chosen(crop, row, element, factor)
        if uptake is not None and uptake.fixed_share < 1:
            daily = daily_uptake(uptake, edges * row.season_days, season_days=row.season_days)
            demands.append(
                Demand(element, crop.planted, (1 - uptake.fixed_share) * daily, np.ones(daily.size), uptake.source)
            )
    return tuple(demands)


def _chosen(crop: Crop, row: CropRow, element: str, factor: float) -> Uptake | None:
    """Uptake of an element by the source the user chose, with the user's own total and shape; ``None`` if unknown.

    A total of the user's own is that of the season as it is; totals of the table go with the yield.
    """
    found = row.uptake.get(element)
    if found is not None and element in crop.sources:
        if crop.sources[element] not in found.other:
            there = ", ".join(found.other) or "no other"
            what = f"the table has no '{crop.sources[element]}' for {element} of {row.title}"
            raise InputError(f"field.toml, crop.sources, {element}", what, f"There is: {there}.")
        found = replace(found.other[crop.sources[element]], fixed_share=found.fixed_share)
    if found is None:
        if element not in crop.totals:
            return None
        shape = crop.shapes.get(element) or _usual_shape(row)
        own = "the user's own total"
        return Uptake(crop.totals[element], *shape, 0.0, own, "from memory", "days from 10 to 90 %")
    found = replace(found, total_kg_ha=factor * found.total_kg_ha)
    if element in crop.totals:
        said = f"the user's own total; shape: {found.source}"
        found = replace(found, total_kg_ha=crop.totals[element], fixed_share=0.0, source=said)
    if element in crop.shapes:
        midpoint, rate = crop.shapes[element]
        found = replace(found, midpoint_day=midpoint, steepness_per_day=rate, source=f"{found.source}; own shape")
    return found


def _usual_shape(row: CropRow) -> tuple[float, float]:
    """Midpoint and steepness of the crop's first nutrient, for one the table does not know."""
    first = next(iter(row.uptake.values()))
    return first.midpoint_day, first.steepness_per_day


def _refuse_unknown(crop: Crop, row: CropRow) -> None:
    for key, chosen in (("sources", crop.sources), ("shape", crop.shapes)):
        for element in chosen:
            if element not in row.uptake and element not in crop.totals:
                what = f"the table has no {element} for {row.title}"
                raise InputError(f"field.toml, crop.{key}, {element}", what, f"Give crop.totals {element} too.")


def _own_demand(crop: Crop, element: str) -> Demand:
    daily = crop.own_demand[element]
    return Demand(element, crop.planted, daily, np.ones(daily.size), "the user's own demand file")


def daily_uptake(uptake: Uptake, edge_days: FloatArray, *, season_days: float) -> FloatArray:
    """Uptake between successive edges of a season, kg/ha, scaled so that the whole season takes the total.

    Parameters
    ----------
    edge_days
        (days + 1,) rising, in days of a season of the reference length.

    Returns
    -------
    FloatArray
        (days,) kg/ha.
    """

    def cumulative(day: FloatArray) -> FloatArray:
        return np.asarray(1 / (1 + np.exp(-uptake.steepness_per_day * (day - uptake.midpoint_day))))

    start, end = cumulative(np.array([0.0, season_days]))
    return np.asarray(uptake.total_kg_ha * np.diff(cumulative(edge_days)) / (end - start))


def season_edges(row: CropRow, crop: Crop, temperatures: Temperatures | None) -> FloatArray:
    """Share of the season passed at the start of every day, from 0 to 1.

    Degree days drive it where temperatures and a rule exist; days before and after the record pass at the pace of the
    reference season.

    Returns
    -------
    FloatArray
        (days + 1,) from 0 to 1.
    """
    pace = 1 / row.season_days
    if temperatures is None or row.degree_days is None:
        return np.linspace(0, 1, row.season_days + 1)
    rule = row.degree_days
    heat = degree_days(temperatures.minimum_c, temperatures.maximum_c, base_c=rule.base_c, cap_c=rule.cap_c)
    skip = (crop.planted - temperatures.first_day).days
    recorded = (
        heat[skip:] / rule.season_c if skip >= 0 else np.concatenate([np.full(-skip, pace), heat / rule.season_c])
    )
    left = 1 - recorded.sum()
    tail = np.full(max(math.ceil(left / pace), 0), pace)
    share = np.concatenate([[0.0], np.cumsum(np.concatenate([recorded, tail]))])
    last = int(np.searchsorted(share, 1.0 - 1e-12))
    return np.asarray(np.minimum(share[: last + 1], 1.0))
