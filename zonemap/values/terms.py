"""Passes of the spreader, and the limits within which a programme is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType
from typing import Literal

#: separate: a trip a product; bins: products side by side, each its own rate; blend: one mixture a pass, whose rate
#: varies
Spreading = Literal["separate", "bins", "blend"]


@dataclass(frozen=True, slots=True)
class Pass:
    """One day on which the spreader can go.

    Attributes
    ----------
    on
        The day; ``None`` where the user named none.
    placement
        ``surface`` (left there), ``worked_in``, or ``with_seed``.
    cap_kg_ha
        element -> most that may be spread on this pass.
    cost_of_trip_ha
        Money per ha each time the machine crosses the field; ``None`` for that of the terms.
    products
        Names of the products that may be spread; empty for all.
    row_spacing_m, sandy
        Of the seed rows, where it is placed with the seed.
    min_rate_kg_ha, max_rate_kg_ha
        Of the machine that goes on this pass; ``None`` for those of the spreader.
    """

    on: date | None
    placement: Literal["surface", "worked_in", "with_seed"] = "surface"
    cap_kg_ha: Mapping[str, float] = field(default_factory=dict)
    cost_of_trip_ha: float | None = None
    products: tuple[str, ...] = ()
    row_spacing_m: float | None = None
    sandy: bool = False
    min_rate_kg_ha: float | None = None
    max_rate_kg_ha: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "cap_kg_ha", MappingProxyType(dict(self.cap_kg_ha)))


@dataclass(frozen=True, slots=True)
class Terms:
    """Within which limits a programme is made.

    Attributes
    ----------
    spreading
        ``separate``: a trip a product; ``bins``: products side by side in one trip, each its own rate; ``blend``: one
        mixture a pass, whose rate varies.
    bins
        How many products fit side by side.
    organic
        ``any``, ``none`` or ``all``.
    organic_share
        element -> least share of it, as applied, that comes from organic products; ``""`` for all elements together.
    most_products, most_passes
        ``None`` for any number.
    cost_of_trip_ha
        Money per ha each time the machine crosses the field.
    cap_per_pass_kg_ha, cap_per_season_kg_ha
        element -> most that may be spread at once, and in all.
    most_over_kg_ha
        element -> most that may become available beyond the need.
    cost_of_over
        element -> money per kg available beyond the need, on top of what the product costs.
    whole_bags
        Whether bagged products are bought by the bag; ``None`` for small places only.
    """

    spreading: Spreading = "separate"
    bins: int = 2
    organic: Literal["any", "none", "all"] = "any"
    organic_share: Mapping[str, float] = field(default_factory=dict)
    most_products: int | None = None
    most_passes: int | None = None
    cost_of_trip_ha: float = 0.0
    cap_per_pass_kg_ha: Mapping[str, float] = field(default_factory=dict)
    cap_per_season_kg_ha: Mapping[str, float] = field(default_factory=dict)
    most_over_kg_ha: Mapping[str, float] = field(default_factory=dict)
    cost_of_over: Mapping[str, float] = field(default_factory=dict)
    whole_bags: bool | None = None

    def __post_init__(self) -> None:
        for name in (
            "organic_share", "cap_per_pass_kg_ha", "cap_per_season_kg_ha", "most_over_kg_ha", "cost_of_over",
        ):  # fmt: skip
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))
