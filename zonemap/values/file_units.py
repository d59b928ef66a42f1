"""Units of the rates, areas and amounts in the files of a prescription."""

from __future__ import annotations

from dataclasses import dataclass

from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, KG_PER_LB, L_PER_GAL, UnitSystem
from zonemap.values.season import Product

#: decimals of rates and areas in the files for the controller
RATE_DECIMALS, AREA_DECIMALS = 2, 6
#: of rates and areas elsewhere: far below any scale or survey; makes 100 lb/ac read 100 after its way through kg/ha
ROW_DECIMALS = 9
AREA_UNITS: dict[UnitSystem, str] = {"us": "ac", "metric": "ha"}
HA_PER_AREA: dict[UnitSystem, float] = {"us": HA_PER_AC, "metric": 1.0}


@dataclass(frozen=True, slots=True)
class FileUnits:
    """Units of one product: by mass, and for a liquid by volume, since that is what its machine meters.

    >>> file_units("us", Product("UAN-32", {}, density_kg_l=1.325)).rate_unit
    'gal/ac'
    """

    rate_unit: str
    kg_ha_per_rate: float
    area_unit: str
    ha_per_area: float
    amount_unit: str
    kg_per_amount: float


def file_units(units: UnitSystem, product: Product) -> FileUnits:
    """Units in which a product stands in the files."""
    area, ha = AREA_UNITS[units], HA_PER_AREA[units]
    if product.density_kg_l is None:
        amount, kg = ("lb", KG_PER_LB) if units == "us" else ("kg", 1.0)
        # not kg / ha, which differs from the constant in its last bit
        return FileUnits(f"{amount}/{area}", KG_HA_PER_LB_AC if units == "us" else 1.0, area, ha, amount, kg)
    amount, kg = ("gal", L_PER_GAL * product.density_kg_l) if units == "us" else ("L", product.density_kg_l)
    return FileUnits(f"{amount}/{area}", kg / ha, area, ha, amount, kg)
