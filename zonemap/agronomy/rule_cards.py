"""What each recommendation rule reads, needs and rests on, and the refusal of values it was not calibrated for."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from zonemap.errors import InputError
from zonemap.units import CM_PER_IN, ELEMENTS
from zonemap.values.basis import Basis


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
    unit
        Unit such a quantity must be in.
    most
        Above it the number is not what the rule means.
    follows
        Whether such a quantity's line against the mapped value stands for it instead of its mean.
    by_crop
        Whether the rule's own table of crops holds it where it is not stated.
    optional
        Whether it may be left out without a word; its meaning says what counts then.
    """

    meaning: str
    default: float | None = None
    columns: tuple[str, ...] = ()
    unit: str = ""
    most: float = float("inf")
    follows: bool = False
    by_crop: bool = False
    optional: bool = False


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
        What belongs beside its rates, more than `DEFERS`.
    least_depth_in
        Inches the samples must reach down to; 0 where the source states none.
    crop
        The one crop it is for; empty where it has a table of crops or none.
    """

    title: str
    source: str
    quantity: str
    units: tuple[str, ...]
    extractants: tuple[str, ...]
    element: str
    parameters: Mapping[str, Parameter]
    caution: str = ""
    least_depth_in: float = 0.0
    crop: str = ""


_MEHLICH_3 = ("Mehlich-3", "Mehlich III", "M3", "MIII")
#: salts and water take up the same nitrate (common practice)
_NITRATE = (
    "KCl", "1 M KCl", "2 M KCl", "1N KCl", "2N KCl", "potassium chloride", "calcium sulfate", "CaSO4",
    "calcium phosphate", "calcium chloride", "CaCl2", "water",
)  # fmt: skip
_PPM = ("ppm", "mg/kg")
_YIELD = Parameter("yield goal, bu/ac (alfalfa: ton/ac), or yield_goal_t_ha")
_CEC = Parameter("cation exchange capacity, cmolc/kg", columns=("CEC", "cec"), unit="cmolc/kg")
_LEVELS = {
    "critical_level": Parameter("critical level, Mehlich-3 ppm", by_crop=True),
    "maintenance_limit": Parameter("maintenance limit, Mehlich-3 ppm", by_crop=True),
}
_REMOVAL = "removed with the harvest, lb per bu (alfalfa: per ton)"
_EQUATION = Parameter("number of the crop's equation in Table 2.4 (1 to 20)")
#: belongs beside the rates of every rule
DEFERS = (
    "Rates by rules defer to the laboratory's own calibration, the nutrient management plan and local codes: a rule "
    "holds for the soils it was calibrated on."
)
_TRI_STATE = "Culman et al. 2020, Tri-State Fertilizer Recommendations, Bulletin 974"
_CIRCULAR = "Hardy, Tucker & Stokes 2014, NCDA&CS Circular 1"
CARDS: Mapping[str, RuleCard] = {
    "tri_state_p": RuleCard(
        "Tri-State phosphorus",
        f"{_TRI_STATE} (factor 5, maintenance limits and removal rates from memory)",
        "P", _PPM, _MEHLICH_3, "P",
        {"yield_goal": _YIELD, **_LEVELS, "removal": Parameter(f"P2O5 {_REMOVAL}", by_crop=True)},
    ),
    "tri_state_k": RuleCard(
        "Tri-State potassium",
        f"{_TRI_STATE} (removal rates from memory)",
        "K", _PPM, _MEHLICH_3, "K",
        {"yield_goal": _YIELD, "cec": _CEC, **_LEVELS, "removal": Parameter(f"K2O {_REMOVAL}", by_crop=True)},
    ),
    "nebraska_corn_n": RuleCard(
        "Nebraska nitrogen for corn",
        "University of Nebraska-Lincoln, Nutrient Management Suggestions for Corn (EC117)",
        "NO3", _PPM, _NITRATE, "N",
        {
            "yield_goal": Parameter("yield goal, bu/ac, or yield_goal_t_ha"),
            "organic_matter": Parameter("organic matter, percent", columns=("OM", "organic_matter", "om"), unit="%"),
            "credits": Parameter("nitrogen of legumes, manure and water, lb/ac", 0.0),
        },
        "Nebraska nitrogen for corn: the nitrate-nitrogen is the mean of the top 2 to 4 ft, not of the plough layer; "
        "the service's factors for prices and for time of spreading are left at 1.",
        least_depth_in=24.0,
        crop="corn",
    ),
    "north_carolina_p": RuleCard(
        "North Carolina phosphorus", f"{_CIRCULAR}, Table 2.4",
        "P", ("index",), _MEHLICH_3, "P", {"equation": _EQUATION},
    ),
    "north_carolina_k": RuleCard(
        "North Carolina potassium", f"{_CIRCULAR}, Table 2.4",
        "K", ("index",), _MEHLICH_3, "K", {"equation": _EQUATION},
    ),
    "north_carolina_lime": RuleCard(
        "North Carolina lime", f"{_CIRCULAR}, lime, with its residual credit",
        "pH", ("pH",), (), "",
        {
            "target_ph": Parameter("pH to reach, below 6.6", 6.0),
            # the buffer itself is at 6.6: a tenth is left for the laboratory's error (our own choice)
            "buffer_ph": Parameter(
                "buffer pH of the laboratory (Mehlich buffer)",
                columns=("BpH", "buffer_pH"), unit="pH", most=6.7, follows=True,
            ),
            "last_lime": Parameter("lime spread last, ton/ac, all over the field; 0 where not stated", optional=True),
            "last_lime_months": Parameter("months since then", optional=True),
            "lime_lost_a_month": Parameter(
                "percent of it that no longer counts a month: 8 where not stated, 16 on organic soils", optional=True
            ),
        },
        "The lime rate is for agricultural limestone of 90% neutralizing value (from memory), mixed into the top 6 to "
        "8 in: another depth or stone needs another rate. Lime spread within the last year counts only where last_lime "
        "says so, and the service asks for none where less than 0.3 ton/ac is needed; without tillage, no more than "
        "1 to 1.5 ton/ac at once.",
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
        For another basis, extractant, unit, or samples that do not reach deep enough; the message names both.
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
    # 60 cm pass for 24 in
    if basis.depth_cm is not None and basis.depth_cm < card.least_depth_in * CM_PER_IN - 1:
        depth_in = basis.depth_cm / CM_PER_IN
        what = f"{card.title} reads the top {card.least_depth_in:g} in or more, and these samples are {depth_in:.3g} in"
        mend = f"Sample to {card.least_depth_in:g} in or deeper, or use a [[rate_table]] of your own."
        raise InputError(where, what, mend)


def refuse_other_quantity(name: str, quantity: str, *, where: str) -> None:
    """Refuse to read one element's rule from another element's values.

    Raises
    ------
    InputError
        Naming both.
    """
    card = card_of(name, where=where)
    if quantity in ELEMENTS and quantity != card.element:
        what = f"{card.title} does not read {quantity}"
        raise InputError(where, what, f"Write value = the column that holds {card.quantity}, or another rule.")


def _plain(extractant: str) -> str:
    """Extractant without case, spaces, hyphens, and words that say how it was read and not what it is.

    >>> _plain("Mehlich - 3 (ICP)") == _plain("mehlich3 extract") == _plain("Mehlich No. 3")
    True
    >>> _plain("Mehlich-3 colorimetric") == _plain("Mehlich-3")
    False
    """
    words = re.sub(r"\b(icp([ -]?[oam]es)?|extract(ion|ant|able)?|method|no)\b", " ", extractant.casefold())
    return re.sub(r"[\W_]+", "", words)
