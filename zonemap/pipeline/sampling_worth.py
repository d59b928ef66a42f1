"""Which places are worth most: each added where it lowers the expected loss most, given those before."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from zonemap.agronomy.knowing import LossCurve, loss_curve
from zonemap.errors import InputError
from zonemap.geostat.kriging import MOST_POINTS
from zonemap.geostat.next_samples import Outlook, outlook
from zonemap.pipeline.run import Prepared
from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.samples import Measurements
from zonemap.values.sampling import Measure
from zonemap.values.surface import Surface
from zonemap.values.variogram import WeighedVariogram


@dataclass(frozen=True, slots=True)
class Weighed:
    """One quantity: what is known of it, and what each of its needs loses by that.

    Attributes
    ----------
    outlook
        At cells and places.
    curves
        (needs) of the same cells.
    """

    outlook: Outlook
    curves: tuple[LossCurve, ...]

    def losses(self, share_left: FloatArray) -> FloatArray:
        """Losses of all needs, of the shape of the shares."""
        return np.asarray(sum(curve.at(share_left) for curve in self.curves))


def has_pattern(prepared: Prepared, quantity: Measurements) -> bool:
    """Whether the samples show structure."""
    return prepared.surfaces[quantity.quantity].evidence.structure == "found"


def what_counts(
    prepared: Prepared, needs: Sequence[Need], cells: IntArray, places: FloatArray
) -> tuple[dict[str, Weighed], FloatArray, Measure]:
    """Gather what a sample more could change.

    Parameters
    ----------
    needs
        Those that something can be spread for.
    cells
        (m,) numbers of the cells that losses are averaged over.
    places
        (p, 2) where a sample might be taken.

    Returns
    -------
    dict
        Quantity -> what is known, of those with a pattern that a rate hangs on; of all with a pattern where no rate
        does.
    FloatArray
        (m,) what the other needs lose, whatever is sampled.
    Measure
        What the losses are counted in.

    Raises
    ------
    InputError
        With more points than are factored together.
    """
    curves: dict[str, list[LossCurve]] = {}
    for need in needs:
        surface = prepared.surfaces[need.quantity].of_cells(cells)
        curves.setdefault(need.quantity, []).append(loss_curve(surface, need))
    all_left = np.ones(len(cells))
    found = [quantity for quantity in prepared.measured if has_pattern(prepared, quantity)]
    live = [
        quantity
        for quantity in found
        if any(curve.at(all_left).max() > 0 for curve in curves.get(quantity.quantity, ()))
    ]
    centres = np.column_stack(prepared.grid.centres())[cells]
    if not live:
        plain = (LossCurve.of_variance(len(cells)),)
        seen = {q.quantity: Weighed(_seen(prepared, q, centres, places), plain) for q in found}
        return seen, np.zeros(len(cells)), "variance"
    names = {quantity.quantity for quantity in live}
    others = [curve.at(all_left) for name, several in curves.items() if name not in names for curve in several]
    measure: Measure = "money" if all(need.costs.priced for need in needs) else "relative"
    seen = {q.quantity: Weighed(_seen(prepared, q, centres, places), tuple(curves[q.quantity])) for q in live}
    return seen, np.asarray(sum(others, start=np.zeros(len(cells)))), measure


def _seen(prepared: Prepared, quantity: Measurements, cells: FloatArray, places: FloatArray) -> Outlook:
    if quantity.count > MOST_POINTS:
        what = f"{quantity.count:,} points are more than the {MOST_POINTS:,} that are weighed together"
        raise InputError(quantity.quantity, what, "Where a field is logged so densely, look at the map's gaps instead.")
    return outlook(quantity, _models(prepared.surfaces[quantity.quantity]), cells, places, side_m=prepared.grid.cell_m)


def _models(surface: Surface) -> tuple[WeighedVariogram, ...]:
    """What the surface was predicted with."""
    evidence = surface.evidence
    if evidence.models or evidence.variogram is None:
        return evidence.models
    return (WeighedVariogram(1.0, evidence.variogram),)


def worth_most(
    quantities: Mapping[str, Weighed], weight: FloatArray, count: int
) -> tuple[list[int], list[float], dict[str, Outlook]]:
    """Take one place after another, each the one with which least is lost.

    Parameters
    ----------
    weight
        (cells,) summing to 1.
    count
        How many, at most the places.

    Returns
    -------
    list of int, list of float, dict
        Numbers of the places in the order taken, the mean loss before the first and after each, and what is known then.
    """
    outlooks = {name: each.outlook for name, each in quantities.items()}
    losses = [sum(float(each.losses(each.outlook.left) @ weight) for each in quantities.values())]
    chosen: list[int] = []
    for _ in range(count):
        loss = sum(each.losses(outlooks[name].left_with_one_more()) @ weight for name, each in quantities.items())
        total = np.asarray(loss)
        total[chosen] = np.inf
        chosen.append(int(total.argmin()))
        losses.append(float(total[chosen[-1]]))
        outlooks = {name: each.with_sample(chosen[-1]) for name, each in outlooks.items()}
    return chosen, losses, outlooks


def thinned(grid: Grid, allowed: BoolArray, *, about: int) -> IntArray:
    """Numbers of allowed cells on a lattice as wide as leaves at least so many, or all where there are fewer."""
    row, column = np.nonzero(grid.inside)
    stride = max(int(math.sqrt(allowed.sum() / about)), 1)
    while True:
        kept = allowed & (row % stride == stride // 2) & (column % stride == stride // 2)
        if stride == 1 or kept.sum() >= 0.8 * about:
            return np.flatnonzero(kept)
        stride -= 1
