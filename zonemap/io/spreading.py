"""A measured spread pattern, as field.toml states it: pans across the line of travel and what each caught."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from zonemap.errors import InputError
from zonemap.io.field_file import NAME, SpreaderTable
from zonemap.units import M_PER_FT
from zonemap.values.spread_pattern import SpreadPattern

_WHERE = f"{NAME}, spreader"
_FACTORS = {"pattern_ft": M_PER_FT, "pattern_m": 1.0}


def measured_pattern(table: SpreaderTable) -> SpreadPattern | None:
    """Pattern that the pans caught; ``None`` where none was measured.

    Raises
    ------
    InputError
        When the pans are not in rising order or caught nothing, or when something else says the pattern too.
    """
    stated = [key for key in _FACTORS if getattr(table, key) is not None]
    if not stated:
        return None
    if len(stated) == 2:
        raise InputError(_WHERE, "pattern_ft and pattern_m are both given", "Keep one of pattern_ft and pattern_m.")
    key = stated[0]
    if table.overlap is not None:
        mend = f"Keep one of overlap and {key}."
        raise InputError(f"{_WHERE}, overlap", f"the pattern is measured in {key} already", mend)
    if table.swath_ft is None and table.swath_m is None:
        mend = "Write how far apart the passes are: swath_ft = 80, or swath_m = 24."
        raise InputError(f"{_WHERE}, {key}", "says nothing without the swath", mend)
    return _pattern(getattr(table, key), key=key)


def _pattern(pans: Sequence[Sequence[float]], *, key: str) -> SpreadPattern:
    where = f"{_WHERE}, {key}"
    if any(right[0] <= left[0] for left, right in pairwise(pans)):
        mend = "Order the pans from left to right, each place once; places left of the line of travel are negative."
        raise InputError(where, "the places of the pans do not rise", mend)
    bad = next((mass for _, mass in pans if not 0 <= mass <= 1e7), None)
    if bad is not None:
        raise InputError(where, f"{bad:g} is not what a pan can catch", "Write 0 or more, in any one unit.")
    if not any(mass > 0 for _, mass in pans):
        raise InputError(where, "all pans are empty", "Write what each pan caught, or remove the pattern.")
    if max(abs(place) for place, _ in pans) > 1000:
        raise InputError(where, "a pan lies more than 1000 away", "Write places as distances from the line of travel.")
    factor = _FACTORS[key]
    return SpreadPattern([factor * place for place, _ in pans], [mass for _, mass in pans])  # type: ignore[arg-type]
