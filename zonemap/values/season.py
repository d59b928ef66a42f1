"""Crop, calendar, prices and machine: what the user decides or knows beside the samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType
from typing import Literal

from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.spread_pattern import SpreadPattern
from zonemap.values.terms import Pass, Terms


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Daily air temperatures, one row a day without a gap.

    Attributes
    ----------
    first_day
        Day of the first row.
    minimum_c, maximum_c
        (days,) degrees Celsius.
    """

    first_day: date
    minimum_c: FloatArray
    maximum_c: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "minimum_c", frozen_floats(self.minimum_c, shape=(None,)))
        object.__setattr__(self, "maximum_c", frozen_floats(self.maximum_c, shape=self.minimum_c.shape))


@dataclass(frozen=True, slots=True)
class UptakeShape:
    """How the uptake of one nutrient is spread over the season: a logistic, its steepness stated in one of three ways.

    Attributes
    ----------
    midpoint_day
        Day after planting by which half is taken up, in days of a season of the crop's usual length.
    days_10_90
        Days from 10 % to 90 % of the total.
    peak_days, peak_mean_kg_ha_day
        Mean over so many of the steepest days.
    largest_kg_ha_day
        Uptake at the steepest moment: never the same as a mean over days.
    """

    midpoint_day: float
    days_10_90: float | None = None
    peak_days: float | None = None
    peak_mean_kg_ha_day: float | None = None
    largest_kg_ha_day: float | None = None


@dataclass(frozen=True, slots=True)
class Crop:
    """What grows, how much is hoped for, and since when.

    Attributes
    ----------
    name
        A row of the crop table.
    yield_goal
        In the unit the crop table names for the unit system; ``None`` for the table's reference yield.
    planted
        First day of the demand curve.
    own_demand
        element -> (days,) kg/ha/day, replacing the built-in curves of those elements.
    sources
        element -> name of another source of the crop table.
    totals
        element -> season total, kg/ha, in place of the table's.
    shapes
        element -> shape of uptake, in place of the table's.
    """

    name: str
    planted: date
    yield_goal: float | None = None
    own_demand: Mapping[str, FloatArray] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)
    totals: Mapping[str, float] = field(default_factory=dict)
    shapes: Mapping[str, UptakeShape] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("sources", "totals", "shapes"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))
        own = {element: frozen_floats(values, shape=(None,)) for element, values in self.own_demand.items()}
        object.__setattr__(self, "own_demand", MappingProxyType(own))


@dataclass(frozen=True, slots=True)
class Season:
    """When the spreader can go, and the weather where it is known.

    Attributes
    ----------
    apply_on
        Sorted days on which the spreader can go; empty when the user named none.
    apply_days_needed
        Days between ordering and spreading.
    q10
        Factor by which supply rises over 10 degrees C; ``None`` where supply is taken as constant.
    supply_temperature_c
        Temperature at which supply was measured; ``None`` where the weather file is to say it.
    stated_passes
        What the user said of some of the days.
    terms
        Limits of what is spread.
    """

    apply_on: tuple[date, ...] = ()
    apply_days_needed: int = 0
    temperatures: Temperatures | None = None
    q10: float | None = None
    supply_temperature_c: float | None = None
    stated_passes: tuple[Pass, ...] = ()
    terms: Terms = field(default_factory=Terms)

    @property
    def passes(self) -> tuple[Pass, ...]:
        """One a day of `apply_on`, in that order; one without a day where none was named."""
        stated = {each.on: each for each in self.stated_passes}
        return tuple(stated.get(on, Pass(on)) for on in self.apply_on) or (Pass(None),)


@dataclass(frozen=True, slots=True)
class Decision:
    """What being short and being over cost.

    Attributes
    ----------
    assurance
        Critical fractile tau in (0, 1), used where a nutrient has no price pair.
    cost_short, cost_over
        element (or product of a rate table) -> money per kg short, and per kg applied in vain.
    cost_of_varying_ha
        Money per ha that spreading more than one rate costs; ``None`` when the user stated none.
    """

    assurance: float = 0.75
    cost_short: Mapping[str, float] = field(default_factory=dict)
    cost_over: Mapping[str, float] = field(default_factory=dict)
    cost_of_varying_ha: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "cost_short", MappingProxyType(dict(self.cost_short)))
        object.__setattr__(self, "cost_over", MappingProxyType(dict(self.cost_over)))


