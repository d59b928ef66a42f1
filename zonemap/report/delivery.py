"""The picture of the delivery: what was driven, what falls where, and how far that is from what was meant."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from zonemap.amounts import reader
from zonemap.report.cells import CELL_ERRORS, CELL_RATES, bar_beside, cells_picture, outline_and_closed
from zonemap.report.shown import named
from zonemap.report.style import INK, PictureFile, map_frame, save_picture, text_as_it_stands
from zonemap.units import UnitSystem
from zonemap.values.delivery import Delivery
from zonemap.values.field import Field
from zonemap.values.grid import Grid

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: errors from here on look alike
_MOST_ERROR = 0.3
_MOST_ROWS = 4
#: inches
_PANEL_WIDTH = 3.7


def draw_delivery(
    deliveries: Sequence[Delivery],
    grid: Grid,
    field: Field,
    units: UnitSystem,
    path: PictureFile,
    *,
    dots_per_inch: int = 110,
) -> None:
    """Write the picture (PNG)."""
    figure = delivery_figure(deliveries, grid, field, units)
    save_picture(figure, path, dots_per_inch=dots_per_inch)


@text_as_it_stands
def delivery_figure(deliveries: Sequence[Delivery], grid: Grid, field: Field, units: UnitSystem) -> Figure:
    """For each of the first applications, one at least: passes, rate that falls, relative error."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    shown = deliveries[:_MOST_ROWS]
    west, south, east, north = field.boundary.bounds
    panel = _PANEL_WIDTH * min(max((north - south) / (east - west), 0.5), 1.3) + 0.75
    figure = Figure(figsize=(3 * _PANEL_WIDTH + 0.2, panel * len(shown) + 0.5))
    FigureCanvasAgg(figure)
    title = f"{field.name}: as it would be spread"
    figure.suptitle(title, color=INK, fontsize=13, x=0.02, y=1 - 0.1 / figure.get_figheight(), ha="left", va="top")
    axes = figure.subplots(len(shown), 3, squeeze=False)
    figure.subplots_adjust(
        left=0.01, right=0.94, top=1 - 0.9 / figure.get_figheight(), bottom=0.02, wspace=0.24, hspace=0.5 / panel
    )
    for row, delivery in zip(axes, shown, strict=True):
        _passes_panel(row[0], delivery, field)
        _rate_panel(figure, row[1], delivery, grid, units)
        _error_panel(figure, row[2], delivery, grid)
        for panel_axes in row:
            map_frame(panel_axes, field, reader(units))
    return figure


def _passes_panel(axes: Axes, delivery: Delivery, field: Field) -> None:
    """Lines that are driven, over the outline."""
    from matplotlib.collections import LineCollection

    outline_and_closed(axes, field)
    lines = [np.asarray(line.coords) for line in delivery.track]
    axes.add_collection(LineCollection(lines, colors=CELL_RATES[2], linewidths=0.6))
    rounds = {0: "no round", 1: "1 round"}.get(delivery.rounds, f"{delivery.rounds} rounds")
    what = named(delivery.application)
    driven = f"{rounds}, {delivery.passes} passes at {delivery.heading_deg:.0f} degrees"
    axes.set_title(f"{what}\n{driven}", fontsize=9, color=INK, y=1.0)


def _rate_panel(figure: Figure, axes: Axes, delivery: Delivery, grid: Grid, units: UnitSystem) -> None:
    """What falls on every cell."""
    read = reader(units)
    picture = cells_picture(
        axes, grid, delivery.delivered_kg_ha / read.kg_ha_per_rate, CELL_RATES, least=0.0, most=None
    )
    bar_beside(figure, axes, picture, f"delivered, {read.rate_unit}")
    masses = f"{read.mass(delivery.delivered_kg)} on the field, {read.mass(delivery.intended_kg)} meant"
    axes.set_title(f"rate that falls\n{masses}", fontsize=9, color=INK, y=1.0)


def _error_panel(figure: Figure, axes: Axes, delivery: Delivery, grid: Grid) -> None:
    """How far off every cell is, in percent of what was meant."""
    percent, most = 100 * delivery.relative_error, 100 * _MOST_ERROR
    picture = cells_picture(axes, grid, percent, CELL_ERRORS, least=-most, most=most)
    bar_beside(figure, axes, picture, "off by %", extend="both")
    within = f"{delivery.share_within(0.10):.0%} of the area within 10%"
    axes.set_title(f"error\n{within}", fontsize=9, color=INK, y=1.0)
