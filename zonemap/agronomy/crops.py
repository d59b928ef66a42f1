"""The crop table: season totals and shapes of uptake, every row with its source and status."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal

from zonemap.errors import InputError
from zonemap.units import ELEMENTS, UnitSystem

Status = Literal["published", "derived", "common practice", "from memory"]


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
    fixed_by_crop
        True where the crop makes its own (nitrogen of legumes): the soil is asked for none.
    source, status
        Where the figures come from, and how far to trust that.
    """

    total_kg_ha: float
    midpoint_day: float
    steepness_per_day: float
    fixed_by_crop: bool
    source: str
    status: Status


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
        uptake={element: _uptake(entry[element]) for element in ELEMENTS if element in entry},
    )


def _uptake(row: Mapping[str, object]) -> Uptake:
    number = {key: float(value) for key, value in row.items() if isinstance(value, int | float)}
    if "days_10_90" in number:
        rate = 2 * math.log(9) / number["days_10_90"]
    else:
        rate = steepness(number["total_kg_ha"], peak_days=number["peak_days"], peak_mean=number["peak_mean_kg_ha_day"])
    status: Status = row["status"]  # type: ignore[assignment]
    fixed = bool(row.get("fixed_by_crop", False))
    return Uptake(number["total_kg_ha"], number["midpoint_day"], rate, fixed, str(row["source"]), status)
