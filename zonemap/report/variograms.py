"""The picture for the specialist: how unlike the samples are by their distance, and the model that was fitted."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from zonemap.amounts import Reader, reader
from zonemap.geostat.covariance import CORRELATIONS
from zonemap.report.style import FAINT, INK, PictureFile, save_picture, text_as_it_stands
from zonemap.report.words import (
    across_field_m,
    compass,
    length_unit,
    measured_spread,
    misses,
    practical_range_m,
    shown_unit,
    two_digits,
)
from zonemap.values.plan import Plan
from zonemap.values.surface import Surface
from zonemap.values.variogram import EmpiricalVariogram, Variogram

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: accents of the map picture
_MODEL = "#27597a"
_REAL = "#6fa68c"
_ERROR = "#d08c3f"
_LEAST_COLUMNS, _MOST_COLUMNS = 2, 3
#: entries of the key side by side, by columns of panels
_KEY_COLUMNS = {2: 2, 3: 3}
_KEY_ENTRIES = 5
#: inches
_PANEL_WIDTH, _PANEL_HEIGHT = 3.3, 3.0
#: points squared: of the lag class with the most pairs, and the least of any
_LARGEST, _SMALLEST = 90.0, 6.0
#: width of the nugget bar, as a share of the axis
_BAR = 0.025
_CURVE_POINTS = 120


def draw_variograms(plan: Plan, path: PictureFile, *, dots_per_inch: int = 110) -> None:
    """Write `variogram_figure` (PNG)."""
    save_picture(variogram_figure(plan), path, dots_per_inch=dots_per_inch)


@text_as_it_stands
def variogram_figure(plan: Plan) -> Figure:
    """Draw a panel a quantity, on the scale on which it was modelled.

    The curve is drawn only where structure was found: otherwise its range means nothing, and the level of the samples'
    variance is drawn instead.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    surfaces = list(plan.surfaces.values())
    columns = min(max(len(surfaces), _LEAST_COLUMNS), _MOST_COLUMNS)
    rows = max(-(-len(surfaces) // columns), 1)
    key_height = 0.06 + 0.22 * -(-_KEY_ENTRIES // _KEY_COLUMNS[columns])
    width, height = _PANEL_WIDTH * columns, _PANEL_HEIGHT * rows + 0.55 + key_height
    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    figure.suptitle(
        f"{plan.case.field.name}: how unlike samples are by their distance",
        color=INK,
        fontsize=11,
        x=0.02,
        y=1 - 0.1 / height,
        ha="left",
        va="top",
    )
    # a fixed layout: fitting one to the texts takes longer than drawing
    figure.subplots_adjust(
        left=0.62 / width,
        right=1 - 0.12 / width,
        top=1 - 1.1 / height,
        bottom=(0.55 + key_height) / height,
        wspace=0.28,
        hspace=0.62,
    )
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for panel, surface in zip(axes, surfaces, strict=False):
        spread = measured_spread(plan, surface.quantity)
        _panel(panel, surface, reader(plan.case.units), spread=spread, across_m=across_field_m(plan))
    for unused in axes[len(surfaces) :]:
        unused.set_axis_off()
    _key(figure, ncols=_KEY_COLUMNS[columns], bottom=0.06 / height)
    return figure


def _panel(axes: Axes, surface: Surface, read: Reader, *, spread: float, across_m: float) -> None:
    title = _title(surface, read, spread=spread, across_m=across_m)
    axes.set_title(title, fontsize=8, color=INK, loc="left", linespacing=1.3, y=1.0)
    evidence = surface.evidence
    if evidence.empirical is None or evidence.empirical.lag_m.size == 0:
        axes.text(0.5, 0.5, "no variogram", ha="center", va="center", fontsize=8, color=FAINT)
        axes.set_axis_off()
        return
    metres, length = length_unit(read)
    square, unit = _square(surface, read)
    _frame(axes, lag=f"distance, {length}", semivariance=f"semivariance, {unit}")
    farthest = float(evidence.empirical.lag_m.max()) / metres * 1.08
    if evidence.variogram is not None:
        found = evidence.structure == "found"
        _model(axes, evidence.variogram, found=found, farthest=farthest, metres=metres, square=square)
    _points(axes, evidence.empirical, metres=metres, square=square)
    axes.set_xlim(0, farthest)
    axes.set_ylim(0, axes.dataLim.ymax * 1.18)


def _title(surface: Surface, read: Reader, *, spread: float, across_m: float) -> str:
    """Quantity, scale and share of nugget; what was found; what leave-one-out says."""
    evidence = surface.evidence
    scale = {"log": "log scale", "none": "as measured", "box_cox": "Box-Cox scale"}[surface.transform.name]
    model = evidence.variogram if evidence.structure == "found" else None
    nugget = "" if model is None else f", nugget {model.nugget_ratio:.0%}"
    lines = [f"{surface.quantity}, {evidence.samples} samples, {scale}{nugget}", _verdict(surface, read, across_m)]
    check = evidence.cross_validation
    if check is not None and misses(evidence):
        factor, unit = shown_unit(surface.unit, read)
        of = f" of spread {two_digits(spread / factor)}" if spread > 0 else ""
        lines.append(f"left-out RMSE {two_digits(check.rmse / factor)}{of} {unit}")
        lines.append(f"MSDR {check.msdr:.2f}, {check.coverage_90:.0%} inside their 90% interval")
    return "\n".join(lines)


def _verdict(surface: Surface, read: Reader, across_m: float) -> str:
    evidence = surface.evidence
    tested = "" if math.isnan(evidence.structure_p) else f" (p {evidence.structure_p:.2g})"
    if evidence.structure == "too_few":
        return "too few samples to look for structure"
    if evidence.structure == "not_found":
        return f"structure not found{tested}" if tested else "structure not asked for"
    if evidence.variogram is None:
        return f"structure found{tested}"
    metres, length = length_unit(read)
    range_m = practical_range_m(evidence.variogram)
    reach = "> field" if range_m >= across_m else f"{two_digits(range_m / metres)} {length}"
    toward = "" if evidence.variogram.ratio == 1 else f" {compass(evidence.variogram.azimuth_deg)}"
    return f"structure found{tested}, range {reach}{toward}"


def _square(surface: Surface, read: Reader) -> tuple[float, str]:
    """Semivariance in one unit of the axis, and that unit."""
    if surface.transform.name == "none":
        factor, unit = shown_unit(surface.unit, read)
        return factor**2, f"({unit})²"
    return 1.0, "log units²" if surface.transform.name == "log" else "transformed units²"


def _model(axes: Axes, variogram: Variogram, *, found: bool, farthest: float, metres: float, square: float) -> None:
    """Curve (or level) and the nugget as a bar on the axis, its measurement part apart."""
    error, nugget = variogram.measurement_variance / square, variogram.nugget / square
    bar = farthest * _BAR
    if found:
        lag = np.linspace(0.0, farthest, _CURVE_POINTS)
        # with a direction: along it, and across it in a thin line
        for ratio, width in ((1.0, 1.6), (variogram.ratio, 0.8))[: 1 if variogram.ratio == 1 else 2]:
            correlation = CORRELATIONS[variogram.family](lag * metres / (ratio * variogram.range_m))
            curve = (variogram.nugget + variogram.partial_sill * (1.0 - correlation)) / square
            axes.plot(lag, curve, color=_MODEL, linewidth=width)
        axes.bar(bar / 2, nugget - error, width=bar, bottom=error, color=_REAL)
    else:
        axes.axhline(variogram.sill / square, color=FAINT, linewidth=1.0, linestyle=(0, (4, 3)))
    axes.bar(bar / 2, error, width=bar, color=_ERROR)


def _points(axes: Axes, empirical: EmpiricalVariogram, *, metres: float, square: float) -> None:
    """Semivariances, their area by the number of pairs, the number above each."""
    area = np.maximum(_LARGEST * empirical.pairs / empirical.pairs.max(), _SMALLEST)
    lag, semivariance = empirical.lag_m / metres, empirical.semivariance / square
    axes.scatter(lag, semivariance, s=area, color=INK, alpha=0.75, linewidths=0, zorder=3, clip_on=False)
    for x, y, size, pairs in zip(lag, semivariance, area, empirical.pairs, strict=True):
        axes.annotate(
            str(pairs),
            (x, y),
            (0, math.sqrt(size) / 2 + 2),
            textcoords="offset points",
            ha="center",
            fontsize=6,
            color=INK,
            bbox={"boxstyle": "square,pad=0.05", "facecolor": "white", "edgecolor": "none", "alpha": 0.7},
        )


def _frame(axes: Axes, *, lag: str, semivariance: str) -> None:
    axes.set_xlabel(lag, fontsize=8, color=INK)
    axes.set_ylabel(semivariance, fontsize=8, color=INK)
    axes.tick_params(labelsize=7, colors=INK)
    axes.locator_params(nbins=4)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _key(figure: Figure, *, ncols: int, bottom: float) -> None:
    """One key for all panels, below them."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    figure.legend(
        handles=[
            Line2D([], [], marker="o", linestyle="", color=INK, alpha=0.75, label="pairs of samples and their number"),
            Line2D([], [], color=_MODEL, label="fitted model (range: correlation down to 0.05)"),
            Patch(color=_REAL, label="nugget: short-range variation"),
            Patch(color=_ERROR, label="measurement error"),
            Line2D([], [], color=FAINT, linestyle=(0, (4, 3)), label="variance, where no structure is found"),
        ],
        loc="lower left",
        bbox_to_anchor=(0.01, bottom),
        ncols=ncols,
        fontsize=8,
        frameon=False,
        labelcolor=INK,
    )
