"""Lines that are driven: what is read along them, and on which cells what they throw comes to lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import LineString

from zonemap.machine.response import emitted_within_step, followed, rate_within_step
from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints


@dataclass(frozen=True, slots=True)
class Route:
    """Lines of one kind and their footprint; places along a line are counted in steps from its start.

    Attributes
    ----------
    step_m
        (lines,) length of a step.
    zone
        (lines, steps) zone that the controller reads while the spreader is in each step, in the order of travel.
    cell, line, place, weight
        (hits,) cell on which a line throws, the place it is thrown from, and the share of the rate that falls there.
    opened, closed, open_line
        (stretches,) places between which the spreader is open, and their lines.
    track
        What is driven with the spreader open.
    """

    step_m: FloatArray
    zone: IntArray
    cell: IntArray
    line: IntArray
    place: FloatArray
    weight: FloatArray
    opened: FloatArray
    closed: FloatArray
    open_line: IntArray
    track: tuple[LineString, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone", frozen_ints(self.zone, shape=(None, None)))
        object.__setattr__(self, "step_m", frozen_floats(self.step_m, shape=(self.zone.shape[0],)))

    @property
    def lines(self) -> int:
        """How many lines have a stretch on which the spreader is open."""
        return int(np.unique(self.open_line).size)


def thrown(
    route: Route, rate_of_zone: FloatArray, *, cells: int, swath_m: float, length_m: float
) -> tuple[FloatArray, float]:
    """Rate that a route lays on every cell, and the mass it emits.

    Parameters
    ----------
    rate_of_zone
        (1 + zones + 1,) kg/ha: of zone 0, of the zones, and outside of all polygons.
    length_m
        Ground covered in one time constant of the rate.

    Returns
    -------
    FloatArray, float
        Cell vector, kg/ha; kg.
    """
    target = rate_of_zone[route.zone]
    start = np.empty_like(target)
    for step_m in np.unique(route.step_m):
        same = route.step_m == step_m
        start[same] = followed(target[same], step_m=float(step_m), length_m=length_m)
    at = _Reading(route, target, start, length_m)
    falls = route.weight * at.rate(route.line, route.place)
    laid = np.bincount(route.cell, weights=falls, minlength=cells).astype(np.float64)
    emitted = at.emitted(route.open_line, route.closed) - at.emitted(route.open_line, route.opened)
    return laid, float(emitted.sum()) * swath_m / 10_000


@dataclass(frozen=True, slots=True)
class _Reading:
    """Rates along the lines of a route, at any place."""

    route: Route
    target: FloatArray
    start: FloatArray
    length_m: float

    def _step(self, line: IntArray, place: FloatArray) -> tuple[IntArray, FloatArray]:
        steps = self.target.shape[1]
        step = np.clip(place.astype(np.int64), 0, steps - 1)
        return line * steps + step, (place - step) * self.route.step_m[line]

    def rate(self, line: IntArray, place: FloatArray) -> FloatArray:
        flat, into = self._step(line, place)
        return rate_within_step(
            self.start.ravel()[flat], self.target.ravel()[flat], into_m=into, length_m=self.length_m
        )

    def emitted(self, line: IntArray, place: FloatArray) -> FloatArray:
        """Rate x m from the start of the line."""
        flat, into = self._step(line, place)
        whole = np.broadcast_to(self.route.step_m[:, None], self.target.shape)
        of_step = emitted_within_step(self.start, self.target, into_m=whole, length_m=self.length_m)
        before = np.cumsum(of_step, axis=1) - of_step
        part = emitted_within_step(
            self.start.ravel()[flat], self.target.ravel()[flat], into_m=into, length_m=self.length_m
        )
        return np.asarray(before.ravel()[flat] + part)
