"""Recommendation rules of public services for conventional extracts: small pure functions, each with its source.

Inside a rule are the units of its source (ppm, bu/ac, lb/ac); `rule_curve` makes a need curve in kg/ha of it. A rule
answers to the extract it was calibrated with and to no other.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from zonemap.agronomy.rules_tables import NORTH_CAROLINA, TRI_STATE_CROPS, TriStateCrop
from zonemap.errors import InputError
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.arrays import FloatArray
from zonemap.values.basis import Basis
from zonemap.values.need import NeedCurve
from zonemap.values.rules import Line

_LB_PER_TON = 2000.0
#: a fall to nothing, drawn as a step this wide in the rule's unit
_STEP = 1e-6
#: knots of a curved rule: between them its chord is off by less than 0.1 lb/ac for every equation of the table
_KNOTS = 201


@dataclass(frozen=True, slots=True)
class Parameter:
    """One number a rule needs beside what is mapped.

    Attributes
    ----------
    meaning
        In words, with its unit.
    default
        ``None`` where the user has to say.
    columns
        Measured quantities whose field mean may stand for it.
    follows
        Whether such a quantity's line against the mapped value stands for it instead of its mean.
    """

    meaning: str
    default: float | None = None
    columns: tuple[str, ...] = ()
    follows: bool = False


@dataclass(frozen=True, slots=True)
class RuleCard:
    """What a rule reads, needs and gives.

    Attributes
    ----------
    source
        Where it stands.
    quantity
        Usual name of the measured quantity.
    units
        Units the value may be in.
    extractants
        Names of the extractant it is calibrated for, the first one shown; empty where none matters.
    element
        What the rate is of; empty for a product (lime).
    parameters
        Beside what is mapped.
    caution
        What belongs beside its rates.
    """

    title: str
    source: str
    quantity: str
    units: tuple[str, ...]
    extractants: tuple[str, ...]
    element: str
    parameters: Mapping[str, Parameter]
    caution: str


def tri_state_p(ppm: FloatArray, *, yield_goal: float, crop: TriStateCrop) -> FloatArray:
    """P2O5, lb/ac: crop removal plus five times what the soil lacks; removal up to the maintenance limit; then none.

    Parameters
    ----------
    ppm
        Mehlich-3 P.
    yield_goal
        bu/ac, alfalfa ton/ac.

    References
    ----------
    Culman et al. 2020, Tri-State Fertilizer Recommendations, Bulletin 974, Ohio State University (framework and
    critical levels read in extension summaries of it: build-up, maintenance, no drawdown; the factor 5 and removal
    rates from memory).
    """
    removed = yield_goal * crop.p2o5_removal
    rate = np.maximum(crop.p_critical_ppm - ppm, 0.0) * 5 + removed
    return np.where(ppm > crop.p_limit_ppm, 0.0, rate)


def tri_state_k(ppm: FloatArray, *, yield_goal: float, cec: float, crop: TriStateCrop) -> FloatArray:
    """K2O, lb/ac: (CL - STL)(1 + 0.05 CEC) + removal + 20, none beyond the maintenance limit.

    Parameters
    ----------
    ppm
        Mehlich-3 K.
    cec
        cmolc/kg; up to 5 the critical level is 100 ppm and the limit 130, above it 120 and 170.

    References
    ----------
    As `tri_state_p`; critical levels and limits read in a laboratory's summary of the 2020 edition.

    Examples
    --------
    Critical level 120, soil test 100, CEC 15, 180 bu/ac of corn removing .20 lb/bu: 35 + 36 + 20.

    >>> rate = tri_state_k(np.array([100.0, 150.0, 171.0]), yield_goal=180, cec=15, crop=TRI_STATE_CROPS["corn"])
    >>> [round(float(lb), 6) for lb in rate]
    [91.0, 56.0, 0.0]
    """
    critical, limit = potassium_levels(cec)
    rate = np.maximum(critical - ppm, 0.0) * (1 + 0.05 * cec) + yield_goal * crop.k2o_removal + 20
    return np.where(ppm > limit, 0.0, rate)


def potassium_levels(cec: float) -> tuple[float, float]:
    """Critical level and maintenance limit, Mehlich-3 ppm."""
    return (100.0, 130.0) if cec <= 5 else (120.0, 170.0)


def nebraska_corn_n(ppm: FloatArray, *, yield_goal: float, organic_matter: float, credits_lb_ac: float) -> FloatArray:
    """N, lb/ac: 35 + 1.2 EY - 8 NO3 - 0.14 EY OM - credits, not below 0.

    Parameters
    ----------
    ppm
        Nitrate-N of the root zone.
    yield_goal
        bu/ac.
    organic_matter
        Percent; held between 0.5 and 3.
    credits_lb_ac
        N of legumes, manure and irrigation water.

    References
    ----------
    University of Nebraska-Lincoln, fertilizer suggestions for corn (EC117).

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
    """P2O5 or K2O, lb/ac, from the soil test index by an equation of Table 2.4; 0 from where it falls to 0 or turns up.

    References
    ----------
    Hardy, Tucker & Stokes 2014, Crop Fertilization Based on North Carolina Soil Tests, NCDA&CS Circular 1, Table 2.4.

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


def north_carolina_lime(ph: FloatArray, *, target_ph: float, buffer_ph: FloatArray | float) -> FloatArray:
    """Lime, ton/ac: acidity 4 (6.6 - BpH) times (target - pH) / (6.6 - pH), not below 0.

    References
    ----------
    As `north_carolina`, the section on lime; acidity in meq/100 cm3.

    Examples
    --------
    pH 5.0 to 6.0 at an acidity of 1.2 (buffer pH 6.3); the circular prints .76.

    >>> float(north_carolina_lime(np.array(5.0), target_ph=6.0, buffer_ph=6.3).round(6))
    0.75
    """
    acidity = np.maximum(4 * (6.6 - np.asarray(buffer_ph)), 0.0)
    below = np.minimum(ph, target_ph)
    return np.asarray(acidity * (target_ph - below) / (6.6 - below))


_MEHLICH_3 = ("Mehlich-3", "Mehlich 3", "Mehlich III", "M3", "Mehlich3")
_YIELD = Parameter("yield goal, bu/ac (alfalfa: ton/ac)")
_CEC = Parameter("cation exchange capacity, cmolc/kg", columns=("CEC", "cec"))
_LIMITS = (
    "It defers to the laboratory's own calibration, the nutrient management plan and local codes: a rule holds for the "
    "soils it was calibrated on."
)
CARDS: Mapping[str, RuleCard] = {
    "tri_state_p": RuleCard(
        "Tri-State phosphorus",
        "Culman et al. 2020, Tri-State Fertilizer Recommendations, Bulletin 974 (removal rates from memory)",
        "P", ("ppm", "mg/kg"), _MEHLICH_3, "P", {"yield_goal": _YIELD}, _LIMITS,
    ),
    "tri_state_k": RuleCard(
        "Tri-State potassium",
        "Culman et al. 2020, Tri-State Fertilizer Recommendations, Bulletin 974 (removal rates from memory)",
        "K", ("ppm", "mg/kg"), _MEHLICH_3, "K", {"yield_goal": _YIELD, "cec": _CEC}, _LIMITS,
    ),
    "nebraska_corn_n": RuleCard(
        "Nebraska nitrogen for corn",
        "University of Nebraska-Lincoln, fertilizer suggestions for corn (EC117)",
        "NO3", ("ppm", "mg/kg"), ("KCl", "2 M KCl", "1 M KCl", "potassium chloride", "calcium sulfate", "water"), "N",
        {
            "yield_goal": Parameter("yield goal, bu/ac"),
            "organic_matter": Parameter("organic matter, percent", columns=("OM", "organic_matter", "om")),
            "credits": Parameter("nitrogen of legumes, manure and water, lb/ac", 0.0),
        },
        f"The nitrate is the mean of the root zone (2 ft and deeper), not of the plough layer. {_LIMITS}",
    ),
    "north_carolina_p": RuleCard(
        "North Carolina phosphorus",
        "Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, Table 2.4",
        "P", ("index",), _MEHLICH_3, "P",
        {"equation": Parameter("number of the crop's equation in Table 2.4 (1 to 20)")}, _LIMITS,
    ),
    "north_carolina_k": RuleCard(
        "North Carolina potassium",
        "Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, Table 2.4",
        "K", ("index",), _MEHLICH_3, "K",
        {"equation": Parameter("number of the crop's equation in Table 2.4 (1 to 20)")}, _LIMITS,
    ),
    "north_carolina_lime": RuleCard(
        "North Carolina lime",
        "Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1, lime",
        "pH", ("pH",), (), "",
        {
            "target_ph": Parameter("pH to reach, below 6.6", 6.0),
            "buffer_ph": Parameter("buffer pH of the laboratory (Mehlich)", columns=("BpH", "buffer_pH"), follows=True),
        },
        "The lime rate is for agricultural limestone of 90 % neutralizing value worked in 8 in deep (from memory): "
        f"another depth or stone needs another rate. {_LIMITS}",
    ),
}  # fmt: skip


def card_of(name: str, *, where: str) -> RuleCard:
    """Look a rule up.

    Raises
    ------
    InputError
        When there is no such rule; the message lists the names.
    """
    if name not in CARDS:
        raise InputError(where, f"'{name}' is not a rule this knows", f"Choose one of {', '.join(CARDS)}.")
    return CARDS[name]


def refuse_other_extract(name: str, basis: Basis, unit: str, *, where: str) -> None:
    """Refuse values that a rule was not calibrated for.

    Raises
    ------
    InputError
        For another basis, extractant or unit; the message names both.
    """
    card = card_of(name, where=where)
    if basis.kind != "extract":
        what = f"{card.title} reads an extract, and these are {basis.kind} values"
        raise InputError(where, what, "Give values of that extract, or remove the rule.")
    if card.extractants and _plain(basis.extractant) not in {_plain(known) for known in card.extractants}:
        what = f"{card.title} is calibrated for {card.extractants[0]}, and these were extracted with {basis.extractant}"
        raise InputError(where, what, "Use a rule for your extractant, or a [[rate_table]] of your own.")
    if unit not in card.units:
        what = f"{card.title} reads {' or '.join(card.units)}, and these are {unit}"
        raise InputError(where, what, f"Give {card.quantity} in {card.units[0]}.")


def _plain(extractant: str) -> str:
    """Extractant without case, spaces and hyphens.

    >>> _plain("Mehlich - 3") == _plain("mehlich3")
    True
    """
    return re.sub(r"[\s\-_]+", "", extractant).casefold()


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
        Every parameter of the rule's card; lines that rise or fall only where the card says so.

    Raises
    ------
    InputError
        For a crop or a number the rule does not know.
    """
    card = card_of(name, where=where)
    level = {key: line.intercept for key, line in number.items() if not card.parameters[key].follows}
    following = {key: line for key, line in number.items() if card.parameters[key].follows}
    value, rate = _RULES[name](crop, level, following, where)
    form = {"P": P2O5_PER_P, "K": K2O_PER_K}.get(card.element, 1.0)
    factor = KG_HA_PER_LB_AC / form if card.element else _LB_PER_TON * KG_HA_PER_LB_AC
    return NeedCurve(quantity, unit, value, rate * factor, "" if card.element else product, card.element)


