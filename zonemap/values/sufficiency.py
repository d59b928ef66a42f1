"""Supply of a nutrient against what the crop asks, for the field and for its zones."""

from __future__ import annotations

from dataclasses import dataclass

from zonemap.values.arrays import FloatArray, frozen_floats


@dataclass(frozen=True, slots=True)
class Sufficiency:
    """How far the supply goes; the first row is the whole field, the others are zones 1, 2, ...

    Attributes
    ----------
    supply_kg_ha_day
        (1 + zones, 3) 10, 50 and 90 % quantiles of supply, over places and uncertainty.
    share_of_peak
        (1 + zones,) middle supply over demand, on the day that asks most.
    share_of_season
        (1 + zones,) share of the season's demand that the middle supply meets on the very days it is asked.
    """

    supply_kg_ha_day: FloatArray
    share_of_peak: FloatArray
    share_of_season: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "supply_kg_ha_day", frozen_floats(self.supply_kg_ha_day, shape=(None, 3)))
        rows = (len(self.supply_kg_ha_day),)
        object.__setattr__(self, "share_of_peak", frozen_floats(self.share_of_peak, shape=rows))
        object.__setattr__(self, "share_of_season", frozen_floats(self.share_of_season, shape=rows))
