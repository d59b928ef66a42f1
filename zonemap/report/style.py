"""What all pictures share: ink, quiet axes, and the frame of a map."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import IO, TYPE_CHECKING, ParamSpec, TypeAlias, TypeVar

from zonemap.amounts import Reader
from zonemap.values import colours
from zonemap.values.field import Field

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_Given = ParamSpec("_Given")
_Drawn = TypeVar("_Drawn")

#: what a picture is written to
PictureFile: TypeAlias = Path | IO[bytes]

INK = colours.INK
FAINT = "#8b9296"
#: perceptual and safe for the colour-blind: dry straw to deep teal
RATE_COLOURS = ("#f3ecd2", "#d9cf9a", "#a9bf8f", "#6fa68c", "#3d8787", "#2b6f80", "#27597a", "#2c4468")
_LIGHTER = 4
#: of zlib, 1 to 9: against its usual 6 the files are a sixth larger and written in half the time
_PNG_EFFORT = 1


def save_picture(figure: Figure, path: PictureFile, *, dots_per_inch: int) -> None:
    """Write a figure as PNG; the same figure gives the same bytes."""
    effort = {"compress_level": _PNG_EFFORT}
    figure.savefig(path, dpi=dots_per_inch, metadata={"Software": None}, pil_kwargs=effort)


def text_as_it_stands(draw: Callable[_Given, _Drawn]) -> Callable[_Given, _Drawn]:
    """Decorate what makes a figure: a dollar sign in the name of a field or a product begins no formula."""

    @wraps(draw)
    def plainly(*args: _Given.args, **named: _Given.kwargs) -> _Drawn:
        from matplotlib import rc_context

        with rc_context({"text.parse_math": False}):
            return draw(*args, **named)

    return plainly


def rate_colour(rate: float, highest: float) -> str:
    """Colour of a rate on a scale from 0 to the highest; light enough that what is written on paper can be read."""
    return RATE_COLOURS[round(_LIGHTER * rate / highest) if highest > 0 else 0]


def quiet_axes(axes: Axes) -> None:
    """Small ticks, and no frame above and to the right."""
    axes.tick_params(labelsize=7, colors=INK, length=2.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(FAINT)


def map_frame(axes: Axes, field: Field, read: Reader) -> None:
    """Equal scale, a scale bar and a north mark instead of axes."""
    west, south, east, north = field.boundary.bounds
    margin = 0.04 * max(east - west, north - south)
    axes.set_xlim(west - margin, east + margin)
    axes.set_ylim(south - 2.5 * margin, north + margin)
    axes.set_aspect("equal")
    axes.set_axis_off()
    metres, text = scale_bar((east - west) / 4, feet=read.rate_unit == "lb/ac")
    base = south - 1.6 * margin
    axes.plot([west, west + metres], [base, base], color=INK, linewidth=2, solid_capstyle="butt")
    axes.text(west + metres + margin / 2, base, text, fontsize=7, va="center", color=INK)
    axes.annotate(
        "N",
        xy=(east, base + 1.4 * margin),
        xytext=(east, base - 0.3 * margin),
        fontsize=8,
        ha="center",
        color=INK,
        arrowprops={"arrowstyle": "-|>", "color": INK},
    )


def scale_bar(target_m: float, *, feet: bool) -> tuple[float, str]:
    """Longest round length not above the target."""
    unit = 0.3048 if feet else 1.0
    sizes = [factor * 10.0**power for power in range(5) for factor in (1, 2, 5)]
    size = max((s for s in sizes if s * unit <= target_m), default=1.0)
    return size * unit, f"{size:g} {'ft' if feet else 'm'}"
