"""The crop table: season totals and shapes of uptake, every row with its source and status."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Literal

from zonemap.errors import InputError
from zonemap.units import ELEMENTS, UnitSystem

Status = Literal["published", "derived", "common practice", "from memory"]
#: a mean over the steepest days, the largest single day, or the days from 10 to 90 % of the total
Peak = Literal["mean over days", "largest day", "days from 10 to 90 %"]

#: rounds until steepness and total agree
_STEPS = 60


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
    """

    total_kg_ha: float
    midpoint_day: float
    steepness_per_day: float
    fixed_share: float
    source: str
    status: Status
    peak: Peak
    other: Mapping[str, Uptake] = field(default_factory=dict)


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
        if not 0.05 <= factor <= 3:
            likely = f"The table's own figure is {self.reference_yield[units]:g} {unit}: check the unit."
            raise InputError(where, f"{yield_goal:g} {unit} of {self.title} is out of range", likely)
        return factor


def steepness(total: float, *, peak_days: float, peak_mean: float) -> float:
    """Logistic steepness r with which the mean over the steepest `peak_days` days is `peak_mean`.

    A logistic rises by tanh(r w / 4) of its total over the w days about its midpoint; solve for r.

    >>> round(steepness(286.0, peak_days=10, peak_mean=8.9), 4)
    0.1287
    """
    return 4.0 / peak_days * math.atanh(peak_mean * peak_days / total)


def steepness_of_days(days_10_90: float) -> float:
    """Logistic steepness r of a curve that takes so many days from 10 to 90 % of its total.

    Such a curve of 330 lb in 24 days rises by 15.1 lb on its steepest day:

    >>> round(330 * steepness_of_days(24.0) / 4, 1)
    15.1
    """
    return 2 * math.log(9) / days_10_90


def crop_names() -> tuple[str, ...]:
    """Return the names `[crop] name` may take, sorted."""
    return tuple(sorted(_table()))


def crop_row(name: str) -> CropRow:
    """Look a crop up.

    Raises
    ------
    InputError
        When the table has no such crop; the message lists the names.
    """
    table = _table()
    if name not in table:
        mend = f'Choose one of {", ".join(sorted(table))}, or give your own: demand = "demand.csv".'
        raise InputError("field.toml, crop.name", f"'{name}' is not in the crop table", mend)
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
    rate, peak = _rate(number, season_days)
    status: Status = row["status"]  # type: ignore[assignment]
    other = row.get("other", {})
    return Uptake(
        number["total_kg_ha"],
        number["midpoint_day"],
        rate,
        number.get("fixed_share", 0.0),
        str(row["source"]),
        status,
        peak,
        {name: _uptake(entry, season_days) for name, entry in other.items()} if isinstance(other, dict) else {},
    )


def _rate(number: Mapping[str, float], season_days: float) -> tuple[float, Peak]:
    """Steepness of a row's logistic, and what it was taken from.

    What a logistic would take up before and after the season is taken up within it, so that a published peak belongs to
    the whole logistic of a larger total: the steepness is sought together with that total.
    """
    if "days_10_90" in number:
        return steepness_of_days(number["days_10_90"]), "days from 10 to 90 %"
    whole, rate, single = number["total_kg_ha"], 0.0, "largest_kg_ha_day" in number
    for _ in range(_STEPS):
        if single:
            rate = 4 * number["largest_kg_ha_day"] / whole
        else:
            rate = steepness(whole, peak_days=number["peak_days"], peak_mean=number["peak_mean_kg_ha_day"])
        start, end = (1 / (1 + math.exp(-rate * (day - number["midpoint_day"]))) for day in (0.0, season_days))
        whole = number["total_kg_ha"] / (end - start)
    return rate, "largest day" if single else "mean over days"
