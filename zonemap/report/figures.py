"""The map picture: what each zone gets, and the supply behind it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import Polygon

from zonemap.amounts import Reader, rate_digits, reader
from zonemap.report.style import INK, PictureFile, map_frame, save_picture, text_as_it_stands
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: perceptual and safe for the colour-blind: dry straw to deep teal for rates, matplotlib's cividis for supply
_RATE_COLOURS = ("#f3ecd2", "#d9cf9a", "#a9bf8f", "#6fa68c", "#3d8787", "#2b6f80", "#27597a", "#2c4468")
_SUPPLY_COLOURS = "cividis"
_NO_SPREAD = "#ffffff"
_MOST_PANELS = 4
#: inches
_PANEL_WIDTH = 4.0
#: a part of a zone carries its label inside where a circle of this share of the map's width fits
_LABELLED_INSIDE = 0.05
_MOST_LABELS = 40


@text_as_it_stands
def draw_map(plan: Plan, path: PictureFile, *, dots_per_inch: int = 110) -> None:
    """Write the map picture (PNG): a panel an application above, a panel a limiting quantity below."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    applications = plan.prescription.applications[:_MOST_PANELS]
    quantities = _leading_quantities(plan)[:_MOST_PANELS]
    columns = max(len(applications), len(quantities), 1)
    rows = (1 if applications else 0) + (1 if quantities else 0)
    west, south, east, north = plan.case.field.boundary.bounds
    panel = _PANEL_WIDTH * min(max((north - south) / (east - west), 0.5), 1.3) + 0.75
    figure = Figure(figsize=(_PANEL_WIDTH * columns + 0.2, panel * max(rows, 1) + 0.55))
    FigureCanvasAgg(figure)
    crop = f": {plan.case.crop.name.replace('_', ' ')}" if plan.case.crop else ""
    title = f"{plan.case.field.name}{crop}, {reader(plan.case.units).area(plan.case.field.area_ha)}"
    figure.suptitle(title, color=INK, fontsize=13, x=0.02, y=1 - 0.1 / figure.get_figheight(), ha="left", va="top")
    axes = figure.subplots(max(rows, 1), columns, squeeze=False)
    # a fixed layout: fitting one to the texts takes longer than drawing
    figure.subplots_adjust(
        left=0.01, right=0.95, top=1 - 0.95 / figure.get_figheight(), bottom=0.02, wspace=0.16, hspace=0.5 / panel
    )
    for index, application in enumerate(applications):
        _rate_panel(axes[0, index], plan, application)
    for index, quantity in enumerate(quantities):
        _supply_panel(figure, axes[-1, index], plan, quantity)
    for unused in _unused(axes, len(applications), len(quantities)):
        unused.set_axis_off()
    save_picture(figure, path, dots_per_inch=dots_per_inch)


def _leading_quantities(plan: Plan) -> list[str]:
    """Quantities something is spread for first, then the other limiting ones, then the rest."""
    spread = [need.quantity for need in plan.needs if need.product is not None and need.share_of_field_short > 0]
    return list(dict.fromkeys([*spread, *plan.surfaces]))


def _unused(axes: Any, above: int, below: int) -> list[Axes]:
    rows = axes.shape[0]
    if rows == 1:
        return list(axes[0, max(above, below) :])
    return [*axes[0, above:], *axes[1, below:]]


def _rate_panel(axes: Axes, plan: Plan, application: Application) -> None:
    """Zones filled by rate, numbered, rates written on them."""
    from matplotlib.collections import PatchCollection

    read = reader(plan.case.units)
    rates = plan.prescription.polygon_rates(application) / read.kg_ha_per_rate
    levels = sorted(set(np.round(application.rate_kg_ha / read.kg_ha_per_rate, 6).tolist()))
    colours = [_colour(rate, levels, zone) for rate, zone in zip(rates, plan.prescription.zone, strict=True)]
    patches = [patch(polygon) for polygon in plan.prescription.polygon]
    axes.add_collection(PatchCollection(patches, facecolors=colours, edgecolors="white", linewidths=0.8))
    rate = application.rate_kg_ha / read.kg_ha_per_rate
    label_parts(
        axes, plan, [(part, f"{number}\n{rate_digits(rate[number - 1])}") for part, number in _zone_parts(plan)]
    )
    day = f", {application.on}" if application.on else ""
    total = read.mass(plan.prescription.total_kg(application))
    title = f"{application.product.name}{day}\nzone and rate, {read.rate_unit}; {total} in all"
    # with y given no title seeks its own place, which costs a fifth of the drawing
    axes.set_title(title, fontsize=9, color=INK, y=1.0)
    map_frame(axes, plan.case.field, read)


