"""What the person at the wheel needs beside the map: loads, what to order, and how to check the machine."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from zonemap.values.arrays import FloatArray, frozen_floats


@dataclass(frozen=True, slots=True)
class Load:
    """One application: what it takes to carry it out.

    Attributes
    ----------
    product, on
        What, and when.
    total_kg
        Product total.
    hopper_kg
        What one hopper holds of it; ``None`` where unknown.
    fills, last_fill_kg
        How often the hopper is filled, and what goes in at last; 0 where unknown.
    tenders
        How many wagonloads; 0 where unknown.
    """

    product: str
    on: date | None
    total_kg: float
    hopper_kg: float | None
    fills: int
    last_fill_kg: float
    tenders: int


@dataclass(frozen=True, slots=True)
class OrderLine:
    """What to buy of one product, over all its applications.

    Attributes
    ----------
    needed_kg, on_hand_kg
        What is spread, and what lies in the shed.
    unit_kg, units
        What it is bought in, and how many of them: whole ones, margin included.
    in_bags
        Whether a unit is a bag.
    """

    product: str
    needed_kg: float
    on_hand_kg: float
    unit_kg: float
    units: int
    in_bags: bool

    @property
    def order_kg(self) -> float:
        """Mass to buy."""
        return self.units * self.unit_kg


@dataclass(frozen=True, slots=True)
class Calibration:
    """One application: figures to check the machine by, a number a zone.

    Attributes
    ----------
    rate_kg_ha
        (zones,) product rate.
    run_m, caught_kg
        Driven distance, and (zones,) what leaves the machine over it; NaN where the swath is unknown.
    flow_kg_s
        (zones,) what leaves it at the stated speed; NaN where swath or speed are unknown.
    tray_m2, tray_kg
        Area of a tray on the ground, and (zones,) what falls into it.
    """

    product: str
    on: date | None
    rate_kg_ha: FloatArray
    run_m: float
    caught_kg: FloatArray
    flow_kg_s: FloatArray
    tray_m2: float
    tray_kg: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=(None,)))
        for name in ("caught_kg", "flow_kg_s", "tray_kg"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=self.rate_kg_ha.shape))


@dataclass(frozen=True, slots=True)
class OperatorSheet:
    """Everything for one field, in the order in which it is driven.

    Attributes
    ----------
    loads, calibration
        One an application: by day, then the heaviest rate first; what has no day comes last.
    order
        One a product, by name.
    margin
        Share that is bought beyond the need.
    keep_out
        (reason, ha) of the areas that get nothing.
    """

    loads: tuple[Load, ...]
    calibration: tuple[Calibration, ...]
    order: tuple[OrderLine, ...]
    margin: float
    keep_out: tuple[tuple[str, float], ...]
