"""How many zones: by what each added zone saves, or as many as the user says."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from zonemap.agronomy.rate import NeedDistribution, need_distribution, zone_need
from zonemap.errors import InputError
from zonemap.geostat.threads import in_threads, one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.surface import Surface
from zonemap.values.zones import Memberships, ZoneChoice, Zones
from zonemap.zoning.fuzzy import fuzzy_performance_index, normalised_classification_entropy

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

    def of_drawn(self, choice: ZoneChoice, drawn: Zones) -> float:
        """Mean loss per ha when the zones' best rates are spread where zones of the same numbers are drawn."""
        if drawn.count != choice.zones.count:
            return choice.loss[choice.zones.count]
        first = np.unique(choice.zones.number, return_index=True)[1]
        rates = [
            self.of_need(position).zone_rates(choice.zones_of(need.quantity))[0]
            for position, need in enumerate(self.needs)
        ]
        return self.of_rates([rate[first][drawn.number - 1] for rate in rates])

    def of_need(self, *positions: int) -> Losses:
        """Return losses of some of the needs only."""
        return replace(
            self,
            needs=tuple(self.needs[position] for position in positions),
            surfaces=tuple(self.surfaces[position] for position in positions),
            distributions=tuple(self.distributions[position] for position in positions),
        )

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

    def of_zone(self, position: int, cells: IntArray, rate_kg_ha: float) -> float:
        """What the counted cells of a zone add to the mean loss of one need at a rate; `cells` from `counted_in`."""
        return self.distributions[position].loss_of_part(cells, rate_kg_ha, self.needs[position].costs)

    def counted_in(self, zones: Zones) -> list[IntArray]:
        """(zones) which of the counted cells lie in each zone."""
        zone = zones.number[self.counted]
        return [np.flatnonzero(zone == number) for number in range(1, zones.count + 1)]

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


def shared(losses: Losses) -> tuple[tuple[int, ...], ...]:
    """One set of zones for all needs.

    Returns
    -------
    tuple of tuple of int
        Positions of the needs that share a set, a tuple each.
    """
    return (tuple(range(len(losses.needs))),)


def per_product(losses: Losses) -> tuple[tuple[int, ...], ...]:
    """Return a set of zones for each product, over the needs it meets; in the form of `shared`."""
    of_product: dict[str, list[int]] = {}
    for position, need in enumerate(losses.needs):
        of_product.setdefault("" if need.product is None else need.product.name, []).append(position)
    return tuple(tuple(positions) for positions in of_product.values())


@dataclass(frozen=True, slots=True)
class Candidate:
    """Zones that might be taken.

    Attributes
    ----------
    zones
        Workable, numbered by rising need.
    grouped
        As the cells were grouped.
    memberships
        Grades of the groups; ``None`` where a cell is of one group only.
    alike
        Pairs of touching zones that the samples cannot tell apart.
    """

    zones: Zones
    grouped: Zones
    memberships: Memberships | None
    alike: tuple[tuple[int, int], ...]


Candidates = Callable[[int], Candidate]


def by_value(
    candidates: Candidates, losses: Losses, *, most: int = 8, least_gain: float = 0.05, distinct: bool = True
) -> ZoneChoice:
    """Fewest zones from which one more zone saves less than `least_gain` of the loss of one flat rate.

    Where varying the rate has a stated cost and the zones so found save less, the fewest zones that save more than it,
    and one zone where none does.

    Parameters
    ----------
    candidates
        number asked for -> workable zones (perhaps fewer).
    losses
        Measures a set of zones.
    most
        Largest number tried.
    least_gain
        Share of the flat rate's expected loss that an added zone must save; the project's own choice, for the cost of
        a finer map on the machine.
    distinct
        Pass over numbers of zones of which two that touch cannot be told apart.
    """
    tried = _tried(candidates, losses, most=most)
    loss = {1: losses.of_zones(losses.flat())} | {count: lost for count, (lost, _) in tried.items()}
    usable = [count for count, (_, candidate) in sorted(tried.items()) if not (distinct and candidate.alike)]
    chosen = 1
    for count in usable:
        saved_per_zone = (loss[chosen] - loss[count]) / (count - chosen)
        if saved_per_zone >= least_gain * loss[1] > 0:
            chosen = count
    cost = losses.cost_of_varying or 0.0
    if loss[1] - loss[chosen] <= cost:
        worth = [count for count in usable if losses.cost_of_varying and loss[1] - loss[count] > cost]
        chosen = worth[0] if worth else 1
    return _choice(chosen, loss, {count: candidate for count, (_, candidate) in tried.items()}, losses)


