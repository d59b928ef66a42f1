"""Many fields, planned one beside another: what came of each."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from zonemap.units import UnitSystem
from zonemap.values.plan import Advice


@dataclass(frozen=True, slots=True)
class Bought:
    """A product over all passes of a field.

    Attributes
    ----------
    kg
        What is spread of it.
    from_hand_kg
        Of that, what lies in the shed already.
    cost
        Money; ``None`` without a price.
    """

    product: str
    kg: float
    from_hand_kg: float
    cost: float | None


@dataclass(frozen=True, slots=True)
class Planned:
    """What a published plan comes to.

    Attributes
    ----------
    zones
        How many.
    warnings
        How many notes ask to be looked at.
    refusals
        What could not be done, for the user to see.
    """

    area_ha: float
    units: UnitSystem
    zones: int
    advice: Advice
    bought: tuple[Bought, ...]
    warnings: int
    refusals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FieldResult:
    """What came of one field.

    Attributes
    ----------
    folder, name
        Of the field; the name is the folder's where field.toml could not be read.
    target
        Where the result lies, or would.
    planned
        ``None`` where there is no plan.
    error
        Why there is none, as *where: what. mend.*
    exit_code
        What ``zonemap plan`` would have answered: 0, or 1 with a refusal, 2 without usable input, 3 without output.
    """

    folder: Path
    name: str
    target: Path
    exit_code: int
    seconds: float
    planned: Planned | None = None
    error: str = ""
