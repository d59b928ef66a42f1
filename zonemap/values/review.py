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


def holding(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Return the steps that still tell in the end, in order.

    A later assurance or number of zones takes the place of one before; another number of zones sets changes to zones
    and rates before it aside; a rate takes the place of one before it, and one given back to the plan is none.

    >>> holding([RateByHand(1, "urea", None, 50.0), ZoneCount(4), AssuranceByHand(0.9), AssuranceByHand(0.8)])
    (ZoneCount(count=4, reason=''), AssuranceByHand(assurance=0.8, reason=''))
    """
    kept: list[Step] = []
    for step in steps:
        match step:
            case AssuranceByHand():
                kept = [each for each in kept if not isinstance(each, AssuranceByHand)]
            case ZoneCount():
                kept = [each for each in kept if isinstance(each, AssuranceByHand | NoSpread)]
            case RateByHand():
                kept = _without_rate(kept, step)
        if not (isinstance(step, RateByHand) and step.rate_kg_ha is None) and step != ZoneCount(None, step.reason):
            kept.append(step)
    return tuple(kept)


def _without_rate(kept: Sequence[Step], rate: RateByHand) -> list[Step]:
    """Leave the rate out that another takes the place of: one set since zones were last changed."""
    edits = [place for place, each in enumerate(kept) if isinstance(each, MergeZones | SplitZone | MoveCells)]
    last = max(edits, default=-1)
    same = (rate.zone, rate.product, rate.on)
    return [
        each
        for place, each in enumerate(kept)
        if place < last or not isinstance(each, RateByHand) or (each.zone, each.product, each.on) != same
    ]


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
