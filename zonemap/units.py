"""Units, oxide and area factors, each with its source. Inside the package everything is metric."""

from __future__ import annotations

from typing import Literal

UnitSystem = Literal["us", "metric"]

# International yard and pound agreement of 1959: exact by definition.
KG_PER_LB = 0.45359237
M_PER_FT = 0.3048
CM_PER_IN = 2.54
M2_PER_AC = 43_560 * M_PER_FT**2
HA_PER_AC = M2_PER_AC / 10_000
KG_PER_SHORT_TON = 2_000 * KG_PER_LB
KG_HA_PER_LB_AC = KG_PER_LB / HA_PER_AC
KG_HA_PER_LB_1000FT2 = KG_PER_LB / (1_000 * M_PER_FT**2) * 10_000
KG_M3_PER_LB_FT3 = KG_PER_LB / M_PER_FT**3
# A US gallon is 231 cubic inches by definition.
L_PER_GAL = 231 * 0.254**3
KG_L_PER_LB_GAL = KG_PER_LB / L_PER_GAL
M_S_PER_MPH = 1_609.344 / 3_600
M_S_PER_KM_H = 1 / 3.6

# U.S. Department of Agriculture 1992, Weights, Measures, and Conversion Factors for Agricultural Commodities and Their
# Products, Agricultural Handbook 697, weights of a bushel (from memory).
LB_PER_BUSHEL = {"corn": 56.0, "soybean": 60.0, "wheat": 60.0}
#: crop -> what 1 t/ha is in the unit of its yield in the US: bu/ac, hay in short ton/ac
US_YIELD_PER_T_HA = {
    **{crop: 1_000 / (lb * KG_PER_LB) * HA_PER_AC for crop, lb in LB_PER_BUSHEL.items()},
    "alfalfa": 1_000 / KG_PER_SHORT_TON * HA_PER_AC,
}

#: units of product rates by mass -> kg/ha
KG_HA_PER_RATE: dict[str, float] = {
    "lb/ac": KG_HA_PER_LB_AC,
    "kg/ha": 1.0,
    "ton/ac": 2_000 * KG_HA_PER_LB_AC,
    "t/ha": 1_000.0,
    "lb/1000 ft2": KG_HA_PER_LB_1000FT2,
    "g/m2": 10.0,
}
#: units of product rates by volume -> L/ha
L_HA_PER_RATE: dict[str, float] = {"gal/ac": L_PER_GAL / HA_PER_AC, "L/ha": 1.0}

# A capsule's 1 ug per 10 cm2, on a plane: 1e-9 kg / 1e-3 m2 = 1e-6 kg/m2 = 0.01 kg/ha.
KG_HA_PER_UG_10CM2 = 1e-9 / 1e-3 * 10_000

# IUPAC 2021 standard atomic weights (abridged).
_P, _K, _O, _CA, _MG, _N, _H = 30.974, 39.098, 15.999, 40.078, 24.305, 14.007, 1.008
P2O5_PER_P = (2 * _P + 5 * _O) / (2 * _P)
K2O_PER_K = (2 * _K + _O) / (2 * _K)
CAO_PER_CA = (_CA + _O) / _CA
MGO_PER_MG = (_MG + _O) / _MG
NO3_PER_NO3_N = (_N + 3 * _O) / _N

ELEMENTS = ("N", "P", "K", "S", "Ca", "Mg", "Zn", "B", "Mn", "Cu", "Fe")
#: how a label states a nutrient -> (element, mass of element per mass of what is stated)
LABEL_FORMS: dict[str, tuple[str, float]] = {
    **{element: (element, 1.0) for element in ELEMENTS},
    "P2O5": ("P", 1 / P2O5_PER_P),
    "K2O": ("K", 1 / K2O_PER_K),
    "CaO": ("Ca", 1 / CAO_PER_CA),
    "MgO": ("Mg", 1 / MGO_PER_MG),
}


def fahrenheit_to_celsius(degrees_f: float) -> float:
    """Degrees Celsius.

    >>> fahrenheit_to_celsius(50.0)
    10.0
    """
    return (degrees_f - 32.0) / 1.8