_Sampled: TypeAlias = tuple[FloatArray, FloatArray]
_Numbers: TypeAlias = Mapping[str, float]
_Lines: TypeAlias = Mapping[str, Line]


def _tri_state_crop(crop: str, where: str) -> TriStateCrop:
    if crop not in TRI_STATE_CROPS:
        mend = f"Write crop = one of {', '.join(TRI_STATE_CROPS)} in this [[rule]]."
        raise InputError(f"{where}, crop", f"the Tri-State rules know no '{crop}'", mend)
    return TRI_STATE_CROPS[crop]


def _tri_state_p(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del following
    row = _tri_state_crop(crop, where)
    ppm = np.array([0.0, row.p_critical_ppm, row.p_limit_ppm, row.p_limit_ppm + _STEP])
    return ppm, tri_state_p(ppm, yield_goal=number["yield_goal"], crop=row)


def _tri_state_k(crop: str, number: _Numbers, following: _Lines, where: str) -> _Sampled:
    del following
    row = _tri_state_crop(crop, where)
    critical, limit = potassium_levels(number["cec"])
    ppm = np.array([0.0, critical, limit, limit + _STEP])
    return ppm, tri_state_k(ppm, yield_goal=number["yield_goal"], cec=number["cec"], crop=row)


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
    ph = np.linspace(3.0, target, _KNOTS)
    return ph, north_carolina_lime(ph, target_ph=target, buffer_ph=following["buffer_ph"].at(ph))


_RULES: Mapping[str, Callable[[str, _Numbers, _Lines, str], _Sampled]] = {
    "tri_state_p": _tri_state_p,
    "tri_state_k": _tri_state_k,
    "nebraska_corn_n": _nebraska_corn_n,
    "north_carolina_p": _north_carolina,
    "north_carolina_k": _north_carolina,
    "north_carolina_lime": _north_carolina_lime,
}
