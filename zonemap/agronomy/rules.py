"""Recommendation rules of public services for conventional extracts: small pure functions, each with its source.

Inside a rule are the units of its source (ppm, bu/ac, lb/ac); `rule_curve` makes a need curve in kg/ha of it. A rule
answers to the extract it was calibrated with and to no other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TypeAlias

import numpy as np

from zonemap.agronomy.rule_cards import card_of
from zonemap.agronomy.rules_tables import NORTH_CAROLINA, TRI_STATE_CROPS, NutrientLevels, TriStateCrop
from zonemap.errors import InputError
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.arrays import FloatArray
from zonemap.values.need import NeedCurve
from zonemap.values.rules import Line

_LB_PER_TON = 2000.0
#: a fall to nothing, drawn as a step this wide in the rule's unit
_STEP = 1e-6
#: knots of a curved rule: between them its chord is off by less than 0.1 lb/ac for every equation of the table
_KNOTS = 201


def tri_state_p(ppm: FloatArray, *, yield_goal: float, levels: NutrientLevels) -> FloatArray:
    """P2O5, lb/ac: removal plus five times what the soil lacks; removal up to the maintenance limit; none from there.

    Parameters
    ----------
    ppm
        Mehlich-3 P.
    yield_goal
        bu/ac, alfalfa ton/ac.
    levels
        Removal in lb of P2O5.

    References
    ----------
    Culman et al. 2020, Tri-State Fertilizer Recommendations, Bulletin 974, Ohio State University. Read: the framework
    (Ohio State University Extension, agronomic crops team, chapter "Phosphorus and Potassium": build-up below the
    critical level, maintenance above it, no drawdown), and that nothing is spread at or above the limit (Watters 2021,
    Nutrient Removal for Field Crops in Ohio, Ohio State University Extension ANR-96). From memory: the factor 5.
    """
    rate = np.maximum(levels.critical_ppm - ppm, 0.0) * 5 + yield_goal * levels.removal
    return np.where(ppm >= levels.limit_ppm, 0.0, rate)


def tri_state_k(ppm: FloatArray, *, yield_goal: float, cec: float, levels: NutrientLevels) -> FloatArray:
    """K2O, lb/ac: (CL - STL)(1 + 0.05 CEC) + removal + 20, none from the maintenance limit on.

    Parameters
    ----------
    ppm
        Mehlich-3 K.
    yield_goal
        bu/ac, alfalfa ton/ac.
    cec
        cmolc/kg.
    levels
        Removal in lb of K2O.

    References
    ----------
    As `tri_state_p`. The equation was read in a second-hand copy, and "crop removal plus 20 lb" in the maintenance
    range in Watters 2021, ANR-96.

    Examples
    --------
    Critical level 120, soil test 100, CEC 15, 180 bu/ac of corn removing .20 lb/bu: 35 + 36 + 20.

    >>> corn = potassium_levels(TRI_STATE_CROPS["corn"], cec=15)
    >>> rate = tri_state_k(np.array([100.0, 150.0, 170.0]), yield_goal=180, cec=15, levels=corn)
    >>> [round(float(lb), 6) for lb in rate]
    [91.0, 56.0, 0.0]
    """
    short = np.maximum(levels.critical_ppm - ppm, 0.0)
    rate = short * (1 + 0.05 * cec) + yield_goal * levels.removal + 20
    return np.where(ppm >= levels.limit_ppm, 0.0, rate)


def phosphorus_levels(crop: TriStateCrop) -> NutrientLevels:
    """Levels of P, and removal of P2O5."""
    return NutrientLevels(crop.p_critical_ppm, crop.p_limit_ppm, crop.p2o5_removal)


def potassium_levels(crop: TriStateCrop, *, cec: float) -> NutrientLevels:
    """Levels of K, and removal of K2O: 100 to 130 ppm up to a CEC of 5 cmolc/kg, 120 to 170 ppm above it.

    References
    ----------
    Both ranges read in a laboratory's summary of the 2020 edition.
    """
    return NutrientLevels(*((100.0, 130.0) if cec <= 5 else (120.0, 170.0)), crop.k2o_removal)


def nebraska_corn_n(ppm: FloatArray, *, yield_goal: float, organic_matter: float, credits_lb_ac: float) -> FloatArray:
    """N, lb/ac: 35 + 1.2 EY - 8 NO3 - 0.14 EY OM - credits, not below 0.

    Parameters
    ----------
    ppm
        Nitrate-nitrogen, mean of the top 2 to 4 ft.
    yield_goal
        bu/ac.
    organic_matter
        Percent; held between 0.5 and 3.
    credits_lb_ac
        N of legumes, manure and irrigation water.

    References
    ----------
    University of Nebraska-Lincoln, Nutrient Management Suggestions for Corn (EC117): formula and the meaning of its
    terms read in an extension article of 2021, that 2 ft are the least depth in the circular's edition of 2023. Its
    factors for prices and time of spreading are left at 1.

    Examples
    --------
    Yield 200, nitrate 3, organic matter 3 and, held at 3, 5; then a credit of 35.

    >>> some = {"yield_goal": 200, "credits_lb_ac": 0}
    >>> float(nebraska_corn_n(np.array(3.0), organic_matter=3, **some).round(6))
    167.0
    >>> float(nebraska_corn_n(np.array(3.0), organic_matter=5, **some).round(6))
    167.0
    """
    held = min(max(organic_matter, 0.5), 3.0)
    return np.maximum(35 + 1.2 * yield_goal - 8 * ppm - 0.14 * yield_goal * held - credits_lb_ac, 0.0)


def north_carolina(index: FloatArray, *, equation: int) -> FloatArray:
    """P2O5 or K2O, lb/ac, from the soil test index by an equation of Table 2.4: not below 0, level where it turns up.

    References
    ----------
    Hardy, Tucker & Stokes 2014, Crop Fertilization Based on North Carolina Soil Tests, NCDA&CS Circular 1, Table 2.4
    (read; equation 4 alone turns up before it reaches 0, and keeps 16 lb/ac from there).

    Examples
    --------
    Equation 14 at indices 0, 25 and 50.

    >>> north_carolina(np.array([0.0, 25.0, 50.0]), equation=14).tolist()
    [150.0, 88.5, 41.5]
    """
    square, linear, constant = NORTH_CAROLINA[equation]
    # beyond its least value a parabola would ask more of a richer soil
    held = np.minimum(np.maximum(index, 0.0), linear / (2 * square))
    return np.asarray(np.maximum(square * held**2 - linear * held + constant, 0.0))


#: percent of lime spread that no longer counts, for every month since, on mineral soils; source beside the function
_LIME_LOST_A_MONTH = 8.0


def residual_lime_credit(last_lime: float, *, months: float, lost_a_month: float) -> float:
    """Lime, ton/ac, that still counts of what was last spread: less by a share of it for every month, not below 0.

    References
    ----------
    NCDA&CS, Soil Testing, Lime and Fertilizer Requirements: 8 % a month on mineral soils, 16 % on mineral-organic and
    organic ones (read).

    Examples
    --------
    >>> residual_lime_credit(1.5, months=4, lost_a_month=8)
    1.02
    """
    return max(last_lime * (1 - months * lost_a_month / 100), 0.0)


def north_carolina_lime(
    ph: FloatArray, *, target_ph: float, buffer_ph: FloatArray | float, credit: float = 0.0
) -> FloatArray:
    """Lime, ton/ac: acidity 4 (6.6 - BpH) times (target - pH) / (6.6 - pH), less a residual credit, not below 0.

    References
    ----------
    As `north_carolina`, Table 2.1 (read, with the example); acidity in meq/100 cm3.

    Examples
    --------
    pH 5.0 to 6.0 at an acidity of 1.2 (buffer pH 6.3); the circular prints .76.

    >>> float(north_carolina_lime(np.array(5.0), target_ph=6.0, buffer_ph=6.3).round(6))
    0.75
    """
    acidity = np.maximum(4 * (6.6 - np.asarray(buffer_ph)), 0.0)
    below = np.minimum(ph, target_ph)
    return np.asarray(np.maximum(acidity * (target_ph - below) / (6.6 - below) - credit, 0.0))


def rule_curve(
    name: str, *, quantity: str, unit: str, crop: str, product: str, number: Mapping[str, Line], where: str
) -> NeedCurve:
    """Need in kg/ha against the measured value, by a rule.

    Parameters
    ----------
    quantity, unit
        What is measured.
    crop
        Of the rule's own table, where it has one.
    product
        What the curve is of, for a rule whose rate is of a product.
    number
        Every parameter of the rule's card but those by crop; lines that rise or fall only where the card says so.

    Raises
    ------
    InputError
        For a crop or a number the rule does not know.
    """
    card = card_of(name, where=where)
    if card.crop and crop not in ("", card.crop):
        mend = "Use a rule for your crop, or a [[rate_table]] of your own."
        raise InputError(f"{where}, crop", f"{card.title} is not for {crop}", mend)
    level = {key: line.intercept for key, line in number.items() if not card.parameters[key].follows}
    following = {key: line for key, line in number.items() if card.parameters[key].follows}
    value, rate = _RULES[name](crop, level, following, where)
    form = {"P": P2O5_PER_P, "K": K2O_PER_K}.get(card.element, 1.0)
    factor = KG_HA_PER_LB_AC / form if card.element else _LB_PER_TON * KG_HA_PER_LB_AC
    return NeedCurve(quantity, unit, value, rate * factor, "" if card.element else product, card.element)


_Sampled: TypeAlias = tuple[FloatArray, FloatArray]
_Numbers: TypeAlias = Mapping[str, float]
_Lines: TypeAlias = Mapping[str, Line]


def _levels(crop: str, number: _Numbers, of: Callable[[TriStateCrop], NutrientLevels], where: str) -> NutrientLevels:
    """Levels and removal: as stated, else of the crop's row."""
    stated = {key: number[key] for key in ("critical_level", "maintenance_limit", "removal") if key in number}
    if crop not in TRI_STATE_CROPS and len(stated) < 3:
        known = ", ".join(TRI_STATE_CROPS)
        mend = f"Write crop = one of {known}; or critical_level, maintenance_limit and removal of your own."
        raise InputError(f"{where}, crop", f"the Tri-State rules know no '{crop}'", mend)
    row = of(TRI_STATE_CROPS[crop]) if crop in TRI_STATE_CROPS else NutrientLevels(0.0, 0.0, 0.0)
    levels = NutrientLevels(
        stated.get("critical_level", row.critical_ppm),
        stated.get("maintenance_limit", row.limit_ppm),
        stated.get("removal", row.removal),
    )
    if levels.limit_ppm <= levels.critical_ppm:
        what = f"{levels.limit_ppm:g} ppm is not above the critical level, {levels.critical_ppm:g} ppm"
        raise InputError(f"{where}, maintenance_limit", what, "Write maintenance_limit = a higher number.")
    return levels


