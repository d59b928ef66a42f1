"""How small a zone may be and still get its own rate over half its extent."""

from __future__ import annotations

import math
from dataclasses import dataclass

from zonemap.machine.pattern import pattern_of
from zonemap.machine.response import lead_m, response_length_m
from zonemap.values.season import Spreader

#: a rate is right within a tenth
_TOLERANCE = 0.1


@dataclass(frozen=True, slots=True)
class ZoneSize:
    """Sides of the smallest zone that gets its rate.

    Attributes
    ----------
    along_m
        Along travel.
    across_m
        Across travel, wherever the passes come to lie.
    """

    along_m: float
    across_m: float


def feasible_zone_size(spreader: Spreader, *, change: float = 1.0) -> ZoneSize:
    """Smallest zone that gets its rate within a tenth over half its length and over half its width; 0 where unknown.

    Each by itself: in the zone as a whole about a quarter of the area is right, less where flanks are wide.

    Parameters
    ----------
    change
        Difference to the rate of the zones around, as a share of the zone's own rate, above 0.1: 1 where they get
        nothing or twice as much.

    Notes
    -----
    Along: the step is read `lead` ahead, and what is left of it falls as exp(-s / l), l the ground covered in one time
    constant. The rate is right from s_in = l ln(change / 0.1) after the step on, and until the next zone is read (it
    stays right a little longer, which is left out to be on the safe side). So max(s_in - lead, 0) at the start and
    max(lead, 0) at the end are wrong, and twice that is the length of which half is right.

    Across, with flat passes S apart whose flanks are f wide: passes whose middle lies in the zone spread its rate.
    Towards the next zone's pass the rate is right up to g = f (1/2 - 0.1 / change) before the line between the two.
    A zone of n S + e, 0 <= e < S, has at worst max(S/2 + g, e + 2g) wrong; half of it is right, whatever the lines,
    from S (1 + ceil(4 g / S)) on. A measured pattern is taken for a flat one that reaches as far.

    Examples
    --------
    At 5 m/s and 4 s the ground covered in one time constant is 6.68 m; 2 x 6.68 x ln 10 = 30.7 m.

    >>> size = feasible_zone_size(Spreader(swath_m=24.0, speed_m_s=5.0, response_s=4.0))
    >>> round(size.along_m, 1), size.across_m
    (30.7, 24.0)
    """
    length, lead = response_length_m(spreader), lead_m(spreader)
    wrong = max(length * math.log(change / _TOLERANCE) - lead, 0.0) + max(lead, 0.0)
    if spreader.swath_m is None:
        return ZoneSize(2 * wrong, 0.0)
    swath = spreader.swath_m
    flank = min(max(2 * pattern_of(spreader, swath_m=swath).reach_m - swath, 0.0), swath)
    short = flank * max(0.5 - _TOLERANCE / change, 0.0)
    # a hair below, so that a sharp edge of a micrometre asks for no second pass
    return ZoneSize(2 * wrong, swath * (1 + math.ceil(4 * short / swath - 1e-6)))
