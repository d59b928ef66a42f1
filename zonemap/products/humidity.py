"""From which humidity of the air a product or a blend takes up water."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from zonemap.products.table import Status, product_row

_CHART = "table of mixtures at 30 C, open encyclopedia's article Critical relative humidity"
_ADAMS = "Adams & Merz 1929, Ind. Eng. Chem. 21:305, chart of mixtures at 30 C, from memory"

#: kind -> the soluble salt it mostly is
_SALTS: Mapping[str, str] = {
    "urea": "urea",
    "ammonium_nitrate": "ammonium nitrate",
    "calcium_ammonium_nitrate": "ammonium nitrate",
    "calcium_nitrate": "calcium nitrate",
    "ammonium_sulfate": "ammonium sulfate",
    "monoammonium_phosphate": "monoammonium phosphate",
    "diammonium_phosphate": "diammonium phosphate",
    "triple_superphosphate": "monocalcium phosphate",
    "single_superphosphate": "monocalcium phosphate",
    "potassium_chloride": "potassium chloride",
    "potassium_sulfate": "potassium sulfate",
}
#: hardly soluble: they take up no water from air, and take none of another's humidity away
_INERT = ("gypsum", "elemental_sulfur")
_PAIRS: Mapping[frozenset[str], tuple[float, str, Status]] = {
    frozenset({"ammonium nitrate", "urea"}): (18.1, _CHART, "published"),
    frozenset({"ammonium nitrate", "ammonium sulfate"}): (62.3, _CHART, "published"),
    frozenset({"ammonium nitrate", "potassium chloride"}): (67.9, _CHART, "published"),
    frozenset({"urea", "ammonium sulfate"}): (56.4, _CHART, "published"),
    frozenset({"urea", "potassium chloride"}): (60.3, _CHART, "published"),
    frozenset({"ammonium sulfate", "potassium chloride"}): (71.3, _CHART, "published"),
    frozenset({"calcium nitrate", "ammonium nitrate"}): (23.5, _ADAMS, "from memory"),
    frozenset({"ammonium nitrate", "monoammonium phosphate"}): (58.0, _ADAMS, "from memory"),
    frozenset({"ammonium nitrate", "monocalcium phosphate"}): (52.8, _ADAMS, "from memory"),
    frozenset({"ammonium nitrate", "potassium sulfate"}): (69.2, _ADAMS, "from memory"),
    frozenset({"urea", "monoammonium phosphate"}): (65.2, _ADAMS, "from memory"),
    frozenset({"urea", "monocalcium phosphate"}): (65.1, _ADAMS, "from memory"),
    frozenset({"urea", "potassium sulfate"}): (71.5, _ADAMS, "from memory"),
    frozenset({"ammonium sulfate", "monoammonium phosphate"}): (75.8, _ADAMS, "from memory"),
    frozenset({"potassium chloride", "monoammonium phosphate"}): (72.8, _ADAMS, "from memory"),
}


@dataclass(frozen=True, slots=True)
class Humidity:
    """Humidity above which a blend takes up water.

    Attributes
    ----------
    percent
        Lowest that is known among its products and pairs of them, at 30 C (86 F), pure salts; ``None`` where nothing
        is known. Three or more salts together can be lower still, and so are commercial grades.
    basis
        What it rests on, with source.
    unknown
        Products and pairs of which nothing is known, in words.
    """

    percent: float | None
    basis: str
    unknown: tuple[str, ...]
    status: Status | None = None

    @property
    def sentence(self) -> str:
        """For people.

        >>> print(blend_humidity(["urea", "ammonium_sulfate"]).sentence)
        takes up water from air above 56% humidity (at 86 F): spread it the day it is blended
        """
        if self.percent is None:
            return "nobody has measured from which humidity it takes up water: keep it dry and spread it soon"
        # below the usual air of a spreading day it cannot lie; the mark is our own
        do = "spread it the day it is blended" if self.percent < 70 else "keep it covered"
        most = " or less" if self.unknown else ""
        return f"takes up water from air above {self.percent:.0f}%{most} humidity (at 86 F): {do}"


def blend_humidity(kinds: Sequence[str]) -> Humidity:
    """Lowest known critical humidity among the dry products and the pairs of them.

    Parameters
    ----------
    kinds
        Rows of the product table; liquids are passed over, and an empty kind (a product of the user's own making) is
        among the unknown.

    Raises
    ------
    InputError
        For a kind the table does not have.

    References
    ----------
    Adams & Merz 1929, Ind. Eng. Chem. 21:305; Clayton 1984, Humidity Factors Affecting Storage and Handling of
    Fertilizers, IFDC: mixtures take up water earlier than their parts, commercial grades earlier than pure salts.
    """
    rows = {kind: product_row(kind) for kind in dict.fromkeys(kinds) if kind}
    dry = [kind for kind, row in rows.items() if row.form == "dry" and kind not in _INERT]
    known: list[tuple[float, str, Status]] = []
    unknown = [] if all(kinds) else ["a product of your own making"]
    for kind in dry:
        humidity = rows[kind].critical_humidity
        if humidity is None:
            unknown.append(rows[kind].title)
        else:
            known.append((humidity.percent, f"{rows[kind].title}: {humidity.source}", humidity.status))
    measured = [kind for kind in dry if rows[kind].critical_humidity is not None]
    for first, second in combinations(measured, 2):
        names = f"{rows[first].title} with {rows[second].title}"
        pair = frozenset({_SALTS[first], _SALTS[second]})
        if len(pair) == 1:
            continue
        if pair in _PAIRS:
            lower, source, from_where = _PAIRS[pair]
            known.append((lower, f"{names}: {source}", from_where))
        else:
            unknown.append(names)
    if not known:
        return Humidity(None, "nothing", tuple(unknown))
    percent, basis, status = min(known, key=lambda each: each[0])
    return Humidity(percent, basis, tuple(unknown), status)
