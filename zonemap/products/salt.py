"""How salty a blend is, and how much of it may lie with the seed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from zonemap.errors import InputError
from zonemap.products.table import product_row
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC

SeedSoil = Literal["medium_fine", "sandy"]
_M_PER_IN = 0.0254
MORTVEDT = "Mortvedt 2001"
RADER = "Rader et al. 1943"

# Kansas State University, Agronomy eUpdate, starter fertilizer for corn, table 1: suggested most of N + K2O with the
# seed, no urea or UAN: row spacing in inches -> lb/ac on medium to fine soil, on sandy soil.
_SEED_ROWS: Mapping[float, Mapping[SeedSoil, float]] = {
    20.0: {"medium_fine": 12.0, "sandy": 8.0},
    30.0: {"medium_fine": 8.0, "sandy": 6.0},
    40.0: {"medium_fine": 6.0, "sandy": 4.0},
}
_HARMS_SEED: Mapping[str, str] = {
    "urea": "it gives off ammonia, which kills seedlings (Kansas State University, starter fertilizer for corn)",
    "coated_urea": "a broken coat sets urea free, which kills seedlings (common practice)",
    "uan_28": "half of it is urea, which gives off ammonia (Kansas State University, starter fertilizer for corn)",
    "uan_32": "half of it is urea, which gives off ammonia (Kansas State University, starter fertilizer for corn)",
    "borate": "boron harms seedlings at small rates (common practice)",
}


@dataclass(frozen=True, slots=True)
class SaltIndex:
    """Salt index of a blend by one author's measurements.

    Attributes
    ----------
    value
        Sodium nitrate = 100, equal weights of material; ``None`` where a product has no figure by this author.
    missing
        Kinds without one.
    """

    value: float | None
    author: str
    missing: tuple[str, ...]


def blend_salt_index(masses: Mapping[str, float], *, author: str = MORTVEDT) -> SaltIndex:
    """Mean of the products' salt indices, weighted by mass.

    Parameters
    ----------
    masses
        kind -> mass in the blend, any unit, none negative; products of no mass do not count.
    author
        Whose measurements; those of two authors are never mixed.

    Raises
    ------
    InputError
        For a kind the table does not have, a negative mass, or a blend of nothing.

    References
    ----------
    Mortvedt 2001, Calculating salt index.

    Examples
    --------
    (100 x 74.4 + 100 x 116.2) / 200:

    >>> blend_salt_index({"urea": 100.0, "potassium_chloride": 100.0}).value
    95.3
    """
    if min(masses.values(), default=0.0) < 0 or sum(masses.values()) <= 0:
        raise InputError("blend", "has no mass, or a negative one", "Give the mass of every product in the blend.")
    rows = {kind: product_row(kind) for kind, mass in masses.items() if kind and mass > 0}
    missing = [kind for kind, row in rows.items() if row.salt_index(author) is None]
    if masses.get("", 0.0) > 0:
        missing.append("")
    if missing:
        return SaltIndex(None, author, tuple(missing))
    figures = {kind: figure.value for kind, row in rows.items() if (figure := row.salt_index(author)) is not None}
    total = sum(masses[kind] * value for kind, value in figures.items())
    return SaltIndex(total / sum(masses[kind] for kind in figures), author, ())


def seed_row_limit_kg_ha(*, row_spacing_m: float, soil: SeedSoil) -> float:
    """Most N + K2O that may lie with corn seed, kg/ha; none of it as urea or UAN.

    Between two spacings of the table the wider row's smaller limit holds: the source gives no rule in between.

    Raises
    ------
    InputError
        For rows wider than the table's.

    References
    ----------
    Kansas State University, Agronomy eUpdate, starter fertilizer for corn, table 1.

    Examples
    --------
    >>> round(seed_row_limit_kg_ha(row_spacing_m=30 * 0.0254, soil="medium_fine") / 1.120851, 2)
    8.0
    """
    spacing_in = row_spacing_m / _M_PER_IN
    # a metric spacing is rounded: 76 cm for 30 in, 102 cm for 40 in
    wide_enough = [spacing for spacing in _SEED_ROWS if spacing >= spacing_in - 0.25]
    if not wide_enough or not row_spacing_m > 0:
        what = f"rows {spacing_in:.3g} in apart are not in the table, which ends at 40 in"
        raise InputError("row spacing", what, "Put the fertilizer beside the row, not with the seed.")
    return _SEED_ROWS[min(wide_enough)][soil] * KG_HA_PER_LB_AC


def nitrogen_and_potash_kg_ha(rates_kg_ha: Mapping[str, float]) -> float:
    """N + K2O in a blend, kg/ha, to be held against `seed_row_limit_kg_ha`.

    Parameters
    ----------
    rates_kg_ha
        kind -> product, kg/ha.

    Examples
    --------
    100 kg of 11-52-0 hold 11 of N, 10 kg of 0-0-60 hold 6 of K2O:

    >>> round(nitrogen_and_potash_kg_ha({"monoammonium_phosphate": 100.0, "potassium_chloride": 10.0}), 6)
    17.0
    """
    return sum(
        rate * (analysis.get("N", 0.0) + analysis.get("K", 0.0) * K2O_PER_K)
        for kind, rate in rates_kg_ha.items()
        for analysis in (product_row(kind).analysis,)
    )


def harms_seed(kind: str) -> bool:
    """Whether a product of a kind must not lie with the seed."""
    return kind in _HARMS_SEED


def seed_cautions(kinds: Sequence[str]) -> tuple[str, ...]:
    """Sentences on products that must not lie with the seed at all."""
    named = [kind for kind in dict.fromkeys(kinds) if kind in _HARMS_SEED]
    return tuple(f"{product_row(kind).title}: never with the seed; {_HARMS_SEED[kind]}." for kind in named)
