"""The picture of a comparison: ranks against ranks, and where on the field they part."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from zonemap.amounts import Reader, reader
from zonemap.report.comparison import TREND_WORDS
from zonemap.report.style import INK, map_frame, text_as_it_stands
from zonemap.report.words import shown_unit
from zonemap.values.arrays import FloatArray
from zonemap.values.comparison import STANDS_OUT, Comparison, QuantityComparison, SetComparison

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_PALE = "#8a9296"
#: the other set ranks lower (orange), alike (pale), higher (blue): told apart with any colour vision
_LOWER, _ALIKE, _HIGHER = "#c2571a", "#e6e4de", "#1f5f99"
#: rows of the picture; what is left out is in the tables
_MOST_ROWS = 12
#: inches
_ROW_HEIGHT, _SCATTER_WIDTH, _MAP_WIDTH = 3.4, 3.7, 4.1
#: points squared: a place whose ranks agree, and what a difference of the whole ranking adds
_LEAST_AREA, _MORE_AREA = 14.0, 200.0


@text_as_it_stands
def draw_comparison(comparison: Comparison, path: Path, *, dots_per_inch: int = 110) -> None:
    """Write the picture (PNG): a row a quantity, ranks against ranks beside a map of the rank differences."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = [(each, quantity) for each in comparison.sets for quantity in each.quantities]
    drawn, left_out = rows[:_MOST_ROWS], len(rows) - _MOST_ROWS
    height = _ROW_HEIGHT * len(drawn) + 1.0
    figure = Figure(figsize=(_SCATTER_WIDTH + _MAP_WIDTH, height))
    FigureCanvasAgg(figure)
    more = f" (the first {_MOST_ROWS} of {len(rows)}; all are in compare.csv)" if left_out > 0 else ""
    title = f"{comparison.field.name}: how two sets rank the same places{more}"
    figure.suptitle(title, color=INK, fontsize=12, x=0.02, y=1 - 0.1 / height, ha="left", va="top")
    axes = figure.subplots(len(drawn), 2, squeeze=False, width_ratios=(_SCATTER_WIDTH, _MAP_WIDTH))
    # a fixed layout: fitting one to the texts takes longer than drawing
    figure.subplots_adjust(left=0.06, right=0.985, top=1 - 0.85 / height, bottom=0.62 / height, wspace=0.06, hspace=0.4)
    read = reader(comparison.units)
    for (scatter, place), (each, quantity) in zip(axes, drawn, strict=True):
        _rank_panel(scatter, each, quantity, read)
        _map_panel(place, comparison, each, quantity, read)
    figure.savefig(path, dpi=dots_per_inch, metadata={"Software": None})


def _rank_panel(axes: Axes, each: SetComparison, quantity: QuantityComparison, read: Reader) -> None:
    """Ranks in the other set against ranks in the first; inside the band they lie less than a third apart."""
    from matplotlib.ticker import MaxNLocator

    n = len(quantity.sample)
    one, other = (1 + share * max(n - 1, 0) for share in (quantity.share, quantity.other_share))
    end, band = max(n, 2), STANDS_OUT * max(n - 1, 1)
    axes.fill_between([1, end], [1 - band, end - band], [1 + band, end + band], color="#f1f0ec", linewidth=0)
    axes.plot([1, end], [1, end], color=_PALE, linewidth=0.8)
    axes.scatter(one, other, s=22, c=_colours(quantity), edgecolors=INK, linewidths=0.5, zorder=3)
    margin = 0.04 * end
    axes.set_xlim(1 - margin, end + margin)
    axes.set_ylim(1 - margin, end + margin)
    axes.set_aspect("equal")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(integer=True, nbins=8))
    axes.tick_params(labelsize=7, color=_PALE, labelcolor=INK)
    axes.set_xlabel(_axis(each.first.name, quantity.quantity, quantity.unit, read), fontsize=8, color=INK)
    axes.set_ylabel(_axis(each.other.name, quantity.other_quantity, quantity.other_unit, read), fontsize=8, color=INK)
    for spine in axes.spines.values():
        spine.set_color(_PALE)
    axes.set_title(_title(quantity), fontsize=9, color=INK, y=1.0, loc="left")


