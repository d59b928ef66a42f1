"""Maps of cells: rates and differences as pictures in the field's metres, with what surrounds them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from zonemap.report.style import FAINT, INK
from zonemap.values.arrays import FloatArray
from zonemap.values.field import Field
from zonemap.values.grid import Grid

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: straw to teal as on the map of rates; blue for too little, white for right, brown for too much
CELL_RATES = ("#f3ecd2", "#a9bf8f", "#3d8787", "#2c4468")
CELL_ERRORS = ("#2c5f8a", "#9cc3dc", "#ffffff", "#e0b184", "#8f4f1e")


def cells_picture(
    axes: Axes, grid: Grid, values: FloatArray, colours: tuple[str, ...], *, least: float, most: float | None
) -> Any:
    """Draw a cell vector in the field's metres."""
    from matplotlib.colors import LinearSegmentedColormap

    west, north = grid.west_m, grid.north_m
    extent = (west, west + grid.shape[1] * grid.cell_m, north - grid.shape[0] * grid.cell_m, north)
    scale = LinearSegmentedColormap.from_list("of_the_report", colours)
    image = grid.raster(values, outside=np.nan)
    return axes.imshow(image, extent=extent, cmap=scale, interpolation="nearest", vmin=least, vmax=most)


def bar_beside(figure: Figure, axes: Axes, picture: Any, label: str, *, extend: str = "neither") -> None:
    """Scale beside a map, in a place of its own so that all maps keep one size."""
    bar = figure.colorbar(picture, cax=axes.inset_axes((1.02, 0.2, 0.03, 0.6)), extend=extend)
    bar.set_label(label, fontsize=8)
    bar.ax.tick_params(labelsize=7)


def outline_and_closed(axes: Axes, field: Field) -> None:
    """Draw the field's outline, and hatch where nothing may be spread."""
    for part in field.boundary.geoms:
        for ring in (part.exterior, *part.interiors):
            axes.plot(*ring.xy, color=INK, linewidth=0.9)
    for place in field.no_spread:
        for part in place.area.geoms:
            axes.fill(*part.exterior.xy, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0.5)
