"""Loads, an order list and calibration figures from a prescription."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

import numpy as np

from zonemap.units import KG_PER_LB, M_PER_FT, UnitSystem
from zonemap.values.field import Field
from zonemap.values.operator_sheet import Calibration, Load, OperatorSheet, OrderLine
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product, Spreader

#: run that is driven for a calibration, m (own choice)
_RUN_M: dict[UnitSystem, float] = {"us": 100 * M_PER_FT, "metric": 100.0}
#: product in bulk is bought by so many lb or kg, the most of which ten are needed (own choice)
_BULK_UNITS = (1000, 100, 10, 1)
_KG_PER_UNIT: dict[UnitSystem, float] = {"us": KG_PER_LB, "metric": 1.0}
#: so much of a unit, a fill or a load is no reason for another one
_HAIR = 1e-9


def operator_sheet(
    prescription: Prescription, field: Field, spreader: Spreader, *, margin: float = 0.03, tray_m2: float = 0.25
) -> OperatorSheet:
    """What the operator takes along.

    Parameters
    ----------
    margin
        Share that is bought beyond the need: what stays in hopper and wagon, and scales that are off (own choice).
    tray_m2
        Area of a check tray; 0.5 m x 0.5 m are usual (Lawrence, Yule, Jones 2006, New Zealand Journal of
        Agricultural Research 49, the abstract).
    """
    applications = sorted(prescription.applications, key=lambda each: _order(each, prescription))
    units = prescription.units
    return OperatorSheet(
        loads=tuple(load_of(a.product, a.on, prescription.total_kg(a), spreader) for a in applications),
        calibration=tuple(calibration_of(a, spreader, run_m=_RUN_M[units], tray_m2=tray_m2) for a in applications),
        order=order_list(applications, prescription, margin=margin),
        margin=margin,
        keep_out=tuple((place.reason, float(place.area.area) / 10_000) for place in field.no_spread),
    )


def _order(application: Application, prescription: Prescription) -> tuple[date, float, str]:
    """By day, then the heaviest first."""
    return application.on or date.max, -prescription.total_kg(application), application.product.name


def hopper_kg(product: Product, spreader: Spreader) -> float | None:
    """What one hopper holds of a product: the smaller of what its volume and its axle allow, ``None`` if unknown.

    >>> potash = Product("potash", {}, bulk_density_kg_m3=1000.0)
    >>> hopper_kg(potash, Spreader(hopper_m3=4.0, hopper_kg=5000.0))
    4000.0
    """
    density = product.bulk_density_kg_m3
    if density is None and product.density_kg_l is not None:
        density = 1000 * product.density_kg_l
    held = [spreader.hopper_kg] if spreader.hopper_kg is not None else []
    held += [spreader.hopper_m3 * density] if spreader.hopper_m3 is not None and density is not None else []
    return min(held, default=None)


def load_of(product: Product, on: date | None, total_kg: float, spreader: Spreader) -> Load:
    """Fills of the hopper and wagonloads for a total.

    A volume says nothing of a product whose bulk density is unknown.
    """
    holds = hopper_kg(product, spreader)
    fills = math.ceil(total_kg / holds - _HAIR) if holds else 0
    last = total_kg - (fills - 1) * holds if holds and fills else 0.0
    tenders = math.ceil(total_kg / spreader.tender_kg - _HAIR) if spreader.tender_kg else 0
    return Load(product.name, on, total_kg, holds, fills, last, tenders)


def order_list(
    applications: Sequence[Application], prescription: Prescription, *, margin: float
) -> tuple[OrderLine, ...]:
    """What to buy of every product: need and margin less what is on hand, rounded up to whole bags or bulk units."""
    needed: dict[str, float] = {}
    products = {application.product.name: application.product for application in applications}
    for application in applications:
        name = application.product.name
        needed[name] = needed.get(name, 0.0) + prescription.total_kg(application)
    lines = []
    for name in sorted(needed):
        product = products[name]
        missing = max(needed[name] * (1 + margin) - product.on_hand_kg, 0.0)
        unit_kg = product.bag_kg or _bulk_unit_kg(missing, units=prescription.units)
        units = math.ceil(missing / unit_kg - _HAIR)
        lines.append(OrderLine(name, needed[name], product.on_hand_kg, unit_kg, units, product.bag_kg is not None))
    return tuple(lines)


def _bulk_unit_kg(missing_kg: float, *, units: UnitSystem) -> float:
    """Round unit in which so much is bought: rounding up adds a tenth at most."""
    unit_kg = _KG_PER_UNIT[units]
    return next((many * unit_kg for many in _BULK_UNITS if 10 * many * unit_kg <= missing_kg), unit_kg)


def calibration_of(application: Application, spreader: Spreader, *, run_m: float, tray_m2: float) -> Calibration:
    """What leaves the machine over a run and at speed, and what falls into a tray, at every zone's rate.

    Examples
    --------
    200 kg/ha over 24 m and 100 m, 0.24 ha: 48 kg; on 0.25 m2: 5 g.

    >>> everywhere = Application(Product("urea", {}), None, [200.0], [200.0])
    >>> figures = calibration_of(everywhere, Spreader(swath_m=24.0, speed_m_s=5.0), run_m=100.0, tray_m2=0.25)
    >>> [each.round(6).tolist() for each in (figures.caught_kg, figures.flow_kg_s, figures.tray_kg)]
    [[48.0], [2.4], [0.005]]
    """
    swath = np.nan if spreader.swath_m is None else spreader.swath_m
    speed = np.nan if spreader.speed_m_s is None else spreader.speed_m_s
    per_m2 = application.rate_kg_ha / 10_000
    return Calibration(
        product=application.product.name,
        on=application.on,
        rate_kg_ha=application.rate_kg_ha,
        run_m=run_m,
        caught_kg=per_m2 * swath * run_m,
        flow_kg_s=per_m2 * swath * speed,
        tray_m2=tray_m2,
        tray_kg=per_m2 * tray_m2,
    )
