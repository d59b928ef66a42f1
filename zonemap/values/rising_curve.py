"""Rising curves through points of known slope, one piece between two points.

A piece is a quotient of two quadratics. It takes the values and slopes at its ends, it rises all along wherever those
slopes and its rise are positive (no such promise comes with a cubic), it turns as sharply as its ends ask, and its
inverse is a quadratic equation.

References
----------
Gregory, J.A. & Delbourgo, R. (1982), Piecewise rational quadratic interpolation to monotonic data, IMA Journal of
Numerical Analysis 2:123-130, section 2 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.values.arrays import FloatArray

_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of each of several curves; arrays of one shape, or that broadcast.

    Attributes
    ----------
    width
        From end to end, positive.
    start, rise
        Value at the first end, and how much higher the last end is: 0 is a flat piece.
    first_slope, last_slope
        At the ends, positive where `rise` is.
    """

    width: FloatArray | float
    start: FloatArray
    rise: FloatArray
    first_slope: FloatArray
    last_slope: FloatArray

    def at(self, part: FloatArray | float) -> FloatArray:
        """Values at parts of the width, 0 to 1.

        >>> piece = Piece(1.0, np.zeros(1), np.ones(1), np.full(1, 2.0), np.full(1, 2.0))
        >>> piece.at(0.5)  # half way up for reasons of symmetry
        array([0.5])
        """
        mean_slope, both = self.rise / self.width, self.first_slope + self.last_slope
        across = part * (1.0 - part)
        over = mean_slope * (part * part) + self.first_slope * across
        # a flat piece is 0 over 0 at its ends
        return np.asarray(self.start + self.rise * (over / (mean_slope * (1.0 - 2.0 * across) + both * across + _TINY)))

    def slope_at(self, part: FloatArray | float) -> FloatArray:
        """Slopes at parts of the width, 0 to 1."""
        mean_slope, both = self.rise / self.width, self.first_slope + self.last_slope
        across = part * (1.0 - part)
        of_ends = self.last_slope * (part * part) + self.first_slope * np.square(1.0 - part)
        share = mean_slope / (mean_slope * (1.0 - 2.0 * across) + both * across + _TINY)
        return np.asarray(np.square(share) * (of_ends + 2.0 * mean_slope * across))

    def part_at(self, value: FloatArray) -> FloatArray:
        """Parts of the width at which the curves take values between those of their ends; 0 on a flat piece."""
        mean_slope = self.rise / self.width
        bend = self.first_slope + self.last_slope - 2.0 * mean_slope
        share = (value - self.start) / (self.rise + _TINY)
        # share = (m p^2 + d p (1 - p)) / (m + b p (1 - p)) as a quadratic in p
        square = mean_slope - self.first_slope + share * bend
        linear = self.first_slope - share * bend
        constant = share * mean_slope
        root = np.sqrt(np.maximum(np.square(linear) + 4.0 * square * constant, 0.0))
        # of the two forms of the solution the one without a difference of nearly equal numbers; where `linear` is
        # negative `square` is positive
        negative = linear < 0
        above = np.where(negative, root - linear, 2.0 * constant)
        below = np.where(negative, 2.0 * square, root + linear)
        return np.asarray(np.clip(above / np.maximum(below, _TINY), 0.0, 1.0))
