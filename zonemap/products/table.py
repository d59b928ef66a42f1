"""The product table: what generic products hold and how they behave, every figure with its source and status."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal, get_args

from zonemap.errors import InputError
from zonemap.units import KG_L_PER_LB_GAL, KG_M3_PER_LB_FT3, LABEL_FORMS

Status = Literal["published", "derived", "common practice", "from memory"]
Form = Literal["dry", "liquid"]
_FILE = "products.toml"


@dataclass(frozen=True, slots=True)
class Figure:
    """A number, or a range from `low` to `value`, with where it comes from.

    Attributes
    ----------
    value
        The number; of a range its upper end.
    low
        Lower end; the number itself where there is no range.
    author
        Whose measurement it is, where measurements of different authors must not be mixed; else empty.
    """

    value: float
    low: float
    source: str
    status: Status
    author: str = ""

    @property
    def middle(self) -> float:
        """Middle of the range."""
        return (self.low + self.value) / 2


@dataclass(frozen=True, slots=True)
class LabelPart:
    """Part of a label's analysis, percent of mass, with where it comes from."""

    label: Mapping[str, float]
    source: str
    status: Status


@dataclass(frozen=True, slots=True)
class CriticalHumidity:
    """Relative humidity of air above which a product takes up water from it."""

    percent: float
    temperature_c: float
    source: str
    status: Status


@dataclass(frozen=True, slots=True)
class ProductRow:
    """One product of the table.

    Attributes
    ----------
    kind
        Its key, what `like` names.
    parts
        Analysis as labels state it, in parts that each have a source.
    bulk_density_kg_m3
        Range, of a dry product as poured.
    density_kg_l
        Of a liquid.
    salt_indices
        Equal weights of material, sodium nitrate = 100, one figure an author.
    critical_humidity
        ``None`` where unknown, and of liquids.
    half_life_days
        First-order release; ``None`` where it dissolves at once.
    available
        element -> share that feeds a crop within the first year; elements left out are available in full.
    """

    kind: str
    title: str
    source: Literal["mineral", "organic"]
    form: Form
    parts: tuple[LabelPart, ...]
    bulk_density_kg_m3: Figure | None = None
    density_kg_l: Figure | None = None
    salt_indices: tuple[Figure, ...] = ()
    critical_humidity: CriticalHumidity | None = None
    half_life_days: Figure | None = None
    available: Mapping[str, Figure] = field(default_factory=dict)
    notes: str = ""

    @property
    def label(self) -> dict[str, float]:
        """The whole analysis as labels state it, percent."""
        return {form: percent for part in self.parts for form, percent in part.label.items()}

    @property
    def analysis(self) -> dict[str, float]:
        """Element -> mass of the element per mass of product."""
        forms = ((LABEL_FORMS[form], percent) for form, percent in self.label.items())
        return {element: percent / 100 * factor for (element, factor), percent in forms}

    @property
    def available_fraction(self) -> float:
        """One share for the whole product, the least of its elements': nothing is credited that does not come."""
        return min((self.fraction_of(element) for element in self.analysis), default=1.0)

    def fraction_of(self, element: str) -> float:
        """Share of one element that feeds a crop within the first year."""
        return self.available[element].value if element in self.available else 1.0

    def salt_index(self, author: str) -> Figure | None:
        """Salt index as this author has it; ``None`` where he has none."""
        return next((figure for figure in self.salt_indices if figure.author == author), None)

    def figures(self) -> Iterator[tuple[str, str, Status]]:
        """All figures as (what it is, source, status), the label first."""
        for part in self.parts:
            yield f"analysis {grade(part.label)}", part.source, part.status
        for name, figure in (
            ("bulk density", self.bulk_density_kg_m3),
            ("density", self.density_kg_l),
            ("half-life of release", self.half_life_days),
        ):
            if figure is not None:
                yield name, figure.source, figure.status
        for figure in self.salt_indices:
            yield f"salt index, {figure.author}", figure.source, figure.status
        if self.critical_humidity is not None:
            yield "critical humidity", self.critical_humidity.source, self.critical_humidity.status
        for element, figure in self.available.items():
            yield f"{element} available in the first year", figure.source, figure.status


def grade(label: Mapping[str, float]) -> str:
    """Analysis in the field's short way.

    >>> grade({"N": 21, "S": 24}), grade({"K2O": 22, "Mg": 11, "S": 22}), grade({"Ca": 13})
    ('21-0-0-24S', '0-0-22-11Mg-22S', '13Ca')
    """
    first = [f"{label.get(form, 0):g}" for form in ("N", "P2O5", "K2O")]
    other = [f"{percent:g}{form}" for form, percent in label.items() if form not in ("N", "P2O5", "K2O")]
    return "-".join([*(first if len(other) < len(label) else []), *other])


def product_kinds() -> tuple[str, ...]:
    """Names that `like` may take, in the table's order."""
    return tuple(_table())


def product_row(kind: str, *, where: str = "field.toml, product, like") -> ProductRow:
    """Look a product up, by its key or by any name `kind_of_name` knows.

    Parameters
    ----------
    where
        Place that named it, for the message.

    Raises
    ------
    InputError
        When the table has no such product; the message names the nearest ones.
    """
    table = _table()
    found = table.get(kind) or table.get(kind_of_name(kind))
    if found is None:
        near = _nearest(kind)
        mend = f"Did you mean {' or '.join(near)}?" if near else f"Choose one of {', '.join(table)}."
        shown = kind if len(kind) <= 60 and kind.isprintable() else repr(kind[:60])
        raise InputError(where, f"'{shown}' is not in the product table", f"{mend} zonemap products lists them.")
    return found


