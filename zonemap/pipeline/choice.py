"""How many zones: by what each added zone saves, or as many as the user says."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from zonemap.agronomy.rate import NeedDistribution, need_distribution, zone_need
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.surface import Surface
from zonemap.values.zones import ZoneChoice, Zones

#: a mean loss over so many cells of a field is right to a few thousandths
_MOST_COUNTED = 100_000


@dataclass(frozen=True, slots=True)
class Losses:
    """Expected loss of a set of zones over all needs that can be met.

    Attributes
    ----------
    needs, surfaces, distributions
        (needs) what is lacking, where it was measured, and the need of every cell at the nodes of its distribution.
    cell_area_ha
        Cell vector.
    counted
        Numbers of the cells that losses are averaged over, of `distributions`: of very many cells some will do.
    cost_of_varying
        Money per ha that more than one rate costs; ``None`` when the user stated none.
    """

    needs: tuple[Need, ...]
    surfaces: tuple[Surface, ...]
    distributions: tuple[NeedDistribution, ...]
    cell_area_ha: FloatArray
    counted: IntArray
    cost_of_varying: float | None = None

    def flat(self) -> Zones:
        """One zone of the whole field."""
        return Zones.whole(self.cell_area_ha.size)

    def of_zones(self, zones: Zones) -> float:
        """Mean loss per ha when every zone gets its own best rate."""
        return self.of_rates(self.zone_rates(zones))

    def of_cells(self) -> float:
        """Mean loss per ha when every cell gets its own best rate."""
        return self.of_rates(
            [best_rate(need, surface) for need, surface in zip(self.needs, self.surfaces, strict=True)]
        )

    def of_nothing(self) -> float:
        """Mean loss per ha when nothing is spread."""
        return self.of_rates([np.zeros(self.cell_area_ha.size)] * len(self.needs))

    def of_rates(self, rates_kg_ha: Sequence[FloatArray]) -> float:
        """Mean loss per ha of any rates: (needs) cell vectors, kg/ha of what each need is of."""
        return sum(
            distribution.expected_loss(rate[self.counted], need.costs)
            for need, distribution, rate in zip(self.needs, self.distributions, rates_kg_ha, strict=True)
        )

    def zone_rates(self, zones: Zones) -> list[FloatArray]:
        """(needs) cell vectors of the best rate of each cell's zone, kg/ha."""
        return [
            zone_need(surface, need.curve, self.cell_area_ha, zones, assurance=need.costs.assurance)[zones.number - 1]
            for need, surface in zip(self.needs, self.surfaces, strict=True)
        ]


def losses_of(
    needs: tuple[Need, ...], surfaces: Mapping[str, Surface], grid: Grid, *, cost_of_varying: float | None = None
) -> Losses:
    """Losses over the needs that have a product and are not certain to be nothing.

    `cost_of_varying` is money: it is left out where the losses are not.
    """
    counted = _counted(grid.cells)
    area = grid.cell_area_ha[counted]
    pairs = [
        (need, surfaces[need.quantity], need_distribution(surfaces[need.quantity].of_cells(counted), need.curve, area))
        for need in needs
        if need.product is not None
    ]
    live = [(need, surface, spread) for need, surface, spread in pairs if spread.need_kg_ha.max() > 0]
    return Losses(
        tuple(n for n, _, _ in live),
        tuple(s for _, s, _ in live),
        tuple(d for _, _, d in live),
        grid.cell_area_ha,
        counted,
        cost_of_varying if all(need.costs.priced for need, _, _ in live) else None,
    )


def _counted(cells: int) -> IntArray:
    """Every cell, or of very many a random part, in order."""
    if cells <= _MOST_COUNTED:
        return np.arange(cells)
    return np.sort(np.random.default_rng(0).choice(cells, _MOST_COUNTED, replace=False))


def best_rate(need: Need, surface: Surface) -> FloatArray:
    """Cell vector of every cell's own loss-minimising need, kg/ha."""
    tau = need.costs.assurance
    probability = 1 - tau if need.curve.falling else tau
    return need.curve.at(surface.quantile(probability))


def by_value(
    candidate: Callable[[int], Zones], losses: Losses, *, most: int = 8, least_gain: float = 0.05
) -> ZoneChoice:
    """Fewest zones from which one more zone saves less than `least_gain` of the loss of one flat rate.

    One zone where the zones so found save less than varying the rate costs.

    Parameters
    ----------
    candidate
        number asked for -> workable zones (perhaps fewer).
    losses
        Measures a set of zones.
    most
        Largest number tried.
    least_gain
        Share of the flat rate's expected loss that an added zone must save; the project's own choice, for the cost of
        a finer map on the machine.

    Returns
    -------
    ZoneChoice
    """
    flat = losses.flat()
    tried = {1: (losses.of_zones(flat), flat)}
    for count in range(2, most + 1):
        zones = candidate(count)
        loss = losses.of_zones(zones)
        if zones.count not in tried or loss < tried[zones.count][0]:
            tried[zones.count] = (loss, zones)
    chosen = 1
    for count in sorted(tried):
        saved_per_zone = (tried[chosen][0] - tried[count][0]) / max(count - chosen, 1)
        if count > chosen and saved_per_zone >= least_gain * tried[1][0] > 0:
            chosen = count
    if tried[1][0] - tried[chosen][0] <= (losses.cost_of_varying or 0.0):
        chosen = 1
    return ZoneChoice(tried[chosen][1], {count: loss for count, (loss, _) in tried.items()})


def fixed(candidate: Callable[[int], Zones], losses: Losses, *, count: int) -> ZoneChoice:
    """As many zones as the user says (fewer where they would not be workable)."""
    zones = candidate(count)
    return ZoneChoice(zones, {1: losses.of_zones(losses.flat()), zones.count: losses.of_zones(zones)})
