"""What became of a plan's amounts on their way into the file: every limit, step and rounding, totalled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from zonemap.values.file_units import AREA_DECIMALS, RATE_DECIMALS, ROW_DECIMALS, file_units
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product


@dataclass(frozen=True, slots=True)
class Changes:
    """Product of one application, or of several, on the whole field.

    Attributes
    ----------
    product, on
        What, and when; ``None`` for no day or for several.
    planned_kg
        What the need asks for.
    raised_kg, cut_kg
        What the machine's limits and step add in some zones, and take away in others.
    by_hand_kg
        What rates set by hand add, or take away (negative).
    joined_kg
        What small polygons add (or take away, negative) by getting the rate of their neighbour.
    written_kg
        What rates times areas in the controller's files add up to, with their decimals.
    """

    product: Product
    on: date | None
    planned_kg: float
    raised_kg: float
    cut_kg: float
    by_hand_kg: float
    joined_kg: float
    written_kg: float

    @property
    def limited_kg(self) -> float:
        """Total after the machine's limits and step."""
        return self.planned_kg + self.raised_kg - self.cut_kg

    @property
    def prescribed_kg(self) -> float:
        """Total of the prescription, after rates were set by hand and small polygons joined."""
        return self.limited_kg + self.by_hand_kg + self.joined_kg

    @property
    def rounded_kg(self) -> float:
        """What the decimals of the file add, or take away."""
        return self.written_kg - self.prescribed_kg


def changes_of(prescription: Prescription) -> tuple[Changes, ...]:
    """Changes of each application, in their order."""
    return tuple(_changes(prescription, application) for application in prescription.applications)


def changes_by_product(prescription: Prescription) -> tuple[Changes, ...]:
    """Changes of each product over all days, in the order of first use; a blend by its parts."""
    found: dict[str, list[Changes]] = {}
    for application, change in zip(prescription.applications, changes_of(prescription), strict=True):
        for product, share in application.parts or ((application.product, 1.0),):
            found.setdefault(product.name, []).append(_share(change, product, share))
    return tuple(_sum(changes) for changes in found.values())


def _changes(prescription: Prescription, application: Application) -> Changes:
    zones = application.planned_kg_ha.size
    now_ha = prescription.zone_area_ha(zones)
    drawn_ha = now_ha if prescription.drawn_ha is None else prescription.drawn_ha
    limited = application.rate_kg_ha if application.limited_kg_ha is None else application.limited_kg_ha
    moved = limited - application.planned_kg_ha
    return Changes(
        application.product,
        application.on,
        planned_kg=float(application.planned_kg_ha @ drawn_ha),
        raised_kg=float(np.maximum(moved, 0.0) @ drawn_ha),
        cut_kg=float(np.maximum(-moved, 0.0) @ drawn_ha),
        by_hand_kg=float((application.rate_kg_ha - limited) @ drawn_ha),
        joined_kg=float(application.rate_kg_ha @ (now_ha - drawn_ha)),
        written_kg=_written_kg(prescription, application),
    )


def _written_kg(prescription: Prescription, application: Application) -> float:
    """Total of the rows of the controller's file."""
    units = file_units(prescription.units, application.product)
    rate = np.round(prescription.polygon_rates(application) / units.kg_ha_per_rate, ROW_DECIMALS)
    area = np.round(prescription.area_ha / units.ha_per_area, ROW_DECIMALS)
    return float(np.round(rate, RATE_DECIMALS) @ np.round(area, AREA_DECIMALS)) * units.kg_per_amount


def _share(change: Changes, product: Product, share: float) -> Changes:
    amounts = (
        change.planned_kg,
        change.raised_kg,
        change.cut_kg,
        change.by_hand_kg,
        change.joined_kg,
        change.written_kg,
    )
    return Changes(product, change.on, *(share * amount for amount in amounts))


def _sum(changes: Sequence[Changes]) -> Changes:
    days = {change.on for change in changes}
    return Changes(
        changes[0].product,
        days.pop() if len(days) == 1 else None,
        planned_kg=sum(change.planned_kg for change in changes),
        raised_kg=sum(change.raised_kg for change in changes),
        cut_kg=sum(change.cut_kg for change in changes),
        by_hand_kg=sum(change.by_hand_kg for change in changes),
        joined_kg=sum(change.joined_kg for change in changes),
        written_kg=sum(change.written_kg for change in changes),
    )
