"""Which products must never be blended, and which blends must not be stored."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from zonemap.products.table import ProductRow, Status, product_row

Severity = Literal["never", "not_stored"]


@dataclass(frozen=True, slots=True)
class Conflict:
    """Two products that do not go together.

    Attributes
    ----------
    severity
        ``never``: not in one bin, bag or tank; ``not_stored``: blend and spread at once.
    pair
        Their kinds, in the order in which they were named.
    """

    severity: Severity
    pair: tuple[str, str]
    reason: str
    source: str
    status: Status

    @property
    def sentence(self) -> str:
        """For people."""
        first, second = (product_row(kind).title for kind in self.pair)
        do = "never blend" if self.severity == "never" else "blend only what is spread the same day, do not store"
        return f"{first} with {second}: {do}; {self.reason}."


@dataclass(frozen=True, slots=True)
class _Rule:
    severity: Severity
    first: Collection[str]
    second: Collection[str]
    reason: str
    source: str
    status: Status


_IPNI = "International Plant Nutrition Institute 2013, Fertilizer compatibility and storage"
_HUMIDITY = "critical humidity at 30 C: see the product table"
_EFMA = "EFMA 2006 (Fertilizers Europe 2014), Guidance for the compatibility of fertilizer blending materials"
_STEWARDSHIP = "Fertilizers Europe, Product stewardship, bulk blending"
_UC = "University of California, Maintenance of microirrigation systems, chemical precipitates"

_UREAS = ("urea", "coated_urea")
_AMMONIUM_NITRATES = ("ammonium_nitrate", "calcium_ammonium_nitrate")
_NITRATES = (*_AMMONIUM_NITRATES, "calcium_nitrate")
_SUPERPHOSPHATES = ("triple_superphosphate", "single_superphosphate")
_AMMONIUM_PHOSPHATES = ("monoammonium_phosphate", "diammonium_phosphate")
_SOLUBLE_SULFATES = ("ammonium_sulfate", "potassium_sulfate", "langbeinite", "kieserite", "zinc_sulfate")
#: stand for every product of that nature
_ORGANIC, _DRY = ("*organic",), ("*dry",)

# The first rule that names a pair holds, so the graver ones stand first.
_RULES = (
    _Rule("never", _UREAS, _AMMONIUM_NITRATES,
          "together they draw water from air above 18% and turn to slurry", _IPNI, "published"),
    _Rule("never", _UREAS, _SUPERPHOSPHATES,
          "urea drives out the water bound in superphosphate, and the blend turns wet and sticky", _IPNI, "published"),
    _Rule("never", _NITRATES, ("elemental_sulfur",),
          "nitrate with sulfur can burn or explode", f"{_EFMA}, section 5", "from memory"),
    _Rule("never", _NITRATES, _ORGANIC,
          "nitrate is an oxidizer and must not touch what burns", "safety data of ammonium nitrate", "common practice"),
    _Rule("never", _UREAS, ("calcium_nitrate",),
          "together they draw water even from dry air", f"{_EFMA}, section 5", "from memory"),
    _Rule("never", ("calcium_nitrate",), ("ammonium_sulfate",),
          "they turn to gypsum and ammonium nitrate, in a bin as in a tank", f"{_EFMA}, section 5", "from memory"),
    _Rule("never", ("calcium_nitrate",), ("ammonium_polyphosphate",),
          "in one tank calcium phosphate falls out and blocks it", "chemistry of fertigation", "common practice"),
    _Rule("not_stored", ("calcium_nitrate",), _SOLUBLE_SULFATES,
          "it draws water from air above 47%, and in one tank gypsum falls out", _UC, "published"),
    _Rule("not_stored", ("calcium_nitrate",), (*_AMMONIUM_PHOSPHATES, *_SUPERPHOSPHATES),
          "it draws water from air above 47%, and in one tank calcium phosphate falls out", _HUMIDITY,
          "common practice"),
    _Rule("not_stored", ("calcium_nitrate",), _DRY, "it draws water from air above 47%", _HUMIDITY, "published"),
    _Rule("not_stored", ("urea",), ("potassium_chloride",),
          "the blend takes up water and cakes; the source advises against it, and where it is done against storing it",
          _IPNI, "published"),
    _Rule("not_stored", ("calcium_ammonium_nitrate",), ("potassium_chloride", "potassium_sulfate"),
          "the blend takes up water and cakes", _IPNI, "published"),
    _Rule("not_stored", ("calcium_ammonium_nitrate",), (*_AMMONIUM_PHOSPHATES, *_SUPERPHOSPHATES),
          "its lime ties up phosphorus and sets ammonia free; the source advises against it, and where it is done asks "
          "to spread at once", _IPNI, "published"),
    _Rule("not_stored", ("ammonium_nitrate",), ("potassium_chloride", "zinc_sulfate", "borate"),
          "chloride and trace elements make ammonium nitrate less stable: ask the maker first", _STEWARDSHIP,
          "published"),
    _Rule("not_stored", ("ammonium_nitrate",), _SUPERPHOSPHATES,
          "the blend takes up water and cakes", f"{_EFMA}, section 5", "from memory"),
    _Rule("not_stored", ("diammonium_phosphate",), _SUPERPHOSPHATES,
          "they react and cake", f"{_EFMA}, section 5", "from memory"),
    _Rule("not_stored", ("urea",), _DRY,
          "blends with urea take up water: spread them right after mixing", _IPNI, "published"),
)  # fmt: skip


def conflicts(kinds: Sequence[str]) -> tuple[Conflict, ...]:
    """Pairs that do not go together, the ones never to be blended first.

    Parameters
    ----------
    kinds
        Rows of the product table; an empty kind (a product of the user's own making) is passed over.

    Raises
    ------
    InputError
        For a kind the table does not have.

    Examples
    --------
    >>> [(each.severity, each.pair) for each in conflicts(["potassium_chloride", "urea", "ammonium_nitrate"])]
    [('never', ('urea', 'ammonium_nitrate')), ('not_stored', ('potassium_chloride', 'urea')), \
('not_stored', ('potassium_chloride', 'ammonium_nitrate'))]
    """
    rows = [product_row(kind) for kind in dict.fromkeys(kinds) if kind]
    found = [conflict for first, second in combinations(rows, 2) if (conflict := _conflict(first, second)) is not None]
    return tuple(sorted(found, key=lambda conflict: conflict.severity != "never"))


def _conflict(first: ProductRow, second: ProductRow) -> Conflict | None:
    if first.kind in _UREAS and second.kind in _UREAS:
        return None
    for rule in _RULES:
        if (_named(first, rule.first) and _named(second, rule.second)) or (
            _named(second, rule.first) and _named(first, rule.second)
        ):
            return Conflict(rule.severity, (first.kind, second.kind), rule.reason, rule.source, rule.status)
    return None


def _named(row: ProductRow, group: Collection[str]) -> bool:
    return row.kind in group or (group is _ORGANIC and row.source == "organic") or (group is _DRY and row.form == "dry")
