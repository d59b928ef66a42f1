"""What the field may lack: surfaces and crop, or a surface and the user's own table, meet here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

from zonemap.agronomy.demand import crop_demand, fixation_notes
from zonemap.agronomy.rate import pooled_quantile
from zonemap.agronomy.response import mean_temperature, temperature_response
from zonemap.agronomy.shortfall import first_short_day, shortfall_curve
from zonemap.agronomy.tables import rate_table_curve
from zonemap.amounts import Reader, in_both
from zonemap.errors import InputError
from zonemap.pipeline.costing import need_costs, relative, share_short
from zonemap.pipeline.rule_needs import refuse_rules, refuse_shared_products, rule_needs
from zonemap.products.sources import cheapest_source, released_fraction
from zonemap.products.timing import choose_day, spread_by
from zonemap.units import UnitSystem
from zonemap.values.case import Case
from zonemap.values.grid import Grid
from zonemap.values.need import Demand, Need
from zonemap.values.note import Note
from zonemap.values.season import Product, RateTable
from zonemap.values.surface import Surface
from zonemap.values.zones import Zones

#: spreading for a crop starts after the harvest before it: a day earlier than this is likely of another year
_EARLY_DAYS = 300
#: the crop counts as running short where this share of field and uncertainty is short
_FIRST_SHORT_SHARE = 0.1

Needs = tuple[tuple[Need, ...], tuple[Note, ...]]


def season_shortfall(case: Case, surfaces: Mapping[str, Surface], grid: Grid) -> Needs:
    """Season shortfall of every nutrient that was measured and that the crop's table knows.

    Raises
    ------
    InputError
        Without a crop, on another basis than resin, or when no day of spreading lies within the season.
    """
    if case.crop is None:
        mend = "Add [crop] with name, yield_goal and planted, or [[rate_table]] for your own rates."
        raise InputError("field.toml", "there is no [crop] to compare the supply with", mend)
    if case.samples.basis.kind != "resin":
        what = f"demand per day cannot be compared with a {case.samples.basis.kind} value"
        raise InputError("field.toml, samples.basis", what, "Give resin supply rates, or a [[rate_table]].")
    refuse_rules(case)
    early = calendar_notes(case)
    demands, response_notes = _responding(case, crop_demand(case.crop, case.season.temperatures, units=case.units))
    pairs = [
        _nutrient_need(case, demand, surfaces[demand.nutrient], grid)
        for demand in demands
        if demand.nutrient in surfaces
    ]
    fixation = fixation_notes(case.crop, surfaces)
    notes = [*early, *response_notes, *fixation, *(note for _, notes in pairs for note in notes)]
    known = {demand.nutrient for demand in demands}
    unknown = [quantity for quantity in surfaces if quantity not in known]
    if unknown:
        text = (
            f"{', '.join(unknown)}: mapped, but the crop table has no demand for {case.crop.name}; no rate is planned."
        )
        notes.append(Note("warning", text))
    if not pairs:
        what = f"none of {', '.join(surfaces)} has a demand curve for {case.crop.name}"
        raise InputError("field.toml, samples.columns", what, "Name the nutrients (N, P, K ...), or give crop.demand.")
    return tuple(need for need, _ in pairs), tuple(notes)


def calendar_notes(case: Case) -> tuple[Note, ...]:
    """Check crop, yield goal and days of spreading against one another, before any surface is made.

    Raises
    ------
    InputError
        For an unknown crop, a yield out of its range, or days that all come after the crop has stopped feeding.
    """
    if case.crop is None or case.samples.basis.kind != "resin":
        return ()
    _refuse_late_days(case, crop_demand(case.crop, case.season.temperatures, units=case.units))
    planted = case.crop.planted
    early = [on for on in case.season.apply_on if (planted - on).days > _EARLY_DAYS]
    if not early:
        return ()
    days = ", ".join(str(on) for on in early)
    text = (
        f"field.toml, season, apply_on: {days} is over {_EARLY_DAYS} days before planting, {planted}. Check the year."
    )
    return (Note("warning", text),)


def rate_table(case: Case, surfaces: Mapping[str, Surface], grid: Grid) -> Needs:
    """Product need straight from the user's own tables.

    Raises
    ------
    InputError
        Without a table, or when a table's quantity was not measured.
    """
    if not case.rate_tables:
        mend = 'Add [[rate_table]] with value, product and points, e.g. value = "pH", points = [[5.0, 4000], [6.5, 0]].'
        raise InputError("field.toml", "there is no [[rate_table]]", mend)
    return tuple(_table_need(case, table, surfaces, grid) for table in case.rate_tables), ()


def conventional_rule(case: Case, surfaces: Mapping[str, Surface], grid: Grid) -> Needs:
    """Needs by the rules of public services that the user asks for, and by the user's own tables beside them.

    Raises
    ------
    InputError
        Without a rule, or for one that does not fit the values.
    """
    if not case.rules:
        mend = 'Add [[rule]] with name = "tri_state_k" or another; zonemap rules lists them.'
        raise InputError("field.toml", "there is no [[rule]]", mend)
    needs, notes = rule_needs(case, surfaces, grid)
    refuse_shared_products(needs, case.rate_tables)
    return (*needs, *(_table_need(case, table, surfaces, grid) for table in case.rate_tables)), notes


def shortfall_or_table(case: Case, surfaces: Mapping[str, Surface], grid: Grid) -> Needs:
    """Crop shortfall where a crop is named and resin was used; else rules where there are any, else rate tables."""
    if case.crop is not None and case.samples.basis.kind == "resin":
        return season_shortfall(case, surfaces, grid)
    if case.rules:
        return conventional_rule(case, surfaces, grid)
    return rate_table(case, surfaces, grid)


def same_currency(needs: tuple[Need, ...]) -> tuple[Need, ...]:
    """Put all costs on one scale: money if every need that has a product is priced, relative to its own curve if not.

    The critical fractiles stay as they are.
    """
    if all(need.costs.priced for need in needs if need.product is not None):
        return needs
    return tuple(replace(need, costs=relative(need.costs.assurance, need.curve)) for need in needs)


def _nutrient_need(case: Case, demand: Demand, surface: Surface, grid: Grid) -> tuple[Need, tuple[Note, ...]]:
    product = cheapest_source(demand.nutrient, case.products)
    lag = product.release_lag_days if product else 0
    everywhere = Zones.whole(grid.cells)
    low = pooled_quantile(surface, grid.cell_area_ha, everywhere, probability=_FIRST_SHORT_SHARE)
    first = first_short_day(demand, float(low[0]))
    latest = None if first is None else spread_by(first, release_lag_days=lag)
    on = choose_day(case.season.apply_on, latest)
    since = _first_fed(case, demand)
    curve = shortfall_curve(demand, since=since)
    days_left = (demand.last_day - max(since, demand.first_day)).days + 1
    fraction = released_fraction(product.serving(demand.nutrient), days=days_left) if product else 1.0
    costs = need_costs(case.decision, curve, product, fraction)
    need = Need(curve, costs, demand, product, on, fraction, first, latest, share_short(surface, curve, grid))
    return need, _timing_notes(need, demand, surface, grid, case.units)


def _first_fed(case: Case, demand: Demand) -> date:
    """First day that something spread can feed: the first pass, and the shortest lag of what holds the nutrient."""
    lags = [product.release_lag_days for product in case.products if product.analysis.get(demand.nutrient)]
    if not case.season.apply_on:
        return demand.first_day
    return max(min(case.season.apply_on) + timedelta(days=min(lags, default=0)), demand.first_day)


def _table_need(case: Case, table: RateTable, surfaces: Mapping[str, Surface], grid: Grid) -> Need:
    if table.quantity not in surfaces:
        what = f"'{table.quantity}' is not among the measured {', '.join(surfaces)}"
        raise InputError("field.toml, rate_table.value", what, "Name a quantity of samples.columns.")
    surface = surfaces[table.quantity]
    curve = rate_table_curve(table, measured_unit=surface.unit)
    product = next((p for p in case.products if p.name == table.product), Product(table.product, {}))
    costs = need_costs(case.decision, curve, product, 1.0)
    on = choose_day(case.season.apply_on, None)
    return Need(curve, costs, None, product, on, 1.0, None, None, share_short(surface, curve, grid))


def _timing_notes(need: Need, demand: Demand, surface: Surface, grid: Grid, units: UnitSystem) -> tuple[Note, ...]:
    if need.product is None:
        text = f"{demand.nutrient}: no [[product]] holds it, so no rate is planned for it."
        return (Note("warning", text),) if need.share_of_field_short > _FIRST_SHORT_SHARE else ()
    if need.on is None or need.spread_by is None or need.on <= need.spread_by:
        return ()
    whole = shortfall_curve(demand, since=demand.first_day)
    supply = surface.at_score(0.0)
    lost = whole.at(supply) - need.curve.at(supply)
    mean_lost = float(lost @ grid.cell_area_ha / grid.cell_area_ha.sum())
    late = (
        f"the first possible day, {need.on}, is after {need.spread_by}, the last one that would still serve the poorest"
    )
    texts = in_both(
        units,
        lambda read: (
            f"{demand.nutrient}: {late} tenth of the field; over the field about {read.rate(mean_lost)} lacking until "
            "then cannot be made up."
        ),
    )
    return (Note("warning", *texts),)


def _responding(case: Case, demands: tuple[Demand, ...]) -> tuple[tuple[Demand, ...], tuple[Note, ...]]:
    """Demands with the seasonal response of supply, where the user asks for one.

    Raises
    ------
    InputError
        When nothing says at which temperature supply was measured.
    """
    season, temperatures = case.season, case.season.temperatures
    if season.q10 is None or temperatures is None or not demands:
        return demands, ()
    reference, how = season.supply_temperature_c, "as stated under [samples]"
    if reference is None and case.collected is not None:
        # the first and the last day of the burial both count
        days = math.ceil(case.samples.basis.burial_days or 1) + 1
        reference, how = mean_temperature(temperatures, until=case.collected, days=days), "mean over the burial"
    if reference is None:
        what = "is missing; the weather file does not cover the days before samples.collected"
        mend = "Write the soil's temperature while the resin lay in it: supply_temperature_f = 55 (or _c)."
        raise InputError("field.toml, samples, supply_temperature_f", what, mend)
    followed, unknown = [], 0
    for demand in demands:
        size = demand.demand_kg_ha_day.size
        factor, missing = temperature_response(
            temperatures, first_day=demand.first_day, days=size, q10=season.q10, reference_c=reference
        )
        followed.append(replace(demand, response=factor))
        unknown = max(unknown, missing)
    longest = max(demand.demand_kg_ha_day.size for demand in demands)
    q10, measured_c = season.q10, reference
    texts = in_both(
        case.units,
        lambda read: (
            f"Supply follows the air's temperature: {q10:g} times as much for {_warmer(read)} more than "
            f"{_temperature(measured_c, read)}, at which it was measured ({how}). Air stands for soil. "
            f"{unknown} of {longest} days have no record and count as measured."
        ),
    )
    return tuple(followed), (Note("warning", *texts),)


def _warmer(read: Reader) -> str:
    return "18 degrees F" if read.rate_unit == "lb/ac" else "10 degrees C"


def _temperature(celsius: float, read: Reader) -> str:
    return f"{1.8 * celsius + 32:.1f} degrees F" if read.rate_unit == "lb/ac" else f"{celsius:.1f} degrees C"


def _refuse_late_days(case: Case, demands: tuple[Demand, ...]) -> None:
    if not case.season.apply_on or not demands:
        return
    end = max(demand.last_day for demand in demands)
    if min(case.season.apply_on) > end:
        what = f"every day is after {end}, when the crop stops feeding"
        raise InputError("field.toml, season.apply_on", what, "Name a day before that, or correct crop.planted.")
