"""Rates, masses and areas as they are read on a field of a given size: a garden in ounces, a field in pounds."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from zonemap.amounts import Reader, rate_digits, reader, small
from zonemap.values.field import Field
from zonemap.values.note import Note
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application, Prescription

Json = dict[str, Any]

_LEFT_OUT = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff\u202a-\u202e\u2066-\u2069]"
)


@dataclass(frozen=True, slots=True)
class Shown:
    """Units of one field.

    Attributes
    ----------
    read
        Of its unit system.
    tiny
        Whether it is a garden or a plot.
    """

    read: Reader
    tiny: bool

    @property
    def rate_unit(self) -> str:
        """Unit of product rates."""
        return self.read.small_rate_unit if self.tiny else self.read.rate_unit

    def rate(self, kg_ha: float) -> str:
        """Product rate without its unit.

        >>> Shown(reader("metric"), tiny=False).rate(1234.6), Shown(reader("metric"), tiny=False).rate(12.345)
        ('1,235', '12.35')
        """
        rate = kg_ha / (self.read.kg_ha_per_small_rate if self.tiny else self.read.kg_ha_per_rate)
        return rate_digits(rate, 3 if self.tiny else 4)

    def rate_with_unit(self, kg_ha: float) -> str:
        """Product rate with its unit."""
        return f"{self.rate(kg_ha)} {self.rate_unit}"

    def mass(self, kg: float) -> str:
        """Mass with its unit."""
        return self.read.weight(kg) if self.tiny else self.read.mass(kg)

    def area(self, ha: float) -> str:
        """Area with its unit."""
        return self.read.area(ha)


def plain(words: str) -> str:
    r"""Without what a document must not hold and what would turn the direction of the text after it.

    The first are controls other than white space, surrogates and noncharacters (XML 1.0, section 2.2; WHATWG HTML,
    section 13.2.3.5), the second the explicit formatting characters of Unicode Standard Annex 9, section 2.

    >>> plain("a\x07b\u202ec")
    'abc'
    """
    return _LEFT_OUT.sub("", words)


def three_digits(number: float) -> str:
    """Three digits, written out.

    >>> three_digits(2178.2), three_digits(0.3456)
    ('2,178', '0.346')
    """
    return f"{number:,.0f}" if number >= 99.95 else f"{number:.3g}"


def shown(plan: Plan) -> Shown:
    """Units of a plan's field."""
    return Shown(reader(plan.case.units), small(plan.case.field.area_ha))


def total(plan: Plan, application: Application) -> str:
    """Mass of all that is spread in one application, as it stands on every sheet."""
    return shown(plan).mass(plan.prescription.total_kg(application))


def spread_area_ha(prescription: Prescription, number: int) -> float:
    """Area of a zone on which something may be spread."""
    return float(prescription.area_ha[np.asarray(prescription.zone) == number].sum())


def named(application: Application) -> str:
    """Product and day."""
    return f"{application.product.name}{f', {application.on}' if application.on else ''}"


def crop_name(plan: Plan) -> str:
    """Crop in words; empty where none is named."""
    return plan.case.crop.name.replace("_", " ") if plan.case.crop else ""


def samples_counted(plan: Plan) -> str:
    """How many samples, and how they were measured."""
    count = plan.case.samples.count
    return f"{count} sample{'s' if count != 1 else ''} ({plan.case.samples.basis.shown(plan.case.units)})"


def field_json(field: Field) -> Json:
    """Name, size and working CRS of a field."""
    return {"name": field.name, "area_ha": field.area_ha, "working_crs": field.crs}


def notes_json(notes: Iterable[Note]) -> list[Json]:
    """Kind and text of each note."""
    return [{"kind": note.kind, "text": note.text} for note in notes]
