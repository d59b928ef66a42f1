"""How a layer of a map is coloured and labelled, whatever language the style is written in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from zonemap.values.colours import RATE_COLOURS, share_from, step_of

EDGE = "#ffffff"
NO_SPREAD_EDGE = "#8b9296"
NO_SPREAD_TITLE = "no spread"


@dataclass(frozen=True, slots=True)
class Coloured:
    """A layer coloured by a column.

    Attributes
    ----------
    layer, name
        Name of the layer, and of the style.
    column
        Numbers, 0 or more, to colour by.
    values, unit
        What the column holds, and its unit for the legend.
    label
        Column whose text stands on each polygon.
    only
        (column, text) pairs that a row must hold to be drawn; an empty text means that the column is empty.
    """

    layer: str
    name: str
    column: str
    values: Sequence[float]
    unit: str
    label: str
    only: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ColourClass:
    """A colour that some value takes.

    Attributes
    ----------
    colour, title
        As #rrggbb, and what the legend says.
    least, below
        Bounds as they stand in a style: at least, and less than; ``None`` where there is none.
    """

    colour: str
    title: str
    least: str | None
    below: str | None


def classes_of(style: Coloured) -> tuple[ColourClass, ...]:
    """Classes in use, from nothing to the largest value."""
    most = max(style.values, default=0.0)
    by_step: dict[int, list[float]] = {}
    for value in sorted(set(style.values)):
        by_step.setdefault(step_of(value / most) if most > 0 else 0, []).append(value)
    last = len(RATE_COLOURS) - 1
    classes = []
    for step, values in by_step.items():
        least = f"{share_from(step) * most:.12g}" if step else None
        below = f"{share_from(step + 1) * most:.12g}" if step < last else None
        ends = dict.fromkeys(f"{value:.4g}" for value in (values[0], values[-1]))
        classes.append(ColourClass(RATE_COLOURS[step], f"{' to '.join(ends)} {style.unit}".strip(), least, below))
    return tuple(classes)
