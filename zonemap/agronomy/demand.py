"""Daily crop demand by calendar day."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import replace

import numpy as np

from zonemap.agronomy.crops import CropRow, Uptake, crop_names, crop_row
from zonemap.agronomy.degree_days import degree_days
from zonemap.agronomy.logistic import season_steepness, taken_up
from zonemap.errors import InputError
from zonemap.units import ELEMENTS, UnitSystem
from zonemap.values.arrays import FloatArray
from zonemap.values.need import Demand
from zonemap.values.note import Note
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
        Unknown crop without a demand of its own, a yield goal out of range, or sources, totals and shapes that the
        table cannot take.
    """
    if crop.own_demand and crop.name not in crop_names():
        _refuse_without_a_row(crop)
        return tuple(_own_demand(crop, element) for element in ELEMENTS if element in crop.own_demand)
    row = crop_row(crop.name)
    factor = row.yield_factor(crop.yield_goal, units)
    edges = season_edges(row, crop, temperatures)
    _refuse_what_does_nothing(crop, row)
    demands = []
    for element in ELEMENTS:
        if element in crop.own_demand:
            demands.append(_own_demand(crop, element))
            continue
        uptake = _uptake_of(crop, row, element, factor)
        if uptake is not None and uptake.fixed_share < 1:
            daily = daily_uptake(uptake, edges * row.season_days, season_days=row.season_days)
            demands.append(
                Demand(element, crop.planted, (1 - uptake.fixed_share) * daily, np.ones(daily.size), uptake.source)
            )
    return tuple(demands)


def _uptake_of(crop: Crop, row: CropRow, element: str, factor: float) -> Uptake | None:
    """Uptake of an element by the source the user chose, with the user's own total and shape; ``None`` if unknown.

    A total of the user's own is that of the season as it is; totals of the table go with the yield. What a legume makes
    itself is taken off either.
    """
    found = _by_source(crop, row, element)
    if found is not None:
        found = replace(found, total_kg_ha=factor * found.total_kg_ha)
    if element in crop.totals:
        found = _with_total(found, crop.totals[element], row)
    if found is not None and element in crop.shapes:
        shape = crop.shapes[element]
        where = f"field.toml, crop.shape, {element}"
        rate = season_steepness(found.total_kg_ha, shape, season_days=row.season_days, where=where)
        source = f"{found.source}; the user's own shape"
        found = replace(found, midpoint_day=shape.midpoint_day, steepness_per_day=rate, source=source)
    return found


def _by_source(crop: Crop, row: CropRow, element: str) -> Uptake | None:
    found = row.uptake.get(element)
    if found is None or element not in crop.sources:
        return found
    chosen = found.by_source(crop.sources[element])
    if chosen is None:
        what = f"the table has no '{crop.sources[element]}' for {element} of {row.title}"
        there = f"There is: {', '.join(found.sources)}." if found.sources else "There is one source only: drop the key."
        raise InputError(f"field.toml, crop.sources, {element}", what, there)
    return chosen


def _with_total(found: Uptake | None, total_kg_ha: float, row: CropRow) -> Uptake:
    """The user's total in the table's shape, or in that of the crop's first nutrient where the table has none."""
    own = "the user's own total"
    if found is not None:
        return replace(found, total_kg_ha=total_kg_ha, source=f"{own}; shape: {found.source}")
    element, first = next(iter(row.uptake.items()))
    source = f"{own}; shape of {element}: {first.source}"
    return replace(first, total_kg_ha=total_kg_ha, fixed_share=0.0, source=source, other={}, name="")


def _refuse_what_does_nothing(crop: Crop, row: CropRow) -> None:
    """Refuse keys that name a nutrient the table lacks, or one that the crop makes all by itself."""
    for key, chosen in (("sources", crop.sources), ("shape", crop.shapes), ("totals", crop.totals)):
        for element in chosen:
            where = f"field.toml, crop.{key}, {element}"
            if element in row.uptake and row.uptake[element].fixed_share >= 1:
                what = f"{row.title} makes all of its {element} itself"
                raise InputError(where, what, 'Drop the key, or give the demand itself: demand = "demand.csv".')
            if element not in row.uptake and element not in crop.totals:
                what = f"the table has no {element} for {row.title}"
                raise InputError(where, what, f"Give crop.totals {element} too.")


def _refuse_without_a_row(crop: Crop) -> None:
    """Refuse totals, shapes and sources of a crop the table does not know: nothing says how long its season is."""
    for key, chosen in (("sources", crop.sources), ("shape", crop.shapes), ("totals", crop.totals)):
        for element in chosen:
            what = f"'{crop.name}' is not in the crop table, so nothing says how its season goes"
            raise InputError(f"field.toml, crop.{key}, {element}", what, f"Put {element} into the demand file.")


def fixation_notes(crop: Crop, nutrients: Collection[str]) -> tuple[Note, ...]:
    """Caution for every nutrient asked for that the crop makes a part of itself.

    Parameters
    ----------
    nutrients
        Elements a rate may be planned for.
    """
    if crop.name not in crop_names():
        return ()
    row = crop_row(crop.name)
    return tuple(
        Note(
            "caution",
            f"{element}: {row.title} makes a part of its own, counted here as {100 * uptake.fixed_share:.0f}%, and "
            "more where the soil gives less. Spreading it seldom pays (common practice): take local advice first.",
        )
        for element, uptake in row.uptake.items()
        if 0 < uptake.fixed_share < 1 and element in nutrients and element not in crop.own_demand
    )


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
        return taken_up(day, midpoint_day=uptake.midpoint_day, steepness_per_day=uptake.steepness_per_day)

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
