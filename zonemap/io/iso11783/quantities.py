"""Rates as a task controller counts them: whole numbers of a data dictionary entity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.errors import OutputError
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, UnitSystem
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.season import Product

#: ISO 11783-11 data base, entity 1: setpoint volume per area application rate, 0.01 mm3/m2
VOLUME_PER_AREA = 1
#: entity 6: setpoint mass per area application rate, 1 mg/m2
MASS_PER_AREA = 6
#: the largest value of both entities
LARGEST = 2**31 - 1

# 1 kg/ha is 1e6 mg on 1e4 m2.
_COUNTS_PER_KG_HA = 100.0
# 1 l/ha is 1e6 mm3 on 1e4 m2: 100 mm3/m2, counted in hundredths.
_COUNTS_PER_L_HA = 10_000.0
# 231 cubic inches of 25.4 mm: exact by definition.
_L_PER_US_GAL = 231 * 0.254**3
_L_HA_PER_GAL_AC = _L_PER_US_GAL / HA_PER_AC

#: digits behind the point of a scale: its smallest value is 1e-9
SCALE_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a whole number in the task data means.

    Attributes
    ----------
    ddi
        Number of the data dictionary entity.
    counts_per_kg_ha
        Whole numbers that 1 kg/ha of product makes.
    unit, scale, decimals
        What people read: value x scale, shown with so many decimals.
    """

    ddi: int
    counts_per_kg_ha: float
    unit: str
    scale: float
    decimals: int


def quantity_of(product: Product, units: UnitSystem) -> Quantity:
    """Volume per area for a product whose density as a liquid is known, else mass per area.

    Examples
    --------
    >>> quantity_of(Product("potash", {}), "us")
    Quantity(ddi=6, counts_per_kg_ha=100.0, unit='lb/ac', scale=0.008921791, decimals=1)
    >>> quantity_of(Product("UAN", {}, density_kg_l=1.28), "metric").unit
    'l/ha'
    """
    if product.density_kg_l is None:
        unit, counts = ("lb/ac", _COUNTS_PER_KG_HA * KG_HA_PER_LB_AC) if units == "us" else ("kg/ha", _COUNTS_PER_KG_HA)
        return Quantity(MASS_PER_AREA, _COUNTS_PER_KG_HA, unit, round(1 / counts, SCALE_DECIMALS), 1)
    unit, counts = ("gal/ac", _COUNTS_PER_L_HA * _L_HA_PER_GAL_AC) if units == "us" else ("l/ha", _COUNTS_PER_L_HA)
    per_kg_ha = _COUNTS_PER_L_HA / product.density_kg_l
    return Quantity(VOLUME_PER_AREA, per_kg_ha, unit, round(1 / counts, SCALE_DECIMALS), 1)


def counts(rate_kg_ha: FloatArray, quantity: Quantity, *, where: str) -> IntArray:
    """Whole numbers nearest to product rates.

    Raises
    ------
    OutputError
        When a rate is negative, no number, or too large for the entity.

    Examples
    --------
    150 kg/ha is 15 g on a square metre:

    >>> counts(np.array([150.0]), quantity_of(Product("potash", {}), "metric"), where="").tolist()
    [15000]
    """
    scaled = np.asarray(rate_kg_ha, dtype=np.float64) * quantity.counts_per_kg_ha
    bad = np.flatnonzero(~((scaled >= 0) & (scaled <= LARGEST)))
    if bad.size:
        what = f"a rate of {rate_kg_ha.ravel()[bad[0]]:g} kg/ha does not fit task data"
        raise OutputError(where, what, "A rate must be a number from 0 up: check prices, analysis, density and limits.")
    return np.rint(scaled).astype(np.int64)
