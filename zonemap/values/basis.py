"""How a soil or leaf value was measured. Different fruits are never mixed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from zonemap.units import CM_PER_IN, UnitSystem

BasisKind = Literal["resin", "extract", "paste", "tissue"]


@dataclass(frozen=True, slots=True)
class Basis:
    """Measurement basis with all that makes two values comparable.

    Attributes
    ----------
    kind
        ``resin`` (supply rate, mass per area and day), ``extract`` (mass per mass), ``paste`` (mass per volume of
        solution) or ``tissue`` (mass per mass of dry matter).
    extractant
        Named for an extract, empty otherwise.
    burial_days
        How long the resin lay in the soil; a resin rate without it is incomplete.
    depth_cm
        Depth of the sampled layer; ``None`` when it was not stated.
    """

    kind: BasisKind
    extractant: str = ""
    burial_days: float | None = None
    depth_cm: float | None = None

    def __str__(self) -> str:
        """Return what a reader calls it, in metric units."""
        return self.shown("metric")

    def shown(self, units: UnitSystem) -> str:
        """Return what a reader calls it, the depth in the reader's unit.

        >>> Basis("resin", burial_days=4, depth_cm=15.24).shown("us")
        'resin, 4 days, 6 in'
        """
        parts = [self.kind, self.extractant]
        parts += [f"{self.burial_days:g} days"] if self.burial_days is not None else []
        if self.depth_cm is not None:
            parts += [f"{self.depth_cm / CM_PER_IN:.3g} in" if units == "us" else f"{self.depth_cm:.3g} cm"]
        return ", ".join(part for part in parts if part)
