"""The picture of the delivery: what was driven, what falls where, and how far that is from what was meant."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from zonemap.amounts import reader
from zonemap.report.style import FAINT, INK, map_frame, save_picture
from zonemap.units import UnitSystem
from zonemap.values.arrays import FloatArray
from zonemap.values.delivery import Delivery
from zonemap.values.field import Field
from zonemap.values.grid import Grid

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: straw to teal as on the map of rates; blue for too little, white for right, brown for too much
_RATE_COLOURS = ("#f3ecd2", "#a9bf8f", "#3d8787", "#2c4468")
_ERROR_COLOURS = ("#2c5f8a", "#9cc3dc", "#ffffff", "#e0b184", "#8f4f1e")
#: errors from here on look alike
_MOST_ERROR = 0.3
_MOST_ROWS = 4
#: inches
_PANEL_WIDTH = 3.7


def draw_delivery(
    deliveries: Sequence[Delivery], grid: Grid, field: Field, units: UnitSystem, path: Path, *, dots_per_inch: int = 110
) -> None:
    """Write the picture (PNG)."""
    figure = delivery_figure(deliveries, grid, field, units)
    save_picture(figure, path, dots_per_inch=dots_per_inch)


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

    for part in field.boundary.geoms:
        for ring in (part.exterior, *part.interiors):
            axes.plot(*ring.xy, color=INK, linewidth=0.9)
    for place in field.no_spread:
        for part in place.area.geoms:
            axes.fill(*part.exterior.xy, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0.5)
    lines = [np.asarray(line.coords) for line in delivery.track]
    axes.add_collection(LineCollection(lines, colors=_RATE_COLOURS[2], linewidths=0.6))
    rounds = {0: "no round", 1: "1 round"}.get(delivery.rounds, f"{delivery.rounds} rounds")
    what = _named(delivery)
    driven = f"{rounds}, {delivery.passes} passes at {delivery.heading_deg:.0f} degrees"
    axes.set_title(f"{what}\n{driven}", fontsize=9, color=INK, y=1.0)


def _rate_panel(figure: Figure, axes: Axes, delivery: Delivery, grid: Grid, units: UnitSystem) -> None:
    """What falls on every cell."""
    read = reader(units)
    picture = _image(axes, grid, delivery.delivered_kg_ha / read.kg_ha_per_rate, _RATE_COLOURS, least=0.0, most=None)
    _bar(figure, axes, picture, f"delivered, {read.rate_unit}")
    masses = f"{read.mass(delivery.delivered_kg)} on the field, {read.mass(delivery.intended_kg)} meant"
    axes.set_title(f"rate that falls\n{masses}", fontsize=9, color=INK, y=1.0)


def _error_panel(figure: Figure, axes: Axes, delivery: Delivery, grid: Grid) -> None:
    """How far off every cell is, in percent of what was meant."""
    percent, most = 100 * delivery.relative_error, 100 * _MOST_ERROR
    picture = _image(axes, grid, percent, _ERROR_COLOURS, least=-most, most=most)
    _bar(figure, axes, picture, "off by %", extend="both")
    within = f"{delivery.share_within(0.10):.0%} of the area within 10%"
    axes.set_title(f"error\n{within}", fontsize=9, color=INK, y=1.0)


def _named(delivery: Delivery) -> str:
    on = delivery.application.on
    return f"{delivery.application.product.name}{f', {on}' if on else ''}"


def _image(
    axes: Axes, grid: Grid, values: FloatArray, colours: tuple[str, ...], *, least: float, most: float | None
) -> Any:
    """Cells as a picture in the field's metres."""
    from matplotlib.colors import LinearSegmentedColormap

    west, north = grid.west_m, grid.north_m
    extent = (west, west + grid.shape[1] * grid.cell_m, north - grid.shape[0] * grid.cell_m, north)
    scale = LinearSegmentedColormap.from_list("of_the_report", colours)
    image = grid.raster(values, outside=np.nan)
    return axes.imshow(image, extent=extent, cmap=scale, interpolation="nearest", vmin=least, vmax=most)


def _bar(figure: Figure, axes: Axes, picture: Any, label: str, *, extend: str = "neither") -> None:
    """Scale beside a map, in a place of its own so that all maps keep one size."""
    bar = figure.colorbar(picture, cax=axes.inset_axes((1.02, 0.2, 0.03, 0.6)), extend=extend)
    bar.set_label(label, fontsize=8)
    bar.ax.tick_params(labelsize=7)