@dataclass(frozen=True, slots=True)
class RateTable:
    """A user's own table from a measured value to a product rate.

    Attributes
    ----------
    quantity
        What is measured, e.g. ``"pH"``.
    product
        What is applied.
    value
        (points,) strictly increasing measured values, in the unit of the samples.
    rate_kg_ha
        (points,) product rates; linear between points, constant beyond them.
    """

    quantity: str
    product: str
    value: FloatArray
    rate_kg_ha: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None,)))
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=self.value.shape))


@dataclass(frozen=True, slots=True)
class Product:
    """A product on hand.

    Attributes
    ----------
    name
        As the user calls it.
    analysis
        element -> mass of the element per mass of product (0.60 K2O is 0.498 K).
    label
        The analysis as the label states it, e.g. ``{"K2O": 60.0}`` in percent.
    price_per_kg
        Money per kg of product; ``None`` when no price was given.
    source
        ``mineral`` or ``organic``.
    bulk_density_kg_m3
        For hopper loads; ``None`` when unknown.
    release_half_life_days
        ``None`` when all is available at once.
    release_lag_days
        Days from spreading until it feeds the crop.
    available_fraction
        Share of the nutrient that becomes available within the season.
    bag_kg
        What one bag holds; ``None`` where it is not bought in bags.
    kind
        Row of the product table it is like; empty for a product of the user's own making.
    density_kg_l
        Of a liquid; ``None`` for a dry product.
    on_hand_kg
        What lies in the shed already: it costs nothing and is used before any is bought.
    available_by_element
        element -> share that becomes available within the season, where it differs by element.
    """

    name: str
    analysis: Mapping[str, float]
    label: Mapping[str, float] = field(default_factory=dict)
    price_per_kg: float | None = None
    source: Literal["mineral", "organic"] = "mineral"
    bulk_density_kg_m3: float | None = None
    release_half_life_days: float | None = None
    release_lag_days: int = 0
    available_fraction: float = 1.0
    bag_kg: float | None = None
    kind: str = ""
    density_kg_l: float | None = None
    on_hand_kg: float = 0.0
    available_by_element: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "available_by_element", MappingProxyType(dict(self.available_by_element)))
        object.__setattr__(self, "analysis", MappingProxyType(dict(self.analysis)))
        object.__setattr__(self, "label", MappingProxyType(dict(self.label)))

    def serving(self, element: str) -> Product:
        """Return the same product with the share that becomes available of this element as that of all."""
        return replace(self, available_fraction=self.available_by_element.get(element, self.available_fraction))


@dataclass(frozen=True, slots=True)
class Spreader:
    """Limits of the machine; ``None`` where the user stated none.

    Attributes
    ----------
    swath_m, speed_m_s, response_s
        Working width (distance between passes), ground speed, time the controller takes to change the rate: until 95 %
        of a step is done.
    min_rate_kg_ha, max_rate_kg_ha
        Smallest and largest product rate the machine can spread (0 is always possible).
    step_kg_ha
        Rates are multiples of it; 0 for no rounding.
    heading_deg
        Direction of travel, clockwise from north.
    overlap_share
        Share of the swath over which the flanks of neighbouring passes overlap; 0 for a sharp edge.
    pattern
        Measured across the line of travel; ``None`` for a flat one with flanks as `overlap_share` says.
    position_offset_m
        How far the point whose zone the controller reads lies ahead of where the product falls, along travel; 0 where
        the controller allows for it.
    look_ahead_s
        Time by which the controller reads the map ahead.
    headland_swaths
        Rounds driven along the outline before the rest; 0 for none.
    hopper_m3, hopper_kg
        What the hopper holds, by volume and by mass; where both are given the smaller counts.
    tender_kg
        What the wagon that fills the hopper holds.
    """

    swath_m: float | None = None
    speed_m_s: float | None = None
    response_s: float | None = None
    min_rate_kg_ha: float = 0.0
    max_rate_kg_ha: float = float("inf")
    step_kg_ha: float = 0.0
    heading_deg: float | None = None
    overlap_share: float = 0.0
    pattern: SpreadPattern | None = None
    position_offset_m: float = 0.0
    look_ahead_s: float = 0.0
    headland_swaths: int = 1
    hopper_m3: float | None = None
    hopper_kg: float | None = None
    tender_kg: float | None = None
