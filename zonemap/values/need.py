"""Need as a function of what was measured: a convex shortfall or a user's own rate table, both piecewise linear."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.season import Product


@dataclass(frozen=True, slots=True)
class NeedCurve:
    """Need in kg/ha against the measured value; exact between knots, constant beyond them.

    Attributes
    ----------
    quantity
        What is measured, e.g. ``"K"``.
    measured_unit
        Unit of `value`.
    value
        (knots,) strictly increasing measured values.
    need_kg_ha
        (knots,) need at each; of the element for a shortfall, of `product` for a rate table.
    product
        Product the need is of; empty when it is of the element.
    element
        Element the need is of, where it is called otherwise than what is measured; empty where the names are one.
    """

    quantity: str
    measured_unit: str
    value: FloatArray
    need_kg_ha: FloatArray
    product: str = ""
    element: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None,)))
        object.__setattr__(self, "need_kg_ha", frozen_floats(self.need_kg_ha, shape=self.value.shape))
        if self.value.size == 0 or np.any(np.diff(self.value) <= 0):
            msg = "the knots of a need curve must rise strictly"
            raise ValueError(msg)

    def at(self, measured: npt.ArrayLike) -> FloatArray:
        """Need in kg/ha at measured values of any shape."""
        return np.asarray(np.interp(np.asarray(measured, dtype=float), self.value, self.need_kg_ha))

    @property
    def falling(self) -> bool:
        """Whether a higher measured value never asks for more."""
        return bool(np.all(np.diff(self.need_kg_ha) <= 0))

    @property
    def rising(self) -> bool:
        """Whether a higher measured value never asks for less."""
        return bool(np.all(np.diff(self.need_kg_ha) >= 0))


def steepest_mean(daily: FloatArray, *, days: int) -> float:
    """Largest mean over so many days in a row, over all of them where there are fewer.

    >>> steepest_mean(np.array([1.0, 4.0, 2.0]), days=2)
    3.0
    """
    days = min(days, daily.size)
    return float(np.convolve(daily, np.ones(days), mode="valid").max() / days)


@dataclass(frozen=True, slots=True)
class Demand:
    """Daily crop demand for one nutrient.

    Attributes
    ----------
    nutrient
        Element.
    first_day
        Calendar day of the first entry.
    demand_kg_ha_day
        (days,) non-negative, kg of the element per ha and day.
    response
        (days,) seasonal response f_i of supply, 1 when unknown.
    source
        Where the curve comes from, for the reader.
    """

    nutrient: str
    first_day: date
    demand_kg_ha_day: FloatArray
    response: FloatArray
    source: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "demand_kg_ha_day", frozen_floats(self.demand_kg_ha_day, shape=(None,)))
        object.__setattr__(self, "response", frozen_floats(self.response, shape=self.demand_kg_ha_day.shape))

    @property
    def last_day(self) -> date:
        """Calendar day of the last entry."""
        return self.first_day + timedelta(days=self.demand_kg_ha_day.size - 1)

    @property
    def total_kg_ha(self) -> float:
        """Season total."""
        return float(self.demand_kg_ha_day.sum())

    @property
    def peak_kg_ha_day(self) -> float:
        """Largest daily value; not to be compared with a 10-day mean."""
        return float(self.demand_kg_ha_day.max())

    @property
    def peak_10_day_kg_ha_day(self) -> float:
        """Largest mean over ten days in a row (over all of a shorter season): what studies of uptake often report."""
        return steepest_mean(self.demand_kg_ha_day, days=10)


@dataclass(frozen=True, slots=True)
class Costs:
    """What a kg short and a kg too much cost.

    Attributes
    ----------
    short, over
        Per kg; money where `priced`, otherwise relative to the season's demand.
    """

    short: float
    over: float
    priced: bool

    @property
    def assurance(self) -> float:
        """Critical fractile tau = c_u / (c_u + c_o): the probability with which the need should be met.

        References
        ----------
        The single-period inventory problem of operations research (common in textbooks as the newsvendor problem).
        """
        return self.short / (self.short + self.over)


@dataclass(frozen=True, slots=True)
class Need:
    """One thing the field may lack, and what can be done about it.

    Attributes
    ----------
    curve
        Need against the measured value.
    costs
        Of being short and over, per kg of what the curve is of.
    demand
        Crop demand behind the curve; ``None`` for a user's rate table.
    product
        What meets it; ``None`` when no product of the user's holds the element.
    on
        Day of spreading; ``None`` when the user named none.
    available_fraction
        Fraction of the applied nutrient that feeds the crop within the season.
    first_short_day
        Day on which a tenth of the field runs short, over places and uncertainty; ``None`` if never.
    spread_by
        Last day of spreading that still feeds that day; ``None`` if never short.
    share_of_field_short
        Probability, averaged over the field, that the season has a shortfall.
    """

    curve: NeedCurve
    costs: Costs
    demand: Demand | None
    product: Product | None
    on: date | None
    available_fraction: float
    first_short_day: date | None
    spread_by: date | None
    share_of_field_short: float

    @property
    def quantity(self) -> str:
        """What is measured."""
        return self.curve.quantity

    @property
    def element(self) -> str:
        """What is lacking, where the need is of an element."""
        return self.curve.element or self.curve.quantity
