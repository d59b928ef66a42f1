"""Units of measured values: how people spell them, what each basis allows, and what becomes of them inside."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable

from zonemap.errors import InputError
from zonemap.io.sources import shown
from zonemap.units import KG_HA_PER_LB_AC, KG_HA_PER_UG_10CM2
from zonemap.values.basis import BasisKind

RESIN_UNIT = "kg/ha/day"
_KG_HA_PER_G_M2 = 10.0  # 1e-3 kg over 1e-4 ha
#: basis -> units it can be stated in
UNITS: dict[BasisKind, tuple[str, ...]] = {
    "resin": ("lb/ac/day", "kg/ha/day", "ug/10cm2/burial", "ug/10cm2/day", "g/m2/day"),
    "extract": ("ppm", "mg/kg", "g/kg", "%", "pH", "cmolc/kg", "index"),
    "paste": ("mg/L", "pH"),
    "tissue": ("%", "mg/kg", "g/kg"),
}
#: units that may stand in a header though no basis is stated in them: they contradict whatever is
_OTHER_UNITS = ("lb/ac", "kg/ha", "g/m2", "ug/10cm2", "meq/L", "mmol/L", "mg/g", "ug/L", "g/L", "ppb")
_SPELLINGS = {
    "meq/100g": "cmolc/kg", "cmol/kg": "cmolc/kg", "cmol(+)/kg": "cmolc/kg", "cmol+/kg": "cmolc/kg", "ug/g": "mg/kg",
    "percent": "%", "pct": "%", "g/100g": "%", "mg/dm3": "mg/L",
}  # fmt: skip
# Two names of one mass fraction; a ppm of water is about a mg/L, so paste has neither.
_ALIKE = {"ppm": "mg/kg"}


def unit_name(text: str) -> str | None:
    """Return the package's name of a unit, or ``None`` for what is none.

    >>> unit_name("lbs/acre/day"), unit_name("µg/10 cm² /burial"), unit_name("meq/100g"), unit_name("blue")
    ('lb/ac/day', 'ug/10cm2/burial', 'cmolc/kg', None)
    """
    plain = plainly_spelled(text)
    plain = _SPELLINGS.get(plain, plain)
    every = {unit.lower(): unit for units in (*UNITS.values(), _OTHER_UNITS) for unit in units}
    return every.get(plain.lower())


def plainly_spelled(text: str) -> str:
    """Return the spelling by which units are told apart, in small letters and without blanks.

    >>> plainly_spelled("Lbs / acre"), plainly_spelled("lb / 1000 ft²"), plainly_spelled("gals/acre")
    ('lb/ac', 'lb/1000ft2', 'gal/ac')
    """
    plain = re.sub(r"\s+", "", text).lower().replace("µ", "u").replace("μ", "u").replace("²", "2").replace("^", "")
    plain = re.sub(r"\b(lb|gal|ton)s\b", r"\1", plain)
    return re.sub(r"/d$", "/day", re.sub(r"/acres?\b", "/ac", plain)).replace("perday", "/day").replace("·", "")


def stated_unit(text: str, *, basis: BasisKind, where: str) -> str:
    """Unit that a key of field.toml states for a basis.

    Raises
    ------
    InputError
        When the basis is never stated in it.
    """
    name, allowed = unit_name(text), UNITS[basis]
    if name in allowed:
        return name
    near = difflib.get_close_matches(text, allowed, n=1)
    mend = f'Write unit = "{near[0]}".' if near else f"Write one of {', '.join(allowed)}."
    raise InputError(where, f"{shown(text)} is not a unit of {basis} values", mend)


def to_inside(unit: str, *, burial_days: float) -> tuple[str, float]:
    """Return the unit inside the package, and the factor to it: resin rates become kg/ha/day, others stay."""
    factors = {
        "lb/ac/day": KG_HA_PER_LB_AC,
        "kg/ha/day": 1.0,
        "ug/10cm2/day": KG_HA_PER_UG_10CM2,
        "ug/10cm2/burial": KG_HA_PER_UG_10CM2 / burial_days,
        "g/m2/day": _KG_HA_PER_G_M2,
    }
    return (RESIN_UNIT, factors[unit]) if unit in factors else (unit, 1.0)


def header_unit(header: str, *, name_of: Callable[[str], str | None] = unit_name) -> str | None:
    """Return the unit a header carries, in brackets or as its last words; ``None`` where it carries none.

    >>> header_unit("K (ppm)"), header_unit("k_lb_ac_day"), header_unit("no3_n"), header_unit("P [0-6 in]")
    ('ppm', 'lb/ac/day', None, None)

    Parameters
    ----------
    name_of
        Of a unit, by its spelling.
    """
    for bracketed in re.findall(r"[(\[{]([^()\[\]{}]*)[)\]}]", header):
        if (name := name_of(bracketed)) is not None:
            return name
    words = re.split(r"[\s_,;:]+", re.sub(r"[()\[\]{}]", " ", header.strip()).strip())
    for start in range(1, len(words)):
        tail = words[start:]
        name = name_of("/".join(tail)) or name_of("/".join(tail).replace("10/cm2", "10cm2"))
        if name not in (None, "pH"):
            return name
    return None


def same_unit(one: str, other: str) -> bool:
    """Whether two units are one: ppm is mg/kg, and a header's ug/10cm2 leaves the time to field.toml."""
    one, other = _ALIKE.get(one, one), _ALIKE.get(other, other)
    return one == other or {one, other} in ({"ug/10cm2", "ug/10cm2/burial"}, {"ug/10cm2", "ug/10cm2/day"})
