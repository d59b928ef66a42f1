"""``[programme]`` and ``[[pass]]`` of field.toml, and what they say as values in metric units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from zonemap.errors import InputError
from zonemap.io.label_forms import by_element
from zonemap.io.sources import shown
from zonemap.io.toml_table import Day, NotNegative, Positive, Text, TomlTable
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, KG_PER_LB, LABEL_FORMS, M_PER_FT, UnitSystem
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Terms

_M_PER_IN = M_PER_FT / 12
_NAME = "field.toml"
_Share = Annotated[float, Field(ge=0, le=1)]
_Amounts = dict[Text, NotNegative]


class ProgrammeTable(TomlTable):
    """``[programme]``: how products are spread and within which limits they are chosen."""

    spread: Literal["separate", "bins", "blend"] = Field(
        "separate",
        description='Write spread = "separate" (a trip a product), "bins" (side by side) or "blend" (one mix a pass).',
    )
    bins: Annotated[int, Field(ge=1, le=12)] = Field(2, description="Write how many bins the machine has: bins = 3.")
    organic: Literal["any", "none", "all"] = Field(
        "any", description='Write organic = "any", "none" (mineral products only) or "all" (organic products only).'
    )
    organic_share: _Share | dict[Text, _Share] = Field(
        0.0, description="Write a share from 0 to 1 of all nutrients, or by nutrient: organic_share = { N = 0.5 }."
    )
    most_products: Annotated[int, Field(ge=1, le=100)] | None = Field(
        None, description="Write how many products at most: most_products = 3."
    )
    most_passes: Annotated[int, Field(ge=1, le=100)] | None = Field(
        None, description="Write on how many days at most: most_passes = 2."
    )
    cost_of_trip: NotNegative = Field(
        0.0, description="Write money per acre (us) or hectare (metric) for crossing the field once: cost_of_trip = 7."
    )
    cap_per_pass: _Amounts = Field(
        {}, description="Write most of a nutrient at once, lb/ac (us) or kg/ha (metric): cap_per_pass = { N = 60 }."
    )
    cap_per_season: _Amounts = Field(
        {}, description="Write most of a nutrient in all, lb/ac (us) or kg/ha (metric): cap_per_season = { N = 200 }."
    )
    most_over: _Amounts = Field(
        {}, description="Write most beyond the need, lb/ac (us) or kg/ha (metric): most_over = { N = 20, P2O5 = 30 }."
    )
    cost_of_over: _Amounts = Field(
        {}, description="Write money per lb (us) or kg (metric) beyond the need: cost_of_over = { N = 0.3 }."
    )
    whole_bags: bool | None = Field(None, description="Write whole_bags = true or whole_bags = false.")


class PassTable(TomlTable):
    """``[[pass]]``: one day on which the spreader can go, and what holds for it."""

    on: Day = Field(description="Write the date without quotes: on = 2026-05-20.")
    placement: Literal["surface", "worked_in", "with_seed"] = Field(
        "surface", description='Write placement = "surface", "worked_in" or "with_seed".'
    )
    row_spacing_in: Positive | None = Field(None, description="Write the distance of the rows: row_spacing_in = 30.")
    row_spacing_cm: Positive | None = Field(None, description="Write the distance of the rows: row_spacing_cm = 75.")
    sandy: bool = Field(default=False, description="Write sandy = true or sandy = false.")
    cap: _Amounts = Field({}, description="Write most of a nutrient, lb/ac (us) or kg/ha (metric): cap = { N = 40 }.")
    cost_of_trip: NotNegative | None = Field(
        None, description="Write money per acre (us) or hectare (metric): cost_of_trip = 7."
    )
    min_rate: NotNegative | None = Field(None, description="Write lb/ac (us) or kg/ha (metric): min_rate = 40.")
    max_rate: Positive | None = Field(None, description="Write lb/ac (us) or kg/ha (metric): max_rate = 300.")
    products: list[Text] = Field([], description='Write the names of products: products = ["urea"].')


def terms_of(table: ProgrammeTable, *, units: UnitSystem, area_ha: float, small_ha: float) -> Terms:
    """Limits of a programme.

    Parameters
    ----------
    area_ha, small_ha
        Area of the field, and below which area bags are bought whole where nothing is said.

    Raises
    ------
    InputError
        For a nutrient it does not know, or one stated as element and as oxide.
    """
    where = f"{_NAME}, programme"
    share = table.organic_share if isinstance(table.organic_share, dict) else {"": table.organic_share}
    for element in share:
        if element and element not in {element for element, _ in LABEL_FORMS.values()}:
            mend = "Use elements: N, P, K, S, Ca, Mg, Zn, B, Mn, Cu, Fe."
            raise InputError(f"{where}, organic_share, {element}", f"{shown(element)} is no element", mend)
    rate = KG_HA_PER_LB_AC if units == "us" else 1.0
    kg = KG_PER_LB if units == "us" else 1.0
    prices = by_element(table.cost_of_over, where=f"{where}, cost_of_over")
    return Terms(
        spreading=table.spread,
        bins=table.bins,
        organic=table.organic,
        organic_share={element: least for element, least in share.items() if least > 0},
        most_products=table.most_products,
        most_passes=table.most_passes,
        cost_of_trip_ha=table.cost_of_trip / (HA_PER_AC if units == "us" else 1.0),
        cap_per_pass_kg_ha=_elements(table.cap_per_pass, rate, where=f"{where}, cap_per_pass"),
        cap_per_season_kg_ha=_elements(table.cap_per_season, rate, where=f"{where}, cap_per_season"),
        most_over_kg_ha=_elements(table.most_over, rate, where=f"{where}, most_over"),
        cost_of_over={element: price / kg / factor for element, (price, factor) in prices.items()},
        whole_bags=area_ha < small_ha if table.whole_bags is None else table.whole_bags,
    )


def passes_of(tables: Sequence[PassTable], products: Sequence[Product], *, units: UnitSystem) -> tuple[Pass, ...]:
    """Passes that the user says something of, by day.

    Raises
    ------
    InputError
        For a day or a nutrient stated twice, a product that is not there, or seed rows without their distance.
    """
    passes: dict[date, Pass] = {}
    for number, table in enumerate(tables, start=1):
        where = f"{_NAME}, pass {number}"
        if table.on in passes:
            raise InputError(f"{where}, on", f"{table.on} is there twice", "Keep one [[pass]] a day.")
        passes[table.on] = _pass(table, products, units=units, where=where)
    return tuple(passes[on] for on in sorted(passes))


def _pass(table: PassTable, products: Sequence[Product], *, units: UnitSystem, where: str) -> Pass:
    if table.row_spacing_in is not None and table.row_spacing_cm is not None:
        raise InputError(where, "row_spacing_in and row_spacing_cm are both given", "Keep one of the two.")
    spacing = None if table.row_spacing_cm is None else table.row_spacing_cm / 100
    spacing = spacing if table.row_spacing_in is None else table.row_spacing_in * _M_PER_IN
    if table.placement == "with_seed" and spacing is None:
        mend = "Write row_spacing_in = 30 (or row_spacing_cm = 75): what seed bears depends on it."
        raise InputError(f"{where}, row_spacing_in", "is missing for what is placed with the seed", mend)
    names = [product.name for product in products]
    for name in table.products:
        if name not in names:
            what = f"{shown(name)} has no [[product]] table"
            raise InputError(f"{where}, products", what, f"Products: {', '.join(names) or 'none'}.")
    rate = KG_HA_PER_LB_AC if units == "us" else 1.0
    cost = None if table.cost_of_trip is None else table.cost_of_trip / (HA_PER_AC if units == "us" else 1.0)
    caps = _elements(table.cap, rate, where=f"{where}, cap")
    least, most = (None if stated is None else stated * rate for stated in (table.min_rate, table.max_rate))
    if least is not None and most is not None and least > most:
        raise InputError(f"{where}, min_rate", "is above max_rate", "Make min_rate the smaller of the two.")
    return Pass(table.on, table.placement, caps, cost, tuple(table.products), spacing, table.sandy, least, most)


def _elements(amounts: Mapping[str, float], unit: float, *, where: str) -> dict[str, float]:
    """Amounts of the elements."""
    return {element: amount * unit * factor for element, (amount, factor) in by_element(amounts, where=where).items()}
