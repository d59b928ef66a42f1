"""A recommendation rule of a public service, as the user asks for it, and the numbers it needs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from zonemap.values.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Line:
    """A number that may go with the measured value: a straight line, held between two bounds.

    >>> Line(1.0, 2.0, 0.0, 4.0).at(np.array([1.0, 9.0])).tolist()
    [3.0, 4.0]
    """

    intercept: float
    slope: float = 0.0
    least: float = -math.inf
    most: float = math.inf

    def at(self, value: FloatArray) -> FloatArray:
        """Numbers at measured values."""
        return np.clip(self.intercept + self.slope * value, self.least, self.most)


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule and what the user stated for it.

    Attributes
    ----------
    name
        Of a rule in `zonemap.agronomy.rules`.
    quantity
        Measured quantity it reads; empty for the rule's usual one.
    product
        What is to be spread; empty for the cheapest product that holds the element.
    crop
        Crop of the rule's own table; empty for the field's crop.
    number
        name of a parameter -> number, in the unit of the rule's source.
    """

    name: str
    quantity: str = ""
    product: str = ""
    crop: str = ""
    number: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "number", MappingProxyType(dict(self.number)))
