"""What may be put on and when, on which terms, and the programme chosen from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from types import MappingProxyType
from typing import Literal

from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.prescription import Application
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Spreading, Terms

Answer = Literal["least_cost", "mineral", "organic"]
#: being behind by less than this share of the need (or of a tenth of a kg/ha) is a last bit
_LAST_BIT = 1e-5
#: share of the greatest season's need (or of 0.1 kg/ha) that may be lacking before anything feeds the crop unsaid
TRIFLE = 0.01


@dataclass(frozen=True, slots=True)
class NeedPath:
    """What the crop lacks of one element by the end of each day, in every zone.

    Attributes
    ----------
    element
        Element.
    first_day
        Day of the first column.
    lacking_kg_ha
        (zones, days) cumulative, never falling: what must have become available by then.
    lost_kg_ha
        (zones,) what is lacking before anything that is spread could feed the crop: it is not in `lacking_kg_ha`.
    short_cost
        What a kg short costs, on one scale over all elements.
    total_kg_ha
        What the crop asks in all; 0 where that is not known.
    dated
        Whether the days mean anything: a rule for an extract asks for an amount and names no day.
    short_from
        First day by whose end a zone lacks more than a trifle where nothing is spread; ``None`` where none ever does.
    """

    element: str
    first_day: date
    lacking_kg_ha: FloatArray
    lost_kg_ha: FloatArray
    short_cost: float
    total_kg_ha: float = 0.0
    dated: bool = True
    short_from: date | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "lacking_kg_ha", frozen_floats(self.lacking_kg_ha, shape=(None, None)))
        zones = self.lacking_kg_ha.shape[0]
        object.__setattr__(self, "lost_kg_ha", frozen_floats(self.lost_kg_ha, shape=(zones,)))

    @property
    def need_kg_ha(self) -> FloatArray:
        """(zones,) of the whole season."""
        return self.lacking_kg_ha[:, -1]

    def day(self, column: int) -> date:
        """Calendar day of a column."""
        return self.first_day + timedelta(days=column)


@dataclass(frozen=True, slots=True)
class Ask:
    """Everything a programme is made from.

    Attributes
    ----------
    paths
        What is lacking, an element each.
    products, passes, terms
        What may be bought, when the spreader can go, and within which limits.
    zone_area_ha
        (zones,) area that is spread.
    min_rate_kg_ha, max_rate_kg_ha, step_kg_ha
        Of the spreader; a step of 0 for one that suits the rate.
    unit_kg_ha
        One unit of the rates people read, for that step.
    never_blended
        Pairs of product names that must not be in one blend.
    """

    paths: tuple[NeedPath, ...]
    products: tuple[Product, ...]
    passes: tuple[Pass, ...]
    terms: Terms
    zone_area_ha: FloatArray
    min_rate_kg_ha: float = 0.0
    max_rate_kg_ha: float = float("inf")
    step_kg_ha: float = 0.0
    unit_kg_ha: float = 1.0
    never_blended: frozenset[frozenset[str]] = frozenset()

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone_area_ha", frozen_floats(self.zone_area_ha, shape=(None,)))

    @property
    def zones(self) -> int:
        """How many zones."""
        return int(self.zone_area_ha.size)


@dataclass(frozen=True, slots=True)
class Balance:
    """One element under a programme, at the rates that are spread.

    Attributes
    ----------
    path
        What is lacking, from the first day on that anything spread could feed.
    available_kg_ha
        (zones, days) cumulative, what has become available from what is spread by the end of each day of the path.
    applied_kg_ha
        (zones,) what is in the products spread, available this season or not.
    """

    path: NeedPath
    available_kg_ha: FloatArray
    applied_kg_ha: FloatArray

    def __post_init__(self) -> None:
        shape = self.path.lacking_kg_ha.shape
        object.__setattr__(self, "available_kg_ha", frozen_floats(self.available_kg_ha, shape=shape))
        object.__setattr__(self, "applied_kg_ha", frozen_floats(self.applied_kg_ha, shape=shape[:1]))

    @property
    def element(self) -> str:
        """Element."""
        return self.path.element

    @property
    def need_kg_ha(self) -> FloatArray:
        """(zones,) lacking in the season, beyond what is lost."""
        return self.path.need_kg_ha

    @property
    def lost_kg_ha(self) -> FloatArray:
        """(zones,) lacking before anything spread could feed the crop."""
        return self.path.lost_kg_ha

    @property
    def given_kg_ha(self) -> FloatArray:
        """(zones,) available from what is spread by the end of the season."""
        return self.available_kg_ha[:, -1]

    @property
    def over_kg_ha(self) -> FloatArray:
        """(zones,) given beyond the need."""
        over: FloatArray = (self.given_kg_ha - self.need_kg_ha).clip(min=0.0)
        return over

    @property
    def behind_kg_ha(self) -> FloatArray:
        """(zones,) the most that what is available is ever behind what is lacking; last bits count as nothing."""
        worst: FloatArray = (self.path.lacking_kg_ha - self.available_kg_ha).max(axis=1)
        worst[worst <= _LAST_BIT * self.need_kg_ha.clip(min=0.1)] = 0.0
        return worst

    @property
    def behind_on(self) -> tuple[date | None, ...]:
        """(zones,) the day on which it is furthest behind; ``None`` where it never is, or days mean nothing."""
        columns = (self.path.lacking_kg_ha - self.available_kg_ha).argmax(axis=1)
        return tuple(
            self.path.day(int(column)) if self.path.dated and behind > 0 else None
            for column, behind in zip(columns, self.behind_kg_ha, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Purchase:
    """What to buy of one product.

    Attributes
    ----------
    total_kg
        What is spread of it.
    from_hand_kg
        Of that, what lies in the shed already.
    bags
        Whole bags to buy; ``None`` where it is bought loose.
    cost
        Money; ``None`` without a price.
    """

    product: Product
    total_kg: float
    from_hand_kg: float
    bags: int | None
    cost: float | None


LimitName = Literal[
    "cap_per_pass", "cap_per_season", "most_over", "max_rate", "most_products", "most_passes", "organic_share", "bins",
    "one_blend", "with_seed", "stated_products", "days",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit without which a programme would be less behind.

    Attributes
    ----------
    name
        Which kind of limit.
    element
        Element it is of; empty where it is of none.
    relief
        Share of being behind that is gone without it, 0 to 1.
    """

    name: LimitName
    element: str = ""
    relief: float = 1.0


