"""The crop table as text and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from zonemap.agronomy.crops import CropRow, Uptake
from zonemap.agronomy.demand import daily_uptake
from zonemap.units import K2O_PER_K, KG_HA_PER_LB_AC, P2O5_PER_P
from zonemap.values.need import steepest_mean

_WIDTH = 100
_OXIDE = {"P": ("P2O5", P2O5_PER_P), "K": ("K2O", K2O_PER_K)}


def crops_text(rows: Sequence[CropRow]) -> str:
    """One line a crop: name, what it is, season, yield, nutrients."""
    table = [["name", "crop", "days", "yield", "nutrients"]]
    for row in rows:
        goal = f"{row.reference_yield['us']:g} {row.yield_units['us']}" if row.reference_yield else "-"
        table.append([row.name, row.title, str(row.season_days), goal, " ".join(row.uptake)])
    widths = [max(len(line[column]) for line in table) for column in range(5)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in table]
    return "\n".join([*lines, "", "zonemap crops NAME shows the figures of one, with their sources."])


def crop_text(row: CropRow) -> str:
    """All that is known of one crop."""
    lines = [f"{row.name}: {row.title}, feeding for {row.season_days} days from planting"]
    if row.reference_yield:
        goals = [f"{row.reference_yield[system]:g} {row.yield_units[system]}" for system in ("us", "metric")]
        lines.append(f"  totals are for a yield of {goals[0]} ({goals[1]}) and go with yield_goal")
    if row.degree_days:
        rule = row.degree_days
        lines.append(
            f"  with weather: degree days between {rule.base_c:.4g} and {rule.cap_c:.4g} C, {rule.season_c:g} a season "
            f"({rule.source})"
        )
    else:
        lines.append("  by days after planting, with weather or without: the table has no degree days for it")
    lines += [
        "",
        "  kg/ha of the element, the season also in lb/ac; a mean over 10 days is less than the largest day and not",
        "  compared with it",
        "",
    ]
    head = ["", "season", "lb/ac", "half by day", "largest day", "10-day mean", "status"]
    table = [
        head,
        *(_figures(f"{element} {uptake.name}".strip(), uptake, row) for element, uptake in row.uptake.items()),
    ]
    for element, uptake in row.uptake.items():
        table += [_figures(f"{element} {name}", other, row) for name, other in uptake.other.items()]
    widths = [max(len(line[column]) for line in table) for column in range(len(head))]
    lines += [
        "  " + "  ".join([line[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(line[1:], widths[1:], strict=True))])
        for line in table
    ]
    lines.append("")
    for element, uptake in row.uptake.items():
        lines.append(_source(f"{element} {uptake.name}".strip(), uptake))
        lines += [_source(f"{element} {name}", other) for name, other in uptake.other.items()]
    if any(uptake.other for uptake in row.uptake.values()):
        lines += ["", '  The first source of a nutrient is taken; choose another with [crop] sources = { K = "..." }.']
    return "\n".join(lines)


def _figures(name: str, uptake: Uptake, row: CropRow) -> list[str]:
    largest, ten_days = _peaks(uptake, row)
    return [
        name,
        f"{uptake.total_kg_ha:.4g}",
        f"{uptake.total_kg_ha / KG_HA_PER_LB_AC:.3g}",
        f"{uptake.midpoint_day:g}",
        f"{largest:.3g}",
        f"{ten_days:.3g}",
        uptake.status,
    ]


def _peaks(uptake: Uptake, row: CropRow) -> tuple[float, float]:
    """Largest day and largest mean over ten days, kg/ha/day, in a season of the reference length."""
    import numpy as np

    daily = daily_uptake(uptake, np.arange(row.season_days + 1.0), season_days=row.season_days)
    return float(daily.max()), steepest_mean(daily, days=10)


def _source(name: str, uptake: Uptake) -> str:
    element = name.split()[0]
    oxide = f" = {uptake.total_kg_ha * _OXIDE[element][1]:.4g} {_OXIDE[element][0]}" if element in _OXIDE else ""
    fixed = f"; the crop makes {uptake.fixed_share:.0%} itself" if uptake.fixed_share else ""
    text = f"{name}{oxide}: {uptake.source}; steepness from the {uptake.peak}{fixed}"
    return textwrap.fill(text, _WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)


def crop_json(row: CropRow) -> dict[str, Any]:
    """Plain types, metric."""
    return {
        "title": row.title,
        "season_days": row.season_days,
        "reference_yield": dict(row.reference_yield),
        "yield_units": dict(row.yield_units),
        "degree_days": None if row.degree_days is None else asdict(row.degree_days),
        "uptake": {element: _uptake_json(uptake, row) for element, uptake in row.uptake.items()},
    }


def _uptake_json(uptake: Uptake, row: CropRow) -> dict[str, Any]:
    largest, ten_days = _peaks(uptake, row)
    return {
        "name": uptake.name,
        "total_kg_ha": uptake.total_kg_ha,
        "largest_day_kg_ha_day": largest,
        "mean_of_10_days_kg_ha_day": ten_days,
        "midpoint_day": uptake.midpoint_day,
        "steepness_per_day": uptake.steepness_per_day,
        "steepness_from": uptake.peak,
        "fixed_share": uptake.fixed_share,
        "source": uptake.source,
        "status": uptake.status,
        "other": {name: _uptake_json(other, row) for name, other in uptake.other.items()},
    }