def by_fuzziness(candidates: Candidates, losses: Losses, *, most: int = 8) -> ZoneChoice:
    """Number of zones whose grouping is least fuzzy: the least mean of the two indices of `zonemap.zoning.fuzzy`.

    Raises
    ------
    InputError
        When the pipeline's zones are not fuzzy.
    """
    tried = _tried(candidates, losses, most=most)
    fuzziness = {count: _fuzziness(candidate) for count, (_, candidate) in tried.items()}
    if None in fuzziness.values():
        mend = 'Use fuzzy_c_means under [zones], or use = "by_value" here.'
        raise InputError("pipeline, zone_count", "by_fuzziness needs zones to which cells belong by degrees", mend)
    loss = {1: losses.of_zones(losses.flat())} | {count: lost for count, (lost, _) in tried.items()}
    chosen = min(fuzziness, key=lambda count: (sum(fuzziness[count] or ()), count), default=1)
    return _choice(chosen, loss, {count: candidate for count, (_, candidate) in tried.items()}, losses)


def fixed(candidates: Candidates, losses: Losses, *, count: int) -> ZoneChoice:
    """As many zones as the user says (fewer where they would not be workable)."""
    candidate = candidates(count)
    loss = {1: losses.of_zones(losses.flat()), candidate.zones.count: losses.of_zones(candidate.zones)}
    return _choice(candidate.zones.count, loss, {candidate.zones.count: candidate}, losses)


def _tried(candidates: Candidates, losses: Losses, *, most: int) -> dict[int, tuple[float, Candidate]]:
    """Candidates of two to `most` zones and what they lose; of several of one number the one that loses least."""
    found: dict[int, tuple[float, Candidate]] = {}

    def of_number(asked: int) -> None:
        candidate = candidates(asked)
        found[asked] = (losses.of_zones(candidate.zones), candidate)

    # from the largest, which takes longest
    with one_linear_algebra_thread():
        in_threads(of_number, range(most, 1, -1))
    tried: dict[int, tuple[float, Candidate]] = {}
    for _, (loss, candidate) in sorted(found.items()):
        count = candidate.zones.count
        if count > 1 and (count not in tried or loss < tried[count][0]):
            tried[count] = (loss, candidate)
    return tried


def _fuzziness(candidate: Candidate) -> tuple[float, float] | None:
    if candidate.memberships is None:
        return None
    return fuzzy_performance_index(candidate.memberships), normalised_classification_entropy(candidate.memberships)


def _choice(chosen: int, loss: Mapping[int, float], candidates: Mapping[int, Candidate], losses: Losses) -> ZoneChoice:
    alike = {count: candidate.alike for count, candidate in candidates.items() if candidate.alike}
    indices = {count: _fuzziness(candidate) for count, candidate in candidates.items()}
    fuzziness = {count: index for count, index in indices.items() if index is not None}
    if chosen == 1:
        return ZoneChoice(losses.flat(), loss, None, alike, fuzziness)
    taken = candidates[chosen]
    return ZoneChoice(
        taken.zones, loss, losses.of_zones(taken.grouped), alike, fuzziness, memberships=taken.memberships
    )
