"""Colours that pictures and files share."""

from __future__ import annotations

INK = "#22282b"
#: dry straw for nothing to deep teal for the most: lightness falls at every step, so that it reads without hue too
RATE_COLOURS = ("#f3ecd2", "#d9cf9a", "#a9bf8f", "#6fa68c", "#3d8787", "#2b6f80", "#27597a", "#2c4468")
NO_SPREAD = "#ffffff"


def step_of(share: float) -> int:
    """Position in `RATE_COLOURS` of a share from 0 to 1 of the most.

    >>> step_of(0.0), step_of(0.5), step_of(1.0)
    (0, 4, 7)
    """
    return int((len(RATE_COLOURS) - 1) * share + 0.5)


def share_from(step: int) -> float:
    """Least share that takes this position."""
    return (step - 0.5) / (len(RATE_COLOURS) - 1)
