"""The crop table: season totals and shapes of uptake, every row with its source and status."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from typing import Literal

from zonemap.agronomy.logistic import season_steepness
from zonemap.errors import InputError
from zonemap.units import ELEMENTS, UnitSystem
from zonemap.values.season import UptakeShape

Status = Literal["published", "derived", "common practice", "from memory"]
#: a mean over the steepest days, the largest single day, or the days from 10 to 90 % of the total
Peak = Literal["mean over days", "largest day", "days from 10 to 90%"]

#: grain in t/ha where bu/ac are read is 0.063 to 0.067 of what was meant; a failed crop is not planned for
_LEAST_OF_REFERENCE = 0.08


@dataclass(frozen=True, slots=True)
class Uptake:
    """Season uptake of one nutrient at the crop's reference yield.

    Attributes
    ----------
    total_kg_ha
        Season total, element.
    midpoint_day
        Day after planting by which half the total is taken up, in a season of the reference length.
    steepness_per_day
        r of the logistic 1/(1 + exp(-r (day - midpoint))).
    fixed_share
        Share the crop makes itself (nitrogen of legumes): the soil is asked for the rest.
    source, status
        Where the figures come from, and how far to trust that.
    peak
        What the steepness was taken from.
    other
        name -> what another source says, where sources disagree.
    name
        Name of this source where there are others; empty otherwise.
    """

    total_kg_ha: float
    midpoint_day: float
    steepness_per_day: float
    fixed_share: float
    source: str
    status: Status
    peak: Peak
    other: Mapping[str, Uptake] = field(default_factory=dict)
    name: str = ""

    def by_source(self, name: str) -> Uptake | None:
        """Uptake as this or another source has it, the crop's own share as here; ``None`` for an unknown name."""
        if name and name == self.name:
            return self
        return replace(self.other[name], fixed_share=self.fixed_share) if name in self.other else None

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of all sources, the default first; empty where there is only one."""
        return (self.name, *self.other) if self.other else ()


@dataclass(frozen=True, slots=True)
class DegreeDayRule:
    """Daily degree days between a base and a cap, and how many make the season."""

    base_c: float
    cap_c: float
    season_c: float
    source: str


@dataclass(frozen=True, slots=True)
class CropRow:
    """One crop of the table.

    Attributes
    ----------
    season_days
        Days from planting over which it feeds.
    reference_yield, yield_units
        Yield the totals belong to and its unit, by unit system; empty where the crop has no yield goal.
    uptake
        element -> Uptake.
    """

    name: str
    title: str
    season_days: int
    reference_yield: Mapping[str, float]
    yield_units: Mapping[str, str]
    degree_days: DegreeDayRule | None
    uptake: Mapping[str, Uptake]

    def yield_factor(self, yield_goal: float | None, units: UnitSystem) -> float:
        """Yield goal over reference yield; 1 without a goal.

        Raises
        ------
        InputError
            When the crop has no yield to aim at, or the goal is far out of its range (likely another unit).
        """
        if yield_goal is None:
            return 1.0
        where = "field.toml, crop.yield_goal"
        if not self.reference_yield:
            raise InputError(where, f"{self.title} has no yield goal", "Remove the key.")
        factor = yield_goal / self.reference_yield[units]
        unit = self.yield_units[units]
        if not _LEAST_OF_REFERENCE <= factor <= 3:
            likely = f"The table's own figure is {self.reference_yield[units]:g} {unit}: check the unit."
            raise InputError(where, f"{yield_goal:g} {unit} of {self.title} is out of range", likely)
        return factor


def crop_names() -> tuple[str, ...]:
    """Return the names `[crop] name` may take, sorted."""
    return tuple(sorted(_table()))


def crop_row(name: str, *, where: str = "field.toml, crop.name") -> CropRow:
    """Look a crop up.

    Parameters
    ----------
    where
        Place that named it, for the message.

    Raises
    ------
    InputError
        When the table has no such crop; the message lists the names.
    """
    table = _table()
    if name not in table:
        mend = f'Choose one of {", ".join(sorted(table))}, or give your own: demand = "demand.csv".'
        raise InputError(where, f"'{name}' is not in the crop table", mend)
    return table[name]


@cache
def _table() -> dict[str, CropRow]:
    content = tomllib.loads(files("zonemap.agronomy").joinpath("crops.toml").read_text(encoding="utf-8"))
    return {name: _row(name, entry) for name, entry in content.items()}


def _row(name: str, entry: dict[str, dict[str, object]]) -> CropRow:
    rule = entry.get("degree_days")
    return CropRow(
        name=name,
        title=str(entry["title"]),
        season_days=int(str(entry["season_days"])),
        reference_yield={k: float(str(v)) for k, v in entry.get("reference_yield", {}).items()},
        yield_units={k: str(v) for k, v in entry.get("yield_units", {}).items()},
        degree_days=None
        if rule is None
        else DegreeDayRule(
            float(str(rule["base_c"])), float(str(rule["cap_c"])), float(str(rule["season"])), str(rule["source"])
        ),
        uptake={
            element: _uptake(entry[element], float(str(entry["season_days"])))
            for element in ELEMENTS
            if element in entry
        },
    )


def _uptake(row: Mapping[str, object], season_days: float) -> Uptake:
    number = {key: float(value) for key, value in row.items() if isinstance(value, int | float)}
    shape = UptakeShape(
        number["midpoint_day"],
        number.get("days_10_90"),
        number.get("peak_days"),
        number.get("peak_mean_kg_ha_day"),
        number.get("largest_kg_ha_day"),
    )
    status: Status = row["status"]  # type: ignore[assignment]
    other = row.get("other", {})
    return Uptake(
        number["total_kg_ha"],
        shape.midpoint_day,
        season_steepness(number["total_kg_ha"], shape, season_days=season_days, where="crops.toml"),
        number.get("fixed_share", 0.0),
        str(row["source"]),
        status,
        peak_of(shape),
        {name: _uptake(entry, season_days) for name, entry in other.items()} if isinstance(other, dict) else {},
        str(row.get("name", "")),
    )


def peak_of(shape: UptakeShape) -> Peak:
    """What a shape's steepness is taken from, in words."""
    if shape.days_10_90 is not None:
        return "days from 10 to 90%"
    return "mean over days" if shape.largest_kg_ha_day is None else "largest day"