def _supply_panel(figure: Figure, axes: Axes, plan: Plan, quantity: str) -> None:
    """Mean surface with the sample points."""
    from matplotlib.ticker import MaxNLocator

    surface, grid = plan.surfaces[quantity], plan.grid
    west, north = grid.west_m, grid.north_m
    extent = (west, west + grid.shape[1] * grid.cell_m, north - grid.shape[0] * grid.cell_m, north)
    factor, unit = _shown_unit(surface.unit, reader(plan.case.units))
    image = grid.raster(surface.mean() / factor, outside=np.nan)
    found = surface.evidence.structure == "found"
    # colours from end to end of a surface would show a pattern where none was found: there they span what a cell may be
    least, most = (None, None) if found else (surface.quantile(p).mean() / factor for p in (0.1, 0.9))
    picture = axes.imshow(image, extent=extent, cmap=_SUPPLY_COLOURS, interpolation="nearest", vmin=least, vmax=most)
    bar = figure.colorbar(picture, ax=axes, shrink=0.6, pad=0.03, ticks=MaxNLocator(5, steps=[1, 2, 5, 10]))
    bar.set_label(unit, fontsize=8)
    bar.ax.tick_params(labelsize=7)
    samples = plan.case.samples
    axes.plot(samples.easting_m, samples.northing_m, "o", ms=3, mfc="white", mec=INK, mew=0.7)
    said = "mapped" if found else "no pattern found: one level"
    axes.set_title(f"{quantity}, mean\n{said}, {surface.evidence.samples} samples", fontsize=9, color=INK, y=1.0)
    map_frame(axes, plan.case.field, reader(plan.case.units))


def _shown_unit(unit: str, read: Reader) -> tuple[float, str]:
    if unit == "kg/ha/day":
        return read.kg_ha_per_rate, f"supply, {read.rate_unit}/day"
    return 1.0, unit


def _colour(rate: float, levels: Sequence[float], zone: int) -> str:
    if zone == 0:
        return _NO_SPREAD
    most = len(_RATE_COLOURS) - 1
    return _RATE_COLOURS[round(most * rate / levels[-1]) if levels[-1] > 0 else 0]


def patch(polygon: Polygon) -> Any:
    """Polygon with its holes as one path."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    rings = [polygon.exterior, *polygon.interiors]
    vertices = np.concatenate([np.asarray(ring.coords)[:, :2] for ring in rings])
    codes = np.concatenate(
        [[Outline.MOVETO, *[Outline.LINETO] * (len(ring.coords) - 2), Outline.CLOSEPOLY] for ring in rings]
    )
    return PathPatch(Outline(vertices, codes))


def _zone_parts(plan: Plan) -> list[tuple[Polygon, int]]:
    """Parts of the zones that something may be spread on, each with its zone number."""
    return [
        (polygon, int(number))
        for polygon, number in zip(plan.prescription.polygon, plan.prescription.zone, strict=True)
        if number > 0
    ]


def label_parts(axes: Axes, plan: Plan, parts: Sequence[tuple[Polygon, str]]) -> None:
    """Write a text on each of the largest parts."""
    least = _LABELLED_INSIDE * plan.grid.shape[1] * plan.grid.cell_m
    for part, text in sorted(parts, key=lambda each: -each[0].area)[:_MOST_LABELS]:
        _label(axes, part, text, least_radius_m=least)


def _label(axes: Axes, part: Polygon, text: str, *, least_radius_m: float) -> None:
    """Write inside a part where there is room, above it in one line where there is not."""
    from shapely import maximum_inscribed_circle

    radius = maximum_inscribed_circle(part, tolerance=math.sqrt(part.area) / 50)
    easting_m, northing_m = radius.coords[0]
    box = {"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.85}
    if radius.length >= least_radius_m:
        axes.text(easting_m, northing_m, text, ha="center", va="center", fontsize=8, color=INK, bbox=box)
        return
    axes.annotate(
        text.replace("\n", ": "),
        ((part.bounds[0] + part.bounds[2]) / 2, part.bounds[3]),
        (0, 4),
        textcoords="offset points",
        ha="center",
        fontsize=7,
        color=INK,
        bbox=box,
    )
