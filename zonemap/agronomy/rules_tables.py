"""Numbers that recommendation rules are read with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TriStateCrop:
    """Removal with the harvest, lb per bu (alfalfa: per ton), and Mehlich-3 P levels in ppm."""

    p2o5_removal: float
    k2o_removal: float
    p_critical_ppm: float
    p_limit_ppm: float


@dataclass(frozen=True, slots=True)
class NutrientLevels:
    """One nutrient of one crop on one soil: Mehlich-3 levels in ppm, and removal in lb of the oxide per bu or ton."""

    critical_ppm: float
    limit_ppm: float
    removal: float


#: Tri-State 2020. Critical levels of P 20 and, for wheat and alfalfa, 30 ppm: read in a laboratory's summary of the
#: edition; maintenance limits 20 ppm above them, and removal rates: from memory. The removal of corn and soybean agrees
#: with what Culman et al. 2019, Nutrients Removed with Harvested Corn, Soybean, and Wheat Grain in Ohio, Ohio State
#: University Extension ANR-74, says of a rotation (read; a test compares them).
TRI_STATE_CROPS: Mapping[str, TriStateCrop] = {
    "corn": TriStateCrop(0.35, 0.20, 20.0, 40.0),
    "soybean": TriStateCrop(0.80, 1.15, 20.0, 40.0),
    "wheat": TriStateCrop(0.50, 0.25, 30.0, 50.0),
    "alfalfa": TriStateCrop(12.0, 49.0, 30.0, 50.0),
}

#: Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, Table 2.4: equation -> (a, b, c) of a I^2 - b I + c, lb/ac; all
#: twenty read (equations 21 to 25, in lb/1000 ft2, are left out).
NORTH_CAROLINA: Mapping[int, tuple[float, float, float]] = {
    1: (0.0467, 13.0, 900.0),
    2: (0.0202, 6.37, 500.0),
    3: (0.0100, 3.50, 300.0),
    4: (0.0175, 4.46, 300.0),
    5: (0.0193, 4.90, 300.0),
    6: (0.0272, 6.08, 300.0),
    7: (0.0100, 3.25, 250.0),
    8: (0.0173, 4.64, 250.0),
    9: (0.0102, 3.00, 220.0),
    10: (0.0103, 2.90, 200.0),
    11: (0.0190, 4.20, 200.0),
    12: (0.0053, 2.00, 180.0),
    13: (0.0120, 2.90, 165.0),
    14: (0.0116, 2.75, 150.0),
    15: (0.0140, 3.20, 150.0),
    16: (0.0227, 4.42, 150.0),
    17: (0.0084, 2.19, 140.0),
    18: (0.0120, 3.00, 120.0),
    19: (0.0044, 1.60, 100.0),
    20: (0.0120, 2.40, 80.0),
}
