"""The picture of places to sample: the field, what is there, and the walk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from zonemap.amounts import reader
from zonemap.report.figures import patch
from zonemap.report.sampling import chosen_how, title_of
from zonemap.report.style import FAINT, INK, map_frame, save_picture, text_as_it_stands
from zonemap.values.arrays import FloatArray
from zonemap.values.sampling import PlaceKind, Sampling

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: mark and colour of each kind, told apart with any colour vision and without colour
_MARKS: dict[PlaceKind, tuple[str, str, str]] = {
    "cover": ("o", "#1f5f99", "even cover"),
    "core": ("o", "#1f5f99", "core"),
    "next": ("o", "#1f5f99", "next sample"),
    "pair": ("^", "#c2571a", "close beside another"),
}
_WALK = "#7fa3c2"
#: inches
_WIDTH, _MARGIN = 7.6, 0.25
_MOST_NUMBERED = 200


@text_as_it_stands
def draw_sampling(sampling: Sampling, path: Path, *, dots_per_inch: int = 130) -> None:
    """Write the picture (PNG): field, no-spread areas, samples that are there, numbered places and the walk."""
    import textwrap

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    west, south, east, north = sampling.about.field.boundary.bounds
    wide, tall = east - west, north - south
    margin = 0.04 * max(wide, tall)
    map_height = (_WIDTH - 2 * _MARGIN) * min(max((tall + 3.5 * margin) / (wide + 2 * margin), 0.35), 1.25)
    lines = textwrap.wrap(" ".join(chosen_how(sampling)), 108)
    title = textwrap.wrap(title_of(sampling), 72)
    heading = 0.22 * len(title)
    above = 0.55 + heading + 0.15 * len(lines) + 0.3
    height = map_height + above + _MARGIN
    figure = Figure(figsize=(_WIDTH, height))
    FigureCanvasAgg(figure)
    left = _MARGIN / _WIDTH
    figure.text(left, 1 - 0.2 / height, "\n".join(title), fontsize=12.5, color=INK, va="top")
    figure.text(left, 1 - (0.3 + heading) / height, "\n".join(lines), fontsize=8, color=INK, va="top", linespacing=1.35)
    axes = figure.add_axes((left, _MARGIN / height, 1 - 2 * left, map_height / height))
    _draw_ground(axes, sampling)
    _draw_places(axes, sampling)
    map_frame(axes, sampling.about.field, reader(sampling.about.units))
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=6,
        fontsize=8,
        frameon=False,
        handletextpad=0.3,
        borderpad=0.1,
    )
    save_picture(figure, path, dots_per_inch=dots_per_inch)


def _draw_ground(axes: Axes, sampling: Sampling) -> None:
    """The field, the areas where nothing is spread, and the samples that are there."""
    for part in sampling.about.field.boundary.geoms:
        shape = patch(part)
        shape.set(facecolor="#f6f4ec", edgecolor=INK, linewidth=1.2)
        axes.add_patch(shape)
    closed = [part for place in sampling.about.field.no_spread for part in place.area.geoms]
    for number, part in enumerate(closed):
        shape = patch(part)
        shape.set(facecolor="#ffffff", edgecolor=FAINT, linewidth=0.8, hatch="////")
        shape.set_label("no spread" if number == 0 else "_more")
        axes.add_patch(shape)
    if sampling.about.sampled:
        axes.plot(
            sampling.about.easting_m,
            sampling.about.northing_m,
            "o",
            ms=4,
            mfc="white",
            mec=INK,
            mew=0.8,
            label="sampled",
            zorder=3,
        )


def _draw_places(axes: Axes, sampling: Sampling) -> None:
    """The walk, and on it the places with the numbers of their names."""
    from matplotlib.patheffects import withStroke

    places = sampling.places
    axes.plot(places.easting_m, places.northing_m, color=_WALK, linewidth=1.0, label="walk", zorder=2)
    for kind, (mark, colour, words) in _MARKS.items():
        of_kind = np.array([each == kind for each in places.kind])
        if of_kind.any():
            axes.plot(
                places.easting_m[of_kind],
                places.northing_m[of_kind],
                mark,
                ms=6,
                mfc=colour,
                mec="white",
                mew=0.8,
                label=words,
                zorder=4,
            )
    size = 8 if places.count <= 60 else 6
    shown = min(places.count, _MOST_NUMBERED)
    for number, (east, north) in enumerate(_label_sides(sampling)[:shown].tolist(), start=1):
        axes.annotate(
            str(number),
            (float(places.easting_m[number - 1]), float(places.northing_m[number - 1])),
            (5 * east, 5 * north),
            textcoords="offset points",
            ha="left" if east > 0 else "right",
            va="bottom" if north > 0 else "top",
            fontsize=size,
            color=INK,
            zorder=5,
            path_effects=[withStroke(linewidth=1.8, foreground="white")],
        )


def _label_sides(sampling: Sampling) -> FloatArray:
    """(n, 2) on which side of each place its number stands, east and north 1 or -1: of a pair on far sides."""
    places = sampling.places
    at = np.column_stack([places.easting_m, places.northing_m])
    sides = np.ones((places.count, 2))
    by_name = {name: number for number, name in enumerate(places.name)}
    for number, other in enumerate(places.beside):
        if other in by_name:
            away = at[number] - at[by_name[other]]
            sides[number] = np.where(away >= 0, 1.0, -1.0)
            sides[by_name[other]] = -sides[number]
    return sides
