"""Student's t: its density, and a table of it that serves millions of places."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from zonemap.values.arrays import FloatArray

SingleArray: TypeAlias = npt.NDArray[np.float32]

#: The table ends where this little probability is left, or so many scales from the centre.
_LEFT, _REACH = 1e-7, 40.0
_PLACES = 8192


def t_density(deviate: FloatArray, *, degrees: int) -> FloatArray:
    """Density of Student's t at standard deviates of any shape."""
    half = (degrees + 1) / 2
    constant = math.lgamma(half) - math.lgamma(degrees / 2) - 0.5 * math.log(degrees * math.pi)
    return np.asarray(np.exp(constant - half * np.log1p(np.square(deviate) / degrees)))


@dataclass(frozen=True, slots=True)
class TTable:
    """Distribution function and density of Student's t at even places.

    Attributes
    ----------
    below, density, slope
        (places,) from `-reach` to `reach`: distribution function, its derivative, and the derivative of that.
    steps
        Places a scale.
    reach
        Beyond it the table holds still.
    single_below, single_density
        The same in single precision.
    """

    below: FloatArray
    density: FloatArray
    slope: FloatArray
    steps: float
    reach: float
    single_below: SingleArray
    single_density: SingleArray

    def at(self, deviate: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Probability below to 1e-8 (1e-7 with fewer than 13 degrees of freedom), and density."""
        place = np.clip((deviate + self.reach) * self.steps, 0.0, len(self.below) - 1.0)
        index = np.rint(place).astype(np.intp)
        beside = (place - index) / self.steps
        density, slope = self.density.take(index), self.slope.take(index)
        return self.below.take(index) + beside * (density + 0.5 * beside * slope), density + beside * slope

    def look_up(self, desk: Desk) -> None:
        """Fill `below` and `density` of a desk at its deviates, which are overwritten.

        The function goes along the tangent at the nearest place, to 2e-6 with 13 degrees of freedom or more and to 1e-5
        with any; the density is that of the nearest place.
        """
        part, nearest = desk.deviate, desk.below
        part *= np.float32(self.steps)
        part += np.float32(self.reach * self.steps)
        np.clip(part, np.float32(0.0), np.float32(len(self.below) - 1), out=part)
        np.rint(part, out=nearest)
        part -= nearest
        # by way of 32 bits the cast takes a quarter of the time; "wrap" skips a copy, the clip has seen to the bounds
        np.copyto(desk.place, nearest, casting="unsafe")
        np.copyto(desk.index, desk.place)
        self.single_below.take(desk.index, out=desk.below, mode="wrap")
        self.single_density.take(desk.index, out=desk.density, mode="wrap")
        part *= desk.density
        part *= np.float32(1 / self.steps)
        np.add(desk.below, part, out=desk.below)


@dataclass(frozen=True, slots=True)
class Desk:
    """Arrays that are written again and again: new ones for every look into the table take longer than the look."""

    deviate: SingleArray
    below: SingleArray
    density: SingleArray
    place: npt.NDArray[np.int32]
    index: npt.NDArray[np.intp]

    @classmethod
    def of_shape(cls, shape: tuple[int, ...]) -> Desk:
        """Room for deviates of a shape."""
        deviate, below, density = (np.empty(shape, dtype=np.float32) for _ in range(3))
        return cls(deviate, below, density, np.empty(shape, dtype=np.int32), np.empty(shape, dtype=np.intp))


@cache
def t_table(degrees: int) -> TTable:
    """Tabulate Student's t with so many degrees of freedom."""
    from scipy.special import stdtr, stdtrit

    reach = min(-float(stdtrit(degrees, _LEFT)), _REACH)
    deviate = np.linspace(-reach, reach, _PLACES + 1)
    below, density = np.asarray(stdtr(degrees, deviate)), t_density(deviate, degrees=degrees)
    slope = -density * deviate * (degrees + 1) / (degrees + np.square(deviate))
    single = below.astype(np.float32), density.astype(np.float32)
    return TTable(below, density, slope, _PLACES / (2 * reach), reach, *single)