def _to_the_limit(levels: NutrientLevels) -> FloatArray:
    """Knots of a rule that falls to the critical level, stays, and ends at the limit."""
    return np.array([0.0, levels.critical_ppm, levels.limit_ppm - _STEP, levels.limit_ppm])


def _tri_state_p(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del following
    levels = _levels(crop, number, phosphorus_levels, where)
    ppm = _to_the_limit(levels)
    return ppm, tri_state_p(ppm, yield_goal=number["yield_goal"], levels=levels)


def _tri_state_k(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del following
    levels = _levels(crop, number, partial(potassium_levels, cec=number["cec"]), where)
    ppm = _to_the_limit(levels)
    return ppm, tri_state_k(ppm, yield_goal=number["yield_goal"], cec=number["cec"], levels=levels)


def _nebraska_corn_n(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del crop, following, where

    def rate(ppm: FloatArray) -> FloatArray:
        return nebraska_corn_n(
            ppm,
            yield_goal=number["yield_goal"],
            organic_matter=number["organic_matter"],
            credits_lb_ac=number["credits"],
        )

    # a straight line until nothing is needed, 8 lb/ac a ppm
    none_from = max(float(rate(np.array(0.0))) / 8, _STEP)
    ppm = np.array([0.0, none_from])
    return ppm, rate(ppm)


def _north_carolina(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del crop, following
    equation = number["equation"]
    if equation not in NORTH_CAROLINA:
        mend = f"Write equation = a number from 1 to {max(NORTH_CAROLINA)}."
        raise InputError(f"{where}, equation", f"Table 2.4 has no equation {equation:g}", mend)
    square, linear, constant = NORTH_CAROLINA[int(equation)]
    lowest = linear / (2 * square)
    root = linear**2 - 4 * square * constant
    end = (linear - np.sqrt(root)) / (2 * square) if root > 0 else lowest
    index = np.linspace(0.0, end, _KNOTS)
    return index, north_carolina(index, equation=int(equation))


def _north_carolina_lime(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del crop
    target = number["target_ph"]
    if not 4 < target < 6.6:
        raise InputError(f"{where}, target_ph", f"{target:g} is not below 6.6", "Write a pH such as 6.0 or 6.5.")
    last, months = number.get("last_lime", 0.0), number.get("last_lime_months", 0.0)
    if (last > 0) != (months > 0):
        missing = "last_lime_months" if last > 0 else "last_lime"
        mend = "Write what was spread (ton/ac) and how many months ago: last_lime = 1.5, last_lime_months = 6."
        raise InputError(f"{where}, {missing}", "is missing beside its fellow, or is 0", mend)
    lost_a_month = number.get("lime_lost_a_month", _LIME_LOST_A_MONTH)
    credit = residual_lime_credit(last, months=months, lost_a_month=lost_a_month)
    ph = np.linspace(3.0, target, _KNOTS)
    return ph, north_carolina_lime(ph, target_ph=target, buffer_ph=following["buffer_ph"].at(ph), credit=credit)


_RULES: Mapping[str, Callable[[str, _Numbers, _Lines, str], _Sampled]] = {
    "tri_state_p": _tri_state_p,
    "tri_state_k": _tri_state_k,
    "nebraska_corn_n": _nebraska_corn_n,
    "north_carolina_p": _north_carolina,
    "north_carolina_k": _north_carolina,
    "north_carolina_lime": _north_carolina_lime,
}
