"""What the samples of a quantity can show, in a sentence a grower can read."""

from __future__ import annotations

import math

import numpy as np

from zonemap.amounts import Reader, reader
from zonemap.geostat.covariance import PRACTICAL_RANGE
from zonemap.units import M_PER_FT
from zonemap.values.plan import Plan
from zonemap.values.surface import Evidence, Surface
from zonemap.values.variogram import Variogram

#: nugget-to-sill ratios up to which each of these is said: half way between the shares named
_SHARES = (
    (0.02, "no sign of error or of variation too fine to map"),
    (0.175, "about a tenth is error or too fine to map"),
    (0.375, "about a quarter is error or too fine to map"),
    (0.625, "about half is error or too fine to map"),
    (0.85, "about three quarters is error or too fine to map"),
    (1.0, "nearly all is error or too fine to map"),
)

#: shares of the pattern up to which each of these is said; mixes of place and covariates are weighed in fifths
_FOLLOWED = ((0.15, "little"), (0.4, "about a third"), (0.6, "about half"), (0.75, "about two thirds"), (1.0, "most"))


def samples_sentences(plan: Plan) -> list[str]:
    """One sentence a quantity: what its samples show, and how far a prediction misses."""
    across_m, read = across_field_m(plan), reader(plan.case.units)
    return [
        samples_sentence(surface, spread=measured_spread(plan, quantity), across_m=across_m, read=read)
        for quantity, surface in plan.surfaces.items()
    ]


def samples_sentence(surface: Surface, *, spread: float, across_m: float, read: Reader) -> str:
    """Say what the samples of one quantity show.

    Parameters
    ----------
    spread
        Standard deviation of the measured values, in the surface's unit; NaN under two values.
    across_m
        Diagonal of the field: beyond it a distance says nothing.
    """
    evidence = surface.evidence
    if evidence.structure == "found" and evidence.variogram is not None:
        reach = _reach(evidence.variogram, across_m, read)
        text = f"a pattern, {reach}{_follows(evidence)}; {_fine(evidence.variogram)}"
    elif evidence.structure == "too_few":
        places = "1 sampled place says" if evidence.samples == 1 else f"{evidence.samples} sampled places say"
        text = f"{places} nothing about a pattern; one level for the whole field"
    elif spread == 0:
        text = f"all {evidence.samples} samples are equal; one level for the whole field"
    elif math.isnan(evidence.structure_p):
        text = f"no pattern was looked for in {evidence.samples} samples; one level for the whole field"
    else:
        text = f"no pattern in {evidence.samples} samples; one level for the whole field"
    return f"{surface.quantity}: {text}{_miss(surface, spread, read)}."


def across_field_m(plan: Plan) -> float:
    """Diagonal of the box around the field, m."""
    west, south, east, north = plan.case.field.boundary.bounds
    return math.hypot(east - west, north - south)


def measured_spread(plan: Plan, quantity: str) -> float:
    """Standard deviation of the measured values of a quantity, in its unit; NaN under two values."""
    value = plan.case.samples.columns[quantity].value
    value = value[np.isfinite(value)]
    return float(np.std(value, ddof=1)) if value.size > 1 else math.nan


def shown_unit(unit: str, read: Reader) -> tuple[float, str]:
    """Amount of `unit` in one of the unit people read, and that unit's name."""
    if unit == "kg/ha/day":
        return read.kg_ha_per_rate, f"{read.rate_unit}/day"
    return 1.0, unit


def length_unit(read: Reader) -> tuple[float, str]:
    """Metres in one unit of length people read, and its name."""
    return (M_PER_FT, "ft") if read.rate_unit == "lb/ac" else (1.0, "m")


def practical_range_m(variogram: Variogram) -> float:
    """Distance at which the correlation is down to 0.05, m."""
    return variogram.range_m * PRACTICAL_RANGE[variogram.family]


def misses(evidence: Evidence) -> bool:
    """Whether leave-one-out was made and gave a number."""
    check = evidence.cross_validation
    return check is not None and math.isfinite(check.rmse)


def two_digits(value: float) -> str:
    """Round to two significant digits, written out.

    >>> two_digits(1234.0), two_digits(47.2)
    ('1,200', '47')
    """
    if value <= 0:
        return "0"
    places = 1 - int(f"{value:.1e}".partition("e")[2])  # the exponent after rounding: 9.96 is 10
    return f"{round(value, places):,.{max(places, 0)}f}"


def _reach(variogram: Variogram, across_m: float, read: Reader) -> str:
    reach_m = practical_range_m(variogram)
    if reach_m >= across_m:
        return "from one end of the field to the other"
    metres, name = length_unit(read)
    along = f"alike up to about {two_digits(reach_m / metres)} {name} apart"
    if variogram.ratio == 1:
        return along
    across = two_digits(variogram.ratio * reach_m / metres)
    return f"{along} {compass(variogram.azimuth_deg)}, {across} {name} across that"


def compass(azimuth_deg: float) -> str:
    """Name the nearest of four directions, both ways.

    >>> compass(170.0), compass(50.0)
    ('north to south', 'northeast to southwest')
    """
    names = ("north to south", "northeast to southwest", "east to west", "southeast to northwest")
    return names[round(azimuth_deg / 45.0) % 4]


def _follows(evidence: Evidence) -> str:
    """How much of the pattern goes with the covariates, in words."""
    if not evidence.covariates or math.isnan(evidence.covariate_share):
        return ""
    amount = next(words for most, words in _FOLLOWED if evidence.covariate_share <= most)
    *others, last = evidence.covariates
    return f", {amount} of it with {', '.join(others)}{' and ' if others else ''}{last}"


def _fine(variogram: Variogram) -> str:
    """Share of the variation that no map of these samples can hold, in words."""
    return next(words for most, words in _SHARES if variogram.nugget_ratio <= most)


def _miss(surface: Surface, spread: float, read: Reader) -> str:
    check = surface.evidence.cross_validation
    if check is None or not misses(surface.evidence) or not spread > 0:
        return ""
    factor, unit = shown_unit(surface.unit, read)
    return f"; typical miss {two_digits(check.rmse / factor)} {unit}, spread {two_digits(spread / factor)}"
