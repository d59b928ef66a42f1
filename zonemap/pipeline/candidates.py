"""Zones of any number over the surfaces that show structure, and the choice among them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.pipeline.choice import Losses, best_rate
from zonemap.pipeline.parse import Pipeline
from zonemap.values.arrays import FloatArray
from zonemap.values.grid import Grid
from zonemap.values.zones import Features, ZoneChoice, Zones
from zonemap.zoning.cluster import renumber
from zonemap.zoning.features import supply_features


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Workable zones for any number asked for."""

    pipeline: Pipeline
    features: Features
    need: FloatArray
    grid: Grid

    def __call__(self, count: int) -> Zones:
        zones = self.pipeline.run("zones", self.features, self.grid.cell_area_ha, count=count)
        zones = self.pipeline.run("workable", zones, self.grid, self.features)
        return renumber(zones, self.need, self.grid.cell_area_ha)


def choose_zones(pipeline: Pipeline, losses: Losses, grid: Grid) -> ZoneChoice:
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
    features = supply_features({surface.quantity: surface for _, surface in found}, weights=weights)
    total = np.sum(list(cost.values()), axis=0)
    choice: ZoneChoice = pipeline.run("zone_count", _Candidates(pipeline, features, total, grid), losses)
    return choice