def _axis(name: str, quantity: str, unit: str, read: Reader) -> str:
    name = name if len(name) <= 28 else f"{name[:27]}…"
    return f"rank of {quantity} in {name}\n1 = lowest; values in {shown_unit(unit, read)[1]}"


def _title(quantity: QuantityComparison) -> str:
    r, mapped = quantity.correlation, quantity.how == "kriged"
    words, _, why = TREND_WORDS[quantity.trend].partition(": ")
    count = f"{r.pairs} {'mapped place' if mapped else 'pair'}{'s' * (r.pairs != 1)}"
    if not quantity.says_something:
        return f"{quantity.name}, {count}: {words}" + (f"\n{why}" if why else "")
    interval = "" if math.isnan(r.low_95) else f" ({r.low_95:.2f} to {r.high_95:.2f})"
    return f"{quantity.name}, {count}: {words}\nrank correlation {r.coefficient:.2f}{interval}"


def _map_panel(
    axes: Axes, comparison: Comparison, each: SetComparison, quantity: QuantityComparison, read: Reader
) -> None:
    """Field outline with the pairs, coloured and sized by how far their ranks lie apart."""
    from matplotlib.patheffects import withStroke

    for polygon in comparison.field.boundary.geoms:
        for ring in (polygon.exterior, *polygon.interiors):
            axes.plot(*np.asarray(ring.coords)[:, :2].T, color=_PALE, linewidth=0.9)
    size = _LEAST_AREA + _MORE_AREA * _told(quantity) ** 2
    axes.scatter(
        quantity.easting_m, quantity.northing_m, s=size, c=_colours(quantity), edgecolors=INK, linewidths=0.5, zorder=3
    )
    for index in np.flatnonzero(quantity.stands_out).tolist():
        at = (float(quantity.easting_m[index]), float(quantity.northing_m[index]))
        radius = math.sqrt(float(size[index]) / math.pi)
        axes.annotate(
            quantity.place(index)[:12],
            at,
            (0, radius + 1.5),
            textcoords="offset points",
            ha="center",
            fontsize=6.5,
            color=INK,
            zorder=4,
            path_effects=[withStroke(linewidth=1.8, foreground="white")],
        )
    if quantity.says_something:
        _key(axes, each.other.name)
    map_frame(axes, comparison.field, read)


def _key(axes: Axes, name: str) -> None:
    """What colours and sizes mean, above the map."""
    from matplotlib.lines import Line2D

    name = name if len(name) <= 16 else f"{name[:15]}…"
    marks = [
        Line2D([], [], marker="o", linestyle="", color=colour, markeredgecolor=INK, markeredgewidth=0.5, markersize=s)
        for colour, s in ((_LOWER, 7.5), (_ALIKE, 4.2), (_HIGHER, 7.5))
    ]
    words = [f"{name} ranks lower", "alike", "higher"]
    axes.legend(
        marks,
        words,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=3,
        fontsize=7.5,
        frameon=False,
        handletextpad=0.2,
        columnspacing=0.9,
        borderaxespad=0.2,
    )


def _told(quantity: QuantityComparison) -> FloatArray:
    """Rank differences that may be shown: none where nothing can be said of the two sets."""
    return quantity.rank_difference if quantity.says_something else np.zeros(len(quantity.sample))


def _colours(quantity: QuantityComparison) -> Any:
    """(pairs, 4) from orange over pale to blue; full colour from two thirds of the ranking on."""
    from matplotlib.colors import LinearSegmentedColormap

    scale = LinearSegmentedColormap.from_list("ranks", (_LOWER, _ALIKE, _HIGHER))
    return scale(np.clip(0.5 + _told(quantity) / (4 * STANDS_OUT), 0, 1))
