"""The picture of what was spread: planned, spread, and the difference, by cell."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from zonemap.amounts import reader
from zonemap.report.cells import CELL_ERRORS, CELL_RATES, bar_beside, cells_picture, outline_and_closed
from zonemap.report.shown import named
from zonemap.report.spread import amount_in
from zonemap.report.style import FAINT, INK, map_frame, save_picture, text_as_it_stands
from zonemap.values.file_units import file_units
from zonemap.values.spread_comparison import PassComparison, SpreadComparison

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_ROWS = 4
#: inches
_PANEL_WIDTH = 3.7
#: of the rates, and of the differences, what lies beyond this quantile is shown as its end of the scale
_SHOWN = 0.98
#: the scale of differences ends no nearer than this share of the highest planned rate
_LEAST_DIFFERENCE = 0.1
_TITLE: dict[str, Any] = {"fontsize": 9, "color": INK, "y": 1.0}


def draw_spread(comparison: SpreadComparison, path: Path, *, dots_per_inch: int = 110) -> None:
    """Write the picture (PNG): a row a product, planned beside spread beside the difference."""
    save_picture(spread_figure(comparison), path, dots_per_inch=dots_per_inch)


@text_as_it_stands
def spread_figure(comparison: SpreadComparison) -> Figure:
    """Planned and spread on one scale of rates, the difference on one about 0; zones outlined, no-spread hatched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    drawn, field = comparison.passes[:_MOST_ROWS], comparison.field
    west, south, east, north = field.boundary.bounds
    panel = _PANEL_WIDTH * min(max((north - south) / (east - west), 0.5), 1.3) + 0.75
    height = panel * len(drawn) + 0.5
    figure = Figure(figsize=(3 * _PANEL_WIDTH + 0.6, height))
    FigureCanvasAgg(figure)
    left_out = len(comparison.passes) - len(drawn)
    more = f" (the first {len(drawn)} of {len(comparison.passes)}; all are in spread.csv)" if left_out else ""
    title = f"{field.name}: what was spread against what was planned{more}"
    figure.suptitle(title, color=INK, fontsize=13, x=0.02, y=1 - 0.1 / height, ha="left", va="top")
    axes = figure.subplots(len(drawn), 3, squeeze=False)
    figure.subplots_adjust(left=0.01, right=0.93, top=1 - 0.9 / height, bottom=0.02, wspace=0.3, hspace=0.5 / panel)
    for row, each in zip(axes, drawn, strict=True):
        _row(figure, row, comparison, each)
    return figure


def _row(figure: Figure, row: Sequence[Axes], comparison: SpreadComparison, each: PassComparison) -> None:
    units = file_units(comparison.units, each.application.product)
    planned, laid = (values / units.kg_ha_per_rate for values in (each.planned_kg_ha, each.laid.rate_kg_ha))
    off = each.difference_kg_ha / units.kg_ha_per_rate
    highest = max(float(planned.max()), float(np.quantile(laid, _SHOWN)), 1e-9)
    furthest = max(float(np.quantile(np.abs(off), _SHOWN)), _LEAST_DIFFERENCE * highest)
    grid, whole = comparison.grid, each.whole
    picture = cells_picture(row[0], grid, planned, CELL_RATES, least=0.0, most=highest)
    bar_beside(figure, row[0], picture, units.rate_unit)
    row[0].set_title(f"{named(each.application)}\nplanned, {amount_in(whole.planned_kg, units)}", **_TITLE)
    picture = cells_picture(row[1], grid, laid, CELL_RATES, least=0.0, most=highest)
    bar_beside(figure, row[1], picture, units.rate_unit, extend="max")
    row[1].set_title(f"spread, {amount_in(whole.spread_kg, units)}\n{_covered(each)}", **_TITLE)
    picture = cells_picture(row[2], grid, off, CELL_ERRORS, least=-furthest, most=furthest)
    bar_beside(figure, row[2], picture, f"spread less planned, {units.rate_unit}", extend="both")
    share = whole.within_10_percent
    within = "" if share is None else f"\n{share:.0%} of the area within 10%"
    row[2].set_title(f"difference{within}", **_TITLE)
    for axes in row:
        _zones(axes, comparison)
        outline_and_closed(axes, comparison.field)
        map_frame(axes, comparison.field, reader(comparison.units))


def _covered(each: PassComparison) -> str:
    whole = each.whole
    if whole.not_covered is None:
        return f"{each.records:,} records"
    return f"{whole.not_covered:.0%} not covered, {whole.covered_twice:.0%} twice"


def _zones(axes: Axes, comparison: SpreadComparison) -> None:
    """Edges of the planned polygons, where they lie in the field."""
    from matplotlib.collections import LineCollection

    edges = shapely.boundary(np.array(comparison.prescription.polygon, dtype=object))
    inside = shapely.get_parts(shapely.get_parts(shapely.intersection(edges, comparison.field.boundary)))
    lines = [shapely.get_coordinates(part) for part in inside if part.geom_type == "LineString"]
    axes.add_collection(LineCollection(lines, colors=FAINT, linewidths=0.7))
