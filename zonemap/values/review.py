"""What a specialist decides on the review page: steps in order, and the decisions that follow from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeAlias

from zonemap.values.field import NoSpread
from zonemap.values.hand import MergeZones, MoveCells, SplitZone, ZoneEdit


@dataclass(frozen=True, slots=True)
class AssuranceByHand:
    """The assurance from here on."""

    assurance: float
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ZoneCount:
    """So many zones, unchanged by hand; ``None`` for as many as the plan chooses."""

    count: int | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class RateByHand:
    """Rate of one product on one day in one zone, kg/ha; ``None`` gives it back to the plan."""

    zone: int
    product: str
    on: date | None
    rate_kg_ha: float | None
    reason: str = ""


Step: TypeAlias = AssuranceByHand | ZoneCount | RateByHand | ZoneEdit | NoSpread


@dataclass(frozen=True, slots=True)
class Decisions:
    """Where a field stands after all steps.

    Attributes
    ----------
    assurance, count
        ``None`` where they are the plan's own.
    by_hand
        Changes to zones and rates, in order: zone numbers in each are those after the one before.
    closed
        Areas where nothing is spread, beside those of the field.
    """

    assurance: float | None = None
    count: int | None = None
    by_hand: tuple[ZoneEdit | RateByHand, ...] = ()
    closed: tuple[NoSpread, ...] = ()

    @property
    def edits(self) -> tuple[ZoneEdit, ...]:
        """Changes to zones alone."""
        return tuple(step for step in self.by_hand if not isinstance(step, RateByHand))


def decisions_of(steps: Sequence[Step]) -> Decisions:
    """Add steps up; another number of zones sets changes to the zones before it aside.

    >>> decisions_of([RateByHand(1, "urea", None, 50.0), ZoneCount(4), AssuranceByHand(0.9)])
    Decisions(assurance=0.9, count=4, by_hand=(), closed=())
    """
    assurance: float | None = None
    count: int | None = None
    by_hand: list[ZoneEdit | RateByHand] = []
    closed: list[NoSpread] = []
    for step in steps:
        match step:
            case AssuranceByHand():
                assurance = step.assurance
            case ZoneCount():
                count, by_hand = step.count, []
            case NoSpread():
                closed.append(step)
            case RateByHand() | MergeZones() | SplitZone() | MoveCells():
                by_hand.append(step)
    return Decisions(assurance, count, tuple(by_hand), tuple(closed))
