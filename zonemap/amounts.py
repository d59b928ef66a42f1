"""Rates, areas and masses in the unit system people read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from zonemap.units import HA_PER_AC, KG_HA_PER_LB_1000FT2, KG_HA_PER_LB_AC, KG_PER_LB, M_PER_FT, UnitSystem

#: below this area places are measured in ft2 or m2
SMALL_HA = 0.2
#: ounces do not matter from here on
_LARGE_LB = 20


@dataclass(frozen=True, slots=True)
class Reader:
    """Factors and names of one unit system, for people.

    >>> reader("us").rate(112.0851)
    '100 lb/ac'
    """

    rate_unit: str
    kg_ha_per_rate: float
    area_unit: str
    ha_per_area: float
    mass_unit: str
    kg_per_mass: float
    small_rate_unit: str
    kg_ha_per_small_rate: float
    small_area_unit: str
    ha_per_small_area: float

    def rate(self, kg_ha: float) -> str:
        """Rate with its unit, three digits."""
        return f"{_digits(kg_ha / self.kg_ha_per_rate)} {self.rate_unit}"

    def small_rate(self, kg_ha: float) -> str:
        """Rate in the unit of lawns and gardens."""
        return f"{_digits(kg_ha / self.kg_ha_per_small_rate)} {self.small_rate_unit}"

    def area(self, ha: float) -> str:
        """Area with its unit, three digits; small places in the small unit."""
        if small(ha):
            return f"{_digits(ha / self.ha_per_small_area)} {self.small_area_unit}"
        return f"{_digits(ha / self.ha_per_area)} {self.area_unit}"

    def weight(self, kg: float) -> str:
        """Small mass as a kitchen scale shows it: pounds and ounces, or grams.

        >>> reader("us").weight(2.7), reader("metric").weight(0.4567)
        ('5 lb 15 oz', '457 g')
        """
        if self.mass_unit == "kg":
            return f"{1000 * kg:.0f} g" if kg < 1 else f"{_digits(kg)} kg"
        ounces = round(kg / self.kg_per_mass * 16)
        pounds, rest = divmod(ounces, 16)
        if pounds >= _LARGE_LB:
            return self.mass(kg)
        return " ".join(([f"{pounds} lb"] if pounds else []) + ([f"{rest} oz"] if rest or not pounds else []))

    def mass(self, kg: float) -> str:
        """Mass with its unit, to the unit for large and to three digits for small amounts."""
        return f"{_digits(kg / self.kg_per_mass)} {self.mass_unit}"


_READERS = {
    "us": Reader(
        "lb/ac",
        KG_HA_PER_LB_AC,
        "ac",
        HA_PER_AC,
        "lb",
        KG_PER_LB,
        "lb/1000 ft2",
        KG_HA_PER_LB_1000FT2,
        "ft2",
        M_PER_FT**2 / 10_000,
    ),
    "metric": Reader("kg/ha", 1.0, "ha", 1.0, "kg", 1.0, "g/m2", 10.0, "m2", 1e-4),
}

#: systems of units that people may read in
SYSTEMS: tuple[UnitSystem, ...] = ("us", "metric")


def small(area_ha: float) -> bool:
    """Whether a place is a lawn, a garden or a plot rather than a field."""
    return area_ha < SMALL_HA


def reader(units: UnitSystem, *, tiny: bool = False) -> Reader:
    """Return the reader of a unit system; of a tiny place in the units of lawns and gardens.

    >>> reader("us", tiny=True).rate(112.0851)
    '2.3 lb/1000 ft2'
    """
    read = _READERS[units]
    if not tiny:
        return read
    return replace(
        read,
        rate_unit=read.small_rate_unit,
        kg_ha_per_rate=read.kg_ha_per_small_rate,
        area_unit=read.small_area_unit,
        ha_per_area=read.ha_per_small_area,
    )


def in_both(units: UnitSystem, say: Callable[[Reader], str], *, tiny: bool = False) -> tuple[str, str]:
    """Say something in the field's units, and in the other system; the second is empty where nothing differs.

    >>> in_both("us", lambda read: f"{read.rate(112.0851)} at most")
    ('100 lb/ac at most', '112 kg/ha at most')
    """
    own, other = (say(reader(each, tiny=tiny)) for each in (units, "metric" if units == "us" else "us"))
    return own, "" if other == own else other


def rate_digits(rate: float, digits: int = 4) -> str:
    """Rate without its unit: so many digits, and never a power of ten.

    >>> rate_digits(12.345), rate_digits(20000.0), rate_digits(0.0)
    ('12.35', '20,000', '0')
    """
    return f"{rate:,.0f}" if abs(rate) >= 999.5 else f"{rate:.{digits}g}"


def _digits(value: float) -> str:
    """Whole numbers from 100 on, three significant digits below."""
    return f"{value:,.0f}" if abs(value) >= 99.95 else f"{value:.3g}"
