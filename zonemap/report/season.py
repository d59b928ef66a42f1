"""The picture of the season: what the soil supplies each day against what the crop asks."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from zonemap.amounts import reader
from zonemap.report.style import INK, PictureFile, quiet_axes, save_picture, text_as_it_stands
from zonemap.values.arrays import FloatArray
from zonemap.values.need import Demand, Need
from zonemap.values.plan import Plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: accents of the map picture
_SUPPLY = "#3d8787"
_SHORT = "#d08c3f"
#: on a sheet of paper four are too small to read
_MOST_COLUMNS = 3
#: no larger share of demand is worth telling apart
_MOST_SHARE = 2
#: inches
_PANEL_WIDTH, _PANEL_HEIGHT, _KEY_HEIGHT = 3.5, 2.75, 0.5
#: points between two lines of names of products
_NAME_HEIGHT = 8.5
_KEY = (
    "crop's demand",
    "supply: middle, and 10 to 90% over places and chance",
    "short in the middle",
    "short in the poorest tenth",
    "spreading day",
    "zones",
)


def draw_season(plan: Plan, path: PictureFile, *, dots_per_inch: int = 110) -> None:
    """Write `season_figure` (PNG)."""
    save_picture(season_figure(plan), path, dots_per_inch=dots_per_inch)


@text_as_it_stands
def season_figure(plan: Plan) -> Figure:
    """Draw a panel a nutrient whose demand is known, that with the smallest share of the season first."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    needs = sorted(
        (need for need in plan.needs if need.demand is not None),
        key=lambda need: float(plan.sufficiency[need.quantity].share_of_season[0]),
    )
    columns = min(max(len(needs), 2), _MOST_COLUMNS)
    rows = max(-(-len(needs) // columns), 1)
    width, height = _PANEL_WIDTH * columns, _PANEL_HEIGHT * rows + 0.55 + _KEY_HEIGHT
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    crop = f", {plan.case.crop.name.replace('_', ' ')}" if plan.case.crop else ""
    title = f"{plan.case.field.name}{crop}: what the soil supplies and what the crop asks, day by day"
    figure.suptitle(title, color=INK, fontsize=11, x=0.02, y=1 - 0.1 / height, ha="left", va="top")
    # a fixed layout: fitting one to the texts takes longer than drawing
    figure.subplots_adjust(
        left=0.62 / width,
        right=1 - 0.3 / width,
        top=1 - 0.95 / height,
        bottom=(0.35 + _KEY_HEIGHT) / height,
        wspace=0.36,
        hspace=0.5,
    )
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for panel, need in zip(axes, needs, strict=False):
        _panel(panel, plan, need)
    for unused in axes[len(needs) :]:
        unused.set_axis_off()
    _key(figure, bottom=0.05 / height, zones=plan.zones.count > 1)
    return figure


def _panel(axes: Axes, plan: Plan, need: Need) -> None:
    read, found, demand = reader(plan.case.units), plan.sufficiency[need.quantity], need.demand
    if demand is None:
        return
    day = np.arange(demand.demand_kg_ha_day.size, dtype=np.float64) + _number(demand.first_day)
    unit = read.kg_ha_per_rate
    asked = demand.demand_kg_ha_day / unit
    low, middle, high = (found.supply_kg_ha_day[0, column] * demand.response / unit for column in range(3))
    axes.fill_between(day, low, high, color=_SUPPLY, alpha=0.25, linewidth=0)
    axes.plot(day, middle, color=_SUPPLY, linewidth=1.6)
    for supplied, alpha in ((low, 0.3), (middle, 0.6)):
        axes.fill_between(day, supplied, asked, where=list(asked > supplied), color=_SHORT, alpha=alpha, linewidth=0)
    axes.plot(day, asked, color=INK, linewidth=1.8)
    top = 1.22 * (max(float(asked.max()), float(min(high.max(), 2.5 * asked.max()))) or float(high.max()) or 1.0)
    if middle.min() > top:
        text = f"supply above: {read.rate(found.supply_kg_ha_day[0, 1])}/day"
        axes.annotate(text, (0.5, 0.9), xycoords="axes fraction", ha="center", fontsize=7, color=_SUPPLY)
    _zone_levels(axes, found.supply_kg_ha_day[1:, 1] / unit, demand, top=top)
    _mark_spreading(axes, _spreading_days(plan, need), top=top)
    axes.set_ylim(0, top)
    _frame(axes, day, unit=f"{read.rate_unit}/day")
    axes.set_title(_title(plan, need), fontsize=8, color=INK, loc="left", linespacing=1.3, y=1.0)


def _mark_spreading(axes: Axes, days: list[tuple[date, tuple[str, ...]]], *, top: float) -> None:
    """Lines at the days of spreading; what is spread on a later day stands below what was spread before."""
    below = 0
    for on, names in days:
        axes.axvline(_number(on), color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
        offset = (2, -2 - _NAME_HEIGHT * below)
        text = "\n".join(names)
        axes.annotate(text, (_number(on), top), offset, textcoords="offset points", fontsize=6.5, va="top", color=INK)
        below += len(names)


def _zone_levels(axes: Axes, middle: FloatArray, demand: Demand, *, top: float) -> None:
    """Middle supply of every zone as a tick at the right edge, with its number; those close together share a label."""
    if middle.size < 2:
        return
    edge, levels = _number(demand.last_day), middle * demand.response[-1]
    shown = [int(index) for index in np.argsort(levels) if levels[index] <= top]
    for index in shown:
        axes.plot([edge - 4, edge], [levels[index], levels[index]], color=_SUPPLY, linewidth=2.2)
    for together in _close(levels, shown, gap=0.07 * top):
        numbers = ", ".join(str(index + 1) for index in sorted(together))
        at = (edge, float(levels[together].mean()))
        axes.annotate(numbers, at, (3, 0), textcoords="offset points", fontsize=7, va="center", color=INK)


def _close(levels: FloatArray, order: list[int], *, gap: float) -> list[list[int]]:
    """Zones in rising order, those whose levels are within a gap of the one before together.

    >>> _close(np.array([3.0, 1.0, 1.05]), [1, 2, 0], gap=0.1)
    [[1, 2], [0]]
    """
    groups: list[list[int]] = []
    for index in order:
        if groups and levels[index] - levels[groups[-1][-1]] <= gap:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def _spreading_days(plan: Plan, need: Need) -> list[tuple[date, tuple[str, ...]]]:
    """Days on which something that holds the nutrient is spread, and what."""
    days: dict[date, list[str]] = {}
    for application in plan.prescription.applications:
        if application.on is not None and application.product.analysis.get(need.quantity, 0.0) > 0:
            days.setdefault(application.on, []).append(application.product.name)
    return [(on, tuple(names)) for on, names in sorted(days.items())]


def _title(plan: Plan, need: Need) -> str:
    found = plan.sufficiency[need.quantity]
    share = float(found.share_of_peak[0])
    peak = f"{100 * share:.0f}%" if share <= _MOST_SHARE else f"over {100 * _MOST_SHARE:.0f}%"
    first = f"{need.quantity}: {peak} of the largest day's demand"
    if need.first_short_day is None:
        return f"{first}\nnot short"
    who = "poorest tenth may run short" if plan.mapped else "may run short"
    return f"{first}\n{who} from {_day(need.first_short_day)}"


def _day(on: date) -> str:
    """Day and month in words.

    >>> _day(date(2026, 6, 5))
    '5 June'
    """
    return f"{on:%d %B}".lstrip("0")


def _number(on: date) -> float:
    """Days since 1 January 1970, which is what axes of dates count."""
    return float((on - date(1970, 1, 1)).days)


def _frame(axes: Axes, day: FloatArray, *, unit: str) -> None:
    from matplotlib.dates import DateFormatter, MonthLocator

    axes.set_xlim(float(day[0]), float(day[-1]))
    axes.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(DateFormatter("%b"))  # type: ignore[no-untyped-call]
    # a tick takes a millisecond to draw
    axes.locator_params(axis="y", nbins=4)
    axes.set_ylabel(unit, fontsize=7, color=INK)
    quiet_axes(axes)


def _key(figure: Figure, *, bottom: float, zones: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=INK, linewidth=1.8),
        (Patch(color=_SUPPLY, alpha=0.25), Line2D([], [], color=_SUPPLY, linewidth=1.6)),
        Patch(color=_SHORT, alpha=0.72),
        Patch(color=_SHORT, alpha=0.3),
        Line2D([], [], color=INK, linewidth=0.9, linestyle=(0, (4, 2))),
        Line2D([], [], color=_SUPPLY, linewidth=2.2, marker="_", markersize=0),
    ]
    shown = len(_KEY) if zones else len(_KEY) - 1
    figure.legend(
        handles[:shown],
        _KEY[:shown],
        loc="lower center",
        bbox_to_anchor=(0.5, bottom),
        ncols=min(shown, 3),
        fontsize=7.5,
        frameon=False,
        handlelength=1.8,
        columnspacing=1.4,
    )