@dataclass(frozen=True, slots=True)
class ShadowPrice:
    """What one more kg of an element needed in a zone would cost.

    Attributes
    ----------
    zone
        Zone number.
    element
        Element.
    per_kg
        Money per kg.
    """

    zone: int
    element: str
    per_kg: float


@dataclass(frozen=True, slots=True)
class Programme:
    """What to put on and when, and what it costs.

    Attributes
    ----------
    answer, spreading
        Which of the ready answers this is, and how it is spread.
    doses
        In the order of passes and products.
    balances
        An element each.
    purchases
        A product each.
    trips, trip_cost
        How often the machine crosses the field, and what that costs.
    missing
        Elements that are needed and that nothing allowed holds.
    binding
        Why it is behind: limits without which it would be less so, each for itself.
    shadow
        Prices of a little more need.
    proven
        Whether no cheaper programme within the limits exists (before rates are rounded to the machine's step). A blend
        that is behind is never proven.
    gap
        Largest relative distance to the least possible cost, where it is not proven.
    """

    answer: Answer
    spreading: Spreading
    doses: tuple[Application, ...]
    balances: tuple[Balance, ...]
    purchases: tuple[Purchase, ...]
    trips: int
    trip_cost: float
    missing: tuple[str, ...] = ()
    binding: tuple[Limit, ...] = ()
    shadow: tuple[ShadowPrice, ...] = ()
    proven: bool = True
    gap: float = 0.0

    @property
    def cost(self) -> float | None:
        """Money for products and trips; ``None`` where a product has no price."""
        costs = [purchase.cost for purchase in self.purchases]
        return None if None in costs else sum(cost or 0.0 for cost in costs) + self.trip_cost

    @property
    def priced(self) -> bool:
        """Whether every product bought has a price."""
        return all(purchase.cost is not None for purchase in self.purchases)


@dataclass(frozen=True, slots=True)
class Programmes:
    """The programme taken, and those beside it.

    Attributes
    ----------
    chosen
        What the prescription holds.
    others
        What else could be done, for the client to choose from.
    unavailable
        answer -> why it cannot be given.
    """

    chosen: Programme
    others: tuple[Programme, ...] = ()
    unavailable: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "unavailable", MappingProxyType(dict(self.unavailable)))

    @property
    def all(self) -> tuple[Programme, ...]:
        """The chosen one first."""
        return (self.chosen, *self.others)
