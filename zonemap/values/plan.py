"""The whole result of one field: what writers and readers of reports are given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.case import Case
from zonemap.values.delivery import Delivery, HeadingScores
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription
from zonemap.values.programme import Programmes
from zonemap.values.review import Step
from zonemap.values.sufficiency import Sufficiency
from zonemap.values.surface import Surface
from zonemap.values.zones import Outlines, ZoneChoice, Zones

Advice = Literal["vary", "one_rate", "no_map", "nothing_needed", "one_sample"]


@dataclass(frozen=True, slots=True)
class ValueOfVarying:
    """Expected loss per ha of one rate, of zones, and of a rate for every cell.

    Attributes
    ----------
    flat_loss, cell_loss
        Mean per ha; money where `priced`, otherwise relative to season demand. What the best rate of every cell would
        still lose is what perfect knowledge of the soil would be worth to a spreader that can follow every cell.
    zones_loss
        number of zones -> mean loss per ha.
    nothing_loss
        What spreading nothing would cost, same unit.
    zones
        How many were chosen.
    grouped_loss, drawn_loss
        Of the zones chosen, as cells were grouped before they were made workable, and as their outlines are drawn.
    cost_of_varying_ha
        Money per ha that more than one rate costs; ``None`` where none was stated or the losses are not money.
    advice, verdict
        The decision, and the sentence that says it.
    verdict_other
        The same with amounts in the other system of units; empty where it holds none.
    """

    flat_loss: float
    zones_loss: Mapping[int, float]
    cell_loss: float
    nothing_loss: float
    zones: int
    grouped_loss: float
    drawn_loss: float
    cost_of_varying_ha: float | None
    priced: bool
    advice: Advice
    verdict: str
    verdict_other: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "zones_loss", MappingProxyType(dict(self.zones_loss)))

    @property
    def chosen_loss(self) -> float:
        """Mean loss per ha of what was chosen."""
        return self.flat_loss if self.zones == 1 else self.zones_loss[self.zones]


@dataclass(frozen=True, slots=True)
class ZoneReport:
    """Supply and need of the zones, by quantity.

    Attributes
    ----------
    supply
        quantity -> (zones,) area-weighted mean of the surface, in its unit.
    need_kg_ha
        (needs) (zones,) loss-minimising need, in the order of the needs: two rate tables may read one quantity.
    read_at
        (needs) (zones,) measured value at which each need's curve was read; ``None`` where that is no single value.
    """

    supply: Mapping[str, FloatArray]
    need_kg_ha: tuple[FloatArray, ...]
    read_at: tuple[FloatArray | None, ...] = ()

    def __post_init__(self) -> None:
        supply = {quantity: frozen_floats(column, shape=(None,)) for quantity, column in self.supply.items()}
        object.__setattr__(self, "supply", MappingProxyType(supply))
        needs = tuple(frozen_floats(column, shape=(None,)) for column in self.need_kg_ha)
        object.__setattr__(self, "need_kg_ha", needs)
        read_at = tuple(None if column is None else frozen_floats(column, shape=(None,)) for column in self.read_at)
        object.__setattr__(self, "read_at", read_at)


@dataclass(frozen=True, slots=True)
class Plan:
    """One field, planned.

    Attributes
    ----------
    pipeline
        Name of the pipeline that made it.
    programmes
        What could be put on, the first of them in the prescription; ``None`` where no element is lacking by name.
    deliveries, headings
        Each application as the machine would spread it, and how well it could at other headings; none without a swath.
    sufficiency
        quantity -> supply against demand, where the crop's demand is known.
    mapped
        Whether surfaces and a map picture mean anything; false for a single composite sample.
    by_hand, revision
        Changes made on the review page that hold, in order, and how many were made in all, undone ones among them.
    """

    case: Case
    pipeline: str
    grid: Grid
    surfaces: Mapping[str, Surface]
    needs: tuple[Need, ...]
    choice: ZoneChoice
    outlines: Outlines
    zone_report: ZoneReport
    value: ValueOfVarying
    prescription: Prescription
    programmes: Programmes | None
    deliveries: tuple[Delivery, ...]
    headings: HeadingScores | None
    sufficiency: Mapping[str, Sufficiency]
    mapped: bool
    notes: tuple[Note, ...]
    by_hand: tuple[Step, ...] = ()
    revision: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "surfaces", MappingProxyType(dict(self.surfaces)))
        object.__setattr__(self, "sufficiency", MappingProxyType(dict(self.sufficiency)))

    @property
    def zones(self) -> Zones:
        """Zone of every cell."""
        return self.choice.zones

    @property
    def need_names(self) -> tuple[str, ...]:
        """(needs) what each need is called: its quantity, with the product where several tables read that quantity."""
        quantities = [need.quantity for need in self.needs]
        return tuple(
            need.quantity if quantities.count(need.quantity) == 1 else f"{need.quantity} ({_met_with(need)})"
            for need in self.needs
        )


def _met_with(need: Need) -> str:
    """Product a need is of or is met with; the element where there is none."""
    if need.curve.product or need.product is None:
        return need.curve.product or need.element
    return need.product.name
