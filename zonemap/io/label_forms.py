"""Nutrients as a label states them, elements or oxides: told apart, each element once."""

from __future__ import annotations

from collections.abc import Mapping

from zonemap.errors import InputError
from zonemap.io.sources import shown
from zonemap.units import LABEL_FORMS


def by_element(stated: Mapping[str, float], *, where: str) -> dict[str, tuple[float, float]]:
    """Element -> number as stated, and mass of the element per mass of what is stated.

    Raises
    ------
    InputError
        For a form nobody knows, or an element that is stated twice.
    """
    elements: dict[str, tuple[float, float]] = {}
    for form, number in stated.items():
        if form not in LABEL_FORMS:
            mend = f"Use one of {', '.join(LABEL_FORMS)}."
            raise InputError(f"{where}, {form}", f"{shown(form)} is not a form of a nutrient", mend)
        element, factor = LABEL_FORMS[form]
        if element in elements:
            raise InputError(f"{where}, {form}", f"{element} is stated twice", f"Keep either {element} or its oxide.")
        elements[element] = (number, factor)
    return elements