def kind_of_name(name: str) -> str:
    """Key of the row that a product's name is exactly, else empty.

    A row goes by its key, its title, and what stands before and within the title's brackets; letter case and
    underscores do not count.

    >>> kind_of_name("Ammonium Sulfate"), kind_of_name("Potash"), kind_of_name("MAP"), kind_of_name("my blend")
    ('ammonium_sulfate', 'potassium_chloride', 'monoammonium_phosphate', '')
    """
    wanted = _plain(name)
    return next((row.kind for row in _table().values() if wanted in _names(row)), "")


def _names(row: ProductRow) -> set[str]:
    before, _, within = row.title.partition("(")
    return {_plain(text) for text in (row.kind, row.title, before, within.rstrip(") "))} - {""}


def _plain(name: str) -> str:
    return " ".join(name.casefold().replace("_", " ").split())


def _nearest(kind: str) -> list[str]:
    """Kinds spelt alike, or whose key or title holds all the words."""
    near = difflib.get_close_matches(_plain(kind).replace(" ", "_"), _table(), n=3, cutoff=0.7)
    words = set(_plain(kind).split())
    for row in _table().values():
        named = set(_plain(f"{row.kind} {row.title}").replace("(", " ").replace(")", " ").split())
        if words and words <= named and row.kind not in near:
            near.append(row.kind)
    return near[:4]


@cache
def _table() -> Mapping[str, ProductRow]:
    content = tomllib.loads(files("zonemap.products").joinpath(_FILE).read_text(encoding="utf-8"))
    return MappingProxyType({kind: row_from(kind, entry) for kind, entry in content.items()})


_KEYS = {
    "title", "source", "form", "analysis", "bulk_density_lb_ft3", "density_lb_gal", "salt_index", "critical_humidity",
    "release", "available_fraction", "notes",
}  # fmt: skip


def row_from(kind: str, entry: Mapping[str, Any]) -> ProductRow:
    """One row of the file, checked.

    Raises
    ------
    InputError
        For an unknown key, an analysis that cannot be, or a figure without a source and a known status.
    """
    where = f"{_FILE}, {kind}"
    _demand(set(entry) <= _KEYS, where, f"unknown keys {sorted(set(entry) - _KEYS)}")
    _demand(entry["source"] in ("mineral", "organic") and entry["form"] in get_args(Form), where, "source or form")
    parts = tuple(LabelPart(dict(each["label"]), *_whence(each, where)) for each in entry["analysis"])
    _check_label(parts, where)
    dry, liquid = entry.get("bulk_density_lb_ft3"), entry.get("density_lb_gal")
    _demand((dry is None, liquid is None) == (entry["form"] == "liquid", entry["form"] == "dry"), where, "densities")
    release, humidity = entry.get("release"), entry.get("critical_humidity")
    row = ProductRow(
        kind=kind,
        title=entry["title"],
        source=entry["source"],
        form=entry["form"],
        parts=parts,
        bulk_density_kg_m3=None if dry is None else _figure(dry, where, factor=KG_M3_PER_LB_FT3, key="high"),
        density_kg_l=None if liquid is None else _figure(liquid, where, factor=KG_L_PER_LB_GAL),
        salt_indices=tuple(_figure(each, where) for each in entry.get("salt_index", [])),
        critical_humidity=None
        if humidity is None
        else CriticalHumidity(humidity["percent"], humidity["temperature_c"], *_whence(humidity, where)),
        half_life_days=None if release is None else _figure(release, where, key="half_life_days"),
        available=MappingProxyType({e: _figure(f, where) for e, f in entry.get("available_fraction", {}).items()}),
        notes=entry.get("notes", ""),
    )
    _demand(set(row.available) <= set(row.analysis), where, "an available fraction of what it does not hold")
    _demand(all(0 < each.value <= 1 for each in row.available.values()), where, "an available fraction beyond 0 to 1")
    authors = [each.author for each in row.salt_indices]
    _demand(all(authors) and len(authors) == len(set(authors)), where, "salt indices without an author or of one twice")
    return row


def _figure(entry: Mapping[str, Any], where: str, *, factor: float = 1.0, key: str = "value") -> Figure:
    value, low = float(entry[key]), float(entry.get("low", entry[key]))
    _demand(0 < low <= value, where, f"{key} is not positive")
    return Figure(value * factor, low * factor, *_whence(entry, where), author=str(entry.get("author", "")))


def _whence(entry: Mapping[str, Any], where: str) -> tuple[str, Status]:
    source, status = str(entry.get("source", "")), entry.get("status")
    _demand(bool(source.strip()) and status in get_args(Status), where, f"a figure without source or status: {entry}")
    return source, status  # type: ignore[return-value]


def _check_label(parts: Sequence[LabelPart], where: str) -> None:
    forms = [form for part in parts for form in part.label]
    elements = [LABEL_FORMS[form][0] for form in forms if form in LABEL_FORMS]
    _demand(len(elements) == len(forms), where, "a form that labels do not have")
    _demand(len(elements) == len(set(elements)), where, "an element stated twice")
    percents = [percent for part in parts for percent in part.label.values()]
    _demand(all(percent > 0 for percent in percents) and 0 < sum(percents) <= 100, where, "an impossible analysis")


def _demand(holds: bool, where: str, what: str) -> None:  # noqa: FBT001 - a check reads best as a sentence
    if not holds:
        raise InputError(where, f"is not a row of the product table ({what})", "Mend the row.")
