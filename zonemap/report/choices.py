"""The picture of the choice of zones: what every number of them is expected to lose, and how sure the zones are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from zonemap.amounts import Reader, reader
from zonemap.report.figures import label_parts, patch
from zonemap.report.style import FAINT, INK, PictureFile, map_frame, quiet_axes, save_picture, text_as_it_stands
from zonemap.values.plan import Plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: accents of the map picture
_TRIED = "#3d8787"
_CHOSEN = "#d08c3f"
_FUZZY = ("#27597a", "#6fa68c")
#: inches
_PANEL_WIDTH, _HEIGHT = 4.4, 3.9


def draw_choices(plan: Plan, path: PictureFile, *, dots_per_inch: int = 110) -> None:
    """Write `choices_figure` (PNG)."""
    save_picture(choices_figure(plan), path, dots_per_inch=dots_per_inch)


@text_as_it_stands
def choices_figure(plan: Plan) -> Figure:
    """Draw loss by number of zones; fuzziness where zones are fuzzy; certainty of the zones where there are several."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    panels = 1 + bool(plan.choice.fuzziness) + (plan.choice.certainty is not None)
    width = _PANEL_WIDTH * panels
    figure = Figure(figsize=(width, _HEIGHT))
    FigureCanvasAgg(figure)
    title = f"{plan.case.field.name}: how many zones, and how sure they are"
    figure.suptitle(title, color=INK, fontsize=11, x=0.02, y=1 - 0.1 / _HEIGHT, ha="left", va="top")
    # a fixed layout: fitting one to the texts takes longer than drawing
    figure.subplots_adjust(
        left=0.75 / width, right=1 - 0.3 / width, top=1 - 0.85 / _HEIGHT, bottom=0.55 / _HEIGHT, wspace=0.32
    )
    axes = list(figure.subplots(1, panels, squeeze=False).ravel())
    _loss_panel(axes.pop(0), plan)
    if plan.choice.fuzziness:
        _fuzzy_panel(axes.pop(0), plan)
    if plan.choice.certainty is not None:
        _certainty_panel(figure, axes.pop(0), plan)
    return figure


def _loss_panel(axes: Axes, plan: Plan) -> None:
    value, read = plan.value, reader(plan.case.units)
    factor, unit = _loss_unit(plan, read)
    count = np.array([1, *value.zones_loss])
    loss = np.array([value.flat_loss, *value.zones_loss.values()]) * factor
    axes.plot(count, loss, color=_TRIED, linewidth=1.2, zorder=1)
    for number, lost in zip(count.tolist(), loss.tolist(), strict=True):
        alike = number in plan.choice.alike
        taken = number == value.zones
        edge = _CHOSEN if taken else _TRIED
        face = "white" if alike else edge
        axes.scatter(number, lost, s=70 if taken else 36, color=face, edgecolors=edge, linewidths=1.4, zorder=2)
    axes.axhline(value.cell_loss * factor, color=FAINT, linewidth=1.0, linestyle=(0, (4, 2)))
    axes.annotate(
        "every cell its own rate", (count[-1], value.cell_loss * factor), (0, -4),
        textcoords="offset points", fontsize=7, ha="right", va="top", color=INK,
    )  # fmt: skip
    chosen = value.chosen_loss * factor
    axes.annotate("chosen", (value.zones, chosen), (7, 5), textcoords="offset points", fontsize=7.5, color=INK)
    axes.set_ylim(0, 1.12 * loss.max())
    axes.set_xlim(0.6, count[-1] + 0.4)
    axes.set_xticks(count)
    alike_said = "; hollow: not told apart" if plan.choice.alike else ""
    _plain(axes, f"number of zones{alike_said}", unit, "Expected loss by being short or over")


def _loss_unit(plan: Plan, read: Reader) -> tuple[float, str]:
    if plan.value.priced:
        return read.ha_per_area, f"money per {read.area_unit}"
    nothing = plan.value.nothing_loss
    return (100 / nothing if nothing > 0 else 1.0), "% of spreading nothing"


def _fuzzy_panel(axes: Axes, plan: Plan) -> None:
    count = list(plan.choice.fuzziness)
    names = ("fuzzy performance index", "classification entropy")
    for row, (name, colour) in enumerate(zip(names, _FUZZY, strict=True)):
        index = [indices[row] for indices in plan.choice.fuzziness.values()]
        axes.plot(count, index, color=colour, marker="os"[row], markersize=4, linewidth=1.2, label=name)
    axes.set_xticks(count)
    axes.set_ylim(0, None)
    axes.legend(fontsize=7, frameon=False)
    _plain(axes, "number of zones", "0 crisp, 1 fuzzy", "How fuzzy the groups are")


def _certainty_panel(figure: Figure, axes: Axes, plan: Plan) -> None:
    """How likely each cell is most like its own zone, under the outlines of the zones."""
    from matplotlib.collections import PatchCollection

    grid, certainty = plan.grid, plan.choice.certainty
    if certainty is None:
        return
    extent = (
        grid.west_m,
        grid.west_m + grid.shape[1] * grid.cell_m,
        grid.north_m - grid.shape[0] * grid.cell_m,
        grid.north_m,
    )
    picture = axes.imshow(
        grid.raster(100 * certainty, outside=np.nan),
        extent=extent,
        cmap="cividis",
        interpolation="nearest",
        vmin=0,
        vmax=100,
    )
    # a long field stands at the left of its panel, so that its title has room
    bar = figure.colorbar(picture, ax=axes, shrink=0.7, pad=0.03, panchor="W")
    bar.set_label("%", fontsize=8)
    bar.ax.tick_params(labelsize=7)
    outlines = [patch(part) for area in plan.outlines.area for part in area.geoms]
    axes.add_collection(PatchCollection(outlines, facecolors="none", edgecolors="white", linewidths=1.0))
    parts = [(part, n) for n, area in zip(plan.outlines.zone, plan.outlines.area, strict=True) for part in area.geoms]
    label_parts(axes, plan, [(part, str(number)) for part, number in parts])
    axes.set_title("Probability that a place is most like its zone", fontsize=8.5, color=INK, loc="left", y=1.0)
    map_frame(axes, plan.case.field, reader(plan.case.units))


def _plain(axes: Axes, across: str, up: str, title: str) -> None:
    axes.set_xlabel(across, fontsize=7.5, color=INK)
    axes.set_ylabel(up, fontsize=7.5, color=INK)
    axes.set_title(title, fontsize=8.5, color=INK, loc="left", y=1.0)
    quiet_axes(axes)
