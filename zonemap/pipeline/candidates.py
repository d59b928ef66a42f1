"""Zones of any number over the surfaces that show structure, and the choice among them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from zonemap.geostat.contrast import difference_variance
from zonemap.pipeline.choice import Candidate, Losses, best_rate
from zonemap.pipeline.parse import Pipeline
from zonemap.values.arrays import FloatArray
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.season import Spreader
from zonemap.values.surface import Surface
from zonemap.values.zones import Features, Memberships, ZoneChoice
from zonemap.zoning.cluster import renumber
from zonemap.zoning.distinct import DifferenceVariance, alike, share_that_stays
from zonemap.zoning.features import supply_features

#: with more samples than this the means of zones are known well
_MOST_SITES = 1000


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Workable zones for any number asked for."""

    pipeline: Pipeline
    features: Features
    surfaces: Mapping[str, Surface]
    difference_variance: Mapping[str, DifferenceVariance]
    need: FloatArray
    grid: Grid
    spreader: Spreader

    def __call__(self, count: int) -> Candidate:
        found = self.pipeline.run("zones", self.features, self.grid.cell_area_ha, count=count)
        memberships = found if isinstance(found, Memberships) else None
        grouped = found if memberships is None else memberships.zones
        machine = {"spreader": self.spreader} if self.pipeline.takes("workable", "spreader") else {}
        workable = self.pipeline.run("workable", grouped, self.grid, self.features, **machine)
        zones = renumber(workable, self.need, self.grid.cell_area_ha)
        return Candidate(zones, grouped, memberships, alike(zones, self.grid, self.surfaces, self.difference_variance))


def choose_zones(
    pipeline: Pipeline, losses: Losses, grid: Grid, spreader: Spreader, measured: Sequence[Measurements]
) -> ZoneChoice:
    """Zones over the needs whose surfaces have structure; one zone where none has."""
    found = [(n, s) for n, s in zip(losses.needs, losses.surfaces, strict=True) if s.evidence.structure == "found"]
    if not found:
        flat = losses.flat()
        return ZoneChoice(flat, {1: losses.of_zones(flat)})
    cost: dict[str, FloatArray] = {}
    for need, surface in found:
        cost[need.quantity] = cost.get(need.quantity, 0.0) + need.costs.short * best_rate(need, surface)
    weights = {quantity: float(np.std(cells)) for quantity, cells in cost.items()}
    if not any(weights.values()):
        weights = dict.fromkeys(weights, 1.0)
    surfaces = {surface.quantity: surface for _, surface in found}
    features = supply_features(surfaces, weights=weights)
    total = np.sum(list(cost.values()), axis=0)
    errors: dict[str, DifferenceVariance] = {}
    for quantity in measured:
        model = surfaces[quantity.quantity].evidence.variogram if quantity.quantity in surfaces else None
        if model is not None and quantity.count <= _MOST_SITES:
            errors[quantity.quantity] = partial(difference_variance, quantity, model)
    candidates = _Candidates(pipeline, features, surfaces, errors, total, grid, spreader)
    choice: ZoneChoice = pipeline.run("zone_count", candidates, losses)
    if choice.zones.count == 1:
        return choice
    used = [surfaces[name] for name in features.name]
    return choice.with_certainty(share_that_stays(choice.zones, used, features, grid.cell_area_ha))
