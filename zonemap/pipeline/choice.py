"""How many zones: by what each added zone saves, or as many as the user says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from zonemap.agronomy.rate import NeedDistribution, need_distribution, zone_need
from zonemap.values.arrays import FloatArray
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.surface import Surface
from zonemap.values.zones import Zones


@dataclass(frozen=True, slots=True)
class Losses:
    """Expected loss of a set of zones over all needs that can be met.

    Attributes
    ----------
    needs, surfaces, distributions
        (needs) what is lacking, where it was measured, and the need of every cell at the nodes of its distribution.
    cell_area_ha
        Cell vector.
    """

    needs: tuple[Need, ...]
    surfaces: tuple[Surface, ...]
    distributions: tuple[NeedDistribution, ...]
    cell_area_ha: FloatArray

    def flat(self) -> Zones:
        """One zone of the whole field."""
        return Zones.whole(self.cell_area_ha.size)

    def of_zones(self, zones: Zones) -> float:
        """Mean loss per ha when every zone gets its own best rate."""
        return sum(
            distribution.expected_loss(
                zone_need(surface, need.curve, self.cell_area_ha, zones, assurance=need.costs.assurance)[
                    zones.number - 1
                ],
                need.costs,
            )
            for need, surface, distribution in zip(self.needs, self.surfaces, self.distributions, strict=True)
        )

    def of_cells(self) -> float:
        """Mean loss per ha when every cell gets its own best rate."""
        return sum(
            distribution.expected_loss(best_rate(need, surface), need.costs)
            for need, surface, distribution in zip(self.needs, self.surfaces, self.distributions, strict=True)
        )

    def of_nothing(self) -> float:
        """Mean loss per ha when nothing is spread."""
        nothing = np.zeros(self.cell_area_ha.size)
        return sum(d.expected_loss(nothing, n.costs) for n, d in zip(self.needs, self.distributions, strict=True))


def losses_of(needs: tuple[Need, ...], surfaces: Mapping[str, Surface], grid: Grid) -> Losses:
    """Losses over the needs that have a product and are not certain to be nothing."""
    pairs = [
        (need, surfaces[need.quantity], need_distribution(surfaces[need.quantity], need.curve, grid.cell_area_ha))
        for need in needs
        if need.product is not None
    ]
    live = [(need, surface, spread) for need, surface, spread in pairs if spread.need_kg_ha.max() > 0]
    return Losses(
        tuple(n for n, _, _ in live), tuple(s for _, s, _ in live), tuple(d for _, _, d in live), grid.cell_area_ha
    )


def best_rate(need: Need, surface: Surface) -> FloatArray:
    """Cell vector of every cell's own loss-minimising need, kg/ha."""
    tau = need.costs.assurance
    probability = 1 - tau if need.curve.falling else tau
    return need.curve.at(surface.quantile(probability))


def by_value(
    candidate: Callable[[int], Zones], losses: Losses, *, most: int = 8, least_gain: float = 0.05
) -> tuple[Zones, dict[int, float]]:
    """Fewest zones from which one more zone saves less than `least_gain` of the loss of one flat rate.

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
    Zones, dict
        The zones, and number of zones -> expected loss per ha for all that were tried, one zone among them.
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
    return tried[chosen][1], {count: loss for count, (loss, _) in sorted(tried.items())}


def fixed(candidate: Callable[[int], Zones], losses: Losses, *, count: int) -> tuple[Zones, dict[int, float]]:
    """As many zones as the user says (fewer where they would not be workable)."""
    zones = candidate(count)
    return zones, {1: losses.of_zones(losses.flat()), zones.count: losses.of_zones(zones)}
