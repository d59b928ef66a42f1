"""The picture of the programme: what is lacking and what is made available, day by day, and what the ways cost."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from zonemap.amounts import Reader, reader, small
from zonemap.report.programme import ANSWERS, SPREADINGS, same_doses, unmet
from zonemap.report.style import FAINT, INK, PictureFile, quiet_axes, save_picture, text_as_it_stands
from zonemap.values.arrays import FloatArray
from zonemap.values.plan import Plan
from zonemap.values.programme import Balance, Programme, Programmes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: accents of the other pictures: what the soil or a product gives, what is short
_GIVEN, _SHORT = "#3d8787", "#d08c3f"
_MOST_COLUMNS, _MOST_ZONES = 3, 6
_PANEL_WIDTH, _PANEL_HEIGHT, _KEY_HEIGHT = 3.5, 2.75, 0.34
_KEY = ("lacking, by zone", "available from what is spread", "behind", "spreading day")
#: shades of one hue for the products of a bar, dark to light, told apart without colour by their order and names
_SHADES = ("#1f4e54", "#3d8787", "#7fb5ae", "#bcd9d2", "#d9c8a0", "#d08c3f", "#9c5f24")
#: share of a bar below which its product is not named in it
_LEAST_NAMED = 0.14


def draw_programme(plan: Plan, path: PictureFile, *, dots_per_inch: int = 110) -> None:
    """Write `programme_figure` (PNG)."""
    save_picture(programme_figure(plan), path, dots_per_inch=dots_per_inch)


def has_picture(programmes: Programmes | None) -> bool:
    """Whether there is anything to show: something spread for a need that has a calendar."""
    return programmes is not None and bool(_shown(programmes.chosen)) and bool(programmes.chosen.doses)


@text_as_it_stands
def programme_figure(plan: Plan) -> Figure:
    """Draw a panel an element that is lacking, and bars of what each way to meet the needs costs.

    Raises
    ------
    ValueError
        For a plan without anything to show: ask `has_picture` first.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    if plan.programmes is None or not has_picture(plan.programmes):
        msg = "nothing is spread for a need that has a calendar"
        raise ValueError(msg)
    made, read = plan.programmes.chosen, reader(plan.case.units, tiny=small(plan.case.field.area_ha))
    shown = _shown(made)
    priced = made.priced
    panels = len(shown) + priced
    columns = 2 if panels == 4 else min(max(panels, 2), _MOST_COLUMNS)
    rows = -(-panels // columns)
    width, height = _PANEL_WIDTH * columns, _PANEL_HEIGHT * rows + 0.55 + _KEY_HEIGHT
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    title = f"{plan.case.field.name}: what is lacking and what is put on"
    figure.suptitle(title, color=INK, fontsize=11, x=0.02, y=1 - 0.1 / height, ha="left", va="top")
    # a fixed layout: fitting one to the texts takes longer than drawing
    figure.subplots_adjust(
        left=0.62 / width, right=1 - 0.3 / width, top=1 - 0.85 / height, bottom=(0.4 + _KEY_HEIGHT) / height,
        wspace=0.32, hspace=0.45,
    )  # fmt: skip
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for panel, balance in zip(axes, shown, strict=False):
        _panel(panel, plan, balance, read)
    if priced:
        _bars(axes[len(shown)], plan.programmes)
    for unused in axes[panels:]:
        unused.set_axis_off()
    _key(figure, bottom=0.05 / height, behind=any(b.behind_kg_ha.any() for b in shown))
    return figure


def _shown(made: Programme) -> list[Balance]:
    """Balances of elements that are lacking somewhere and have a calendar, the largest share of what is asked first."""
    found = [b for b in made.balances if b.path.dated and b.need_kg_ha.max() > 0.005 * max(b.path.total_kg_ha, 1e-9)]
    return sorted(found, key=lambda b: -float(b.need_kg_ha.max()) / max(b.path.total_kg_ha, 1e-9))


def _panel(axes: Axes, plan: Plan, balance: Balance, read: Reader) -> None:
    unit = read.kg_ha_per_rate
    day = _numbers(balance.path.first_day, balance.available_kg_ha.shape[1])
    lacking, available = balance.path.lacking_kg_ha / unit, balance.available_kg_ha / unit
    zones = range(lacking.shape[0]) if lacking.shape[0] <= _MOST_ZONES else _extremes(balance.need_kg_ha)
    top = 1.08 * max(float(lacking[list(zones)].max()), float(available[list(zones)].max()), 1e-9)
    taken: list[float] = []
    for zone in zones:
        axes.plot(day, available[zone], color=_GIVEN, linewidth=2.0, alpha=0.75, drawstyle="steps-post")
        axes.plot(day, lacking[zone], color=INK, linewidth=1.1)
        if balance.behind_kg_ha[zone] > 0:
            axes.fill_between(day, available[zone], lacking[zone], where=lacking[zone] > available[zone], color=_SHORT,
                              alpha=0.6, linewidth=0)  # fmt: skip
        end = float(lacking[zone, -1])
        if lacking.shape[0] > 1 and all(abs(end - other) > 0.07 * top for other in taken):
            taken.append(end)
            axes.annotate(
                str(zone + 1), (day[-1], end), (3, 0), textcoords="offset points", fontsize=7, va="center", color=INK
            )
    for on in sorted({d.on for d in _doses(plan) if d.on and d.product.analysis.get(balance.element)}):
        axes.axvline(_number(on), color=INK, linewidth=0.9, linestyle=(0, (4, 2)), zorder=0)
    axes.set_ylim(0, top)
    _frame(axes, day, unit=read.rate_unit)
    axes.set_title(f"{balance.element}: {_said(balance, read)}", fontsize=8, color=INK, loc="left", y=1.0)


def _doses(plan: Plan) -> tuple[Any, ...]:
    return () if plan.programmes is None else plan.programmes.chosen.doses


def _extremes(need: FloatArray) -> list[int]:
    """Zones of least, middle and greatest need."""
    order = np.argsort(need, kind="stable")
    return sorted({int(order[0]), int(order[order.size // 2]), int(order[-1])})


def _said(balance: Balance, read: Reader) -> str:
    behind = float(balance.behind_kg_ha.max())
    if behind > 0:
        return f"up to {read.rate(behind)} behind"
    return f"up to {read.rate(float(balance.need_kg_ha.max()))} lacking, never behind"


def _bars(axes: Axes, programmes: Programmes) -> None:
    """Cost of every way whose products have prices, stacked by product and trips."""
    ways = [m for m in programmes.all if m.priced and (m is programmes.chosen or not same_doses(m, programmes.chosen))]
    names = list(dict.fromkeys(p.product.name for made in ways for p in made.purchases))
    for row, made in enumerate(ways):
        left = 0.0
        parts = [(p.product.name, p.cost or 0.0) for p in made.purchases]
        total = sum(cost for _, cost in parts) + made.trip_cost
        for name, cost in [*parts, ("trips", made.trip_cost)]:
            if cost <= 0:
                continue
            shade = FAINT if name == "trips" else _SHADES[names.index(name) % len(_SHADES)]
            axes.barh(row, cost, left=left, color=shade, height=0.5, edgecolor="white", linewidth=0.6)
            if cost > _LEAST_NAMED * max(total, 1e-9):
                dark = name != "trips" and names.index(name) % len(_SHADES) in (0, 1, 5, 6)
                axes.text(
                    left + cost / 2, row, name.replace(" ", "\n"), fontsize=6, ha="center", va="center",
                    linespacing=0.9, color="white" if dark else INK,
                )  # fmt: skip
            left += cost
        label = ANSWERS[made.answer] + ("" if made.spreading == "separate" else f", {SPREADINGS[made.spreading]}")
        chosen = " (chosen)" if made is programmes.chosen else ""
        lacking = ", ".join(unmet(made))
        short = f", {lacking} not fully met" if lacking else ""
        axes.text(0, row - 0.34, f"{label}{chosen}: {total:,.0f}{short}", fontsize=7, va="bottom", color=INK)
    axes.set_ylim(len(ways) - 0.5, -0.75)
    axes.set_yticks([])
    axes.locator_params(axis="x", nbins=4)
    axes.set_xlabel("money on the field", fontsize=7, color=INK)
    quiet_axes(axes)
    axes.set_title("What the ways to meet the needs cost", fontsize=8, color=INK, loc="left", y=1.0)


def _numbers(first: date, days: int) -> FloatArray:
    return _number(first) + np.arange(days, dtype=float)


def _number(on: date) -> float:
    """Days since 1 January 1970, which is what axes of dates count."""
    return float((on - date(1970, 1, 1)) / timedelta(days=1))


def _frame(axes: Axes, day: FloatArray, *, unit: str) -> None:
    from matplotlib.dates import DateFormatter, MonthLocator

    axes.set_xlim(float(day[0]), float(day[-1]))
    axes.xaxis.set_major_locator(MonthLocator())  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(DateFormatter("%b"))  # type: ignore[no-untyped-call]
    axes.locator_params(axis="y", nbins=4)
    axes.set_ylabel(f"{unit} in all", fontsize=7, color=INK)
    quiet_axes(axes)


def _key(figure: Figure, *, bottom: float, behind: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [
        Line2D([], [], color=INK, linewidth=1.1),
        Line2D([], [], color=_GIVEN, linewidth=2.0, alpha=0.75),
        Patch(color=_SHORT, alpha=0.6),
        Line2D([], [], color=INK, linewidth=0.9, linestyle=(0, (4, 2))),
    ]
    shown = [position for position in range(len(_KEY)) if behind or _KEY[position] != "behind"]
    figure.legend(
        [handles[position] for position in shown],
        [_KEY[position] for position in shown],
        loc="lower center", bbox_to_anchor=(0.5, bottom), ncols=len(shown), fontsize=7.5, frameon=False,
        handlelength=1.8, labelcolor=INK,
    )  # fmt: skip
