"""Why two kinds of measurement of one field may rank its places differently: general knowledge, not a diagnosis."""

from __future__ import annotations

from datetime import date

from zonemap.values.basis import Basis

#: element -> what may part an extract from what roots or resin get (textbook knowledge, written down from memory)
_EXTRACTS = {
    "K": "K held between clay layers: an extract may count too much or too little of what roots get.",
    "P": "P in limy soil: acid extracts also dissolve P bound to lime, which roots hardly get.",
    "S": "S bound in organic matter: an extract may miss what is set free later.",
    "Zn": "Zn in limy soil: how much an extract holds depends on its strength and on soil pH.",
}
_TISSUE = "A leaf also shows roots, water, compaction and growth: big plants thin out what they take up."
_DATES = "N and S: set free from organic matter, or leached as nitrate and sulfate, between the two dates."
_UNDATED = "N and S: set free from organic matter, or leached as nitrate and sulfate, if the dates differ."


def possible_causes(
    first: Basis, other: Basis, quantities: tuple[str, ...], *, collected: tuple[date | None, date | None]
) -> tuple[tuple[str, str], ...]:
    """Causes that fit the two bases, depths and dates.

    Parameters
    ----------
    quantities
        Those in which the sets disagree somewhere.
    collected
        Days of sampling; ``None`` where one was not stated.

    Returns
    -------
    causes
        (quantities a cause is about, sentence); empty where nothing disagrees.
    """
    if not quantities:
        return ()
    kinds = {first.kind, other.kind}
    causes = []
    if "extract" in kinds:
        causes += [(name, _EXTRACTS[name]) for name in quantities if name in _EXTRACTS]
    if "tissue" in kinds:
        causes.append((", ".join(quantities), _TISSUE))
    mobile = [name for name in quantities if name in ("N", "S")]
    if mobile and (None in collected or collected[0] != collected[1]):
        causes.append((", ".join(mobile), _UNDATED if None in collected else _DATES))
    return (*causes, *_unlike_burial(first, other, quantities), *_unlike_depths(first, other, quantities))


def _unlike_depths(first: Basis, other: Basis, quantities: tuple[str, ...]) -> list[tuple[str, str]]:
    if "tissue" in (first.kind, other.kind):
        return []
    names = ", ".join(quantities)
    if first.depth_cm is None or other.depth_cm is None:
        return [(names, "The depth of a set is not stated; another depth is another soil.")]
    if abs(first.depth_cm - other.depth_cm) > 0.01 * first.depth_cm:
        return [(names, f"Depths of {first.depth_cm:.3g} and {other.depth_cm:.3g} cm: another depth is another soil.")]
    return []


def _unlike_burial(first: Basis, other: Basis, quantities: tuple[str, ...]) -> list[tuple[str, str]]:
    if first.kind != "resin" or other.kind != "resin" or first.burial_days == other.burial_days:
        return []
    text = f"Burials of {first.burial_days:g} and {other.burial_days:g} days: short ones show what is at hand, "
    return [(", ".join(quantities), text + "long ones also what is set free meanwhile.")]
