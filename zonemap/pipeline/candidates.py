"""Zones of any number over the surfaces that show structure, the choice among them, and the specialist's hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from zonemap.geostat.contrast import difference_variance
from zonemap.geostat.covariates import covariate_values
from zonemap.machine.size import feasible_zone_size
from zonemap.pipeline.choice import Candidate, Losses, best_rate
from zonemap.pipeline.parse import Pipeline
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.grid import Grid
from zonemap.values.hand import DrawnZones, ZoneEdit
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.season import Spreader
from zonemap.values.surface import Surface
from zonemap.values.zones import Features, Memberships, ZoneChoice, Zones
from zonemap.zoning.cluster import renumber
from zonemap.zoning.distinct import DifferenceVariance, alike, share_that_stays
from zonemap.zoning.hand import cells_of_drawn, edited

#: with more samples than this the means of zones are known well
_MOST_SITES = 1000


def choose_zones(
    pipeline: Pipeline,
    losses: Losses,
    grid: Grid,
    case: Case,
    measured: Sequence[Measurements],
    *,
    beside: Sequence[tuple[str, ZoneEdit]] = (),
) -> ZoneChoice:
    """Zones drawn by hand, or made over the surfaces that have structure (one zone where none has), then edited.

    Parameters
    ----------
    beside
        Changes after those of the case, each with the name of the place it was made.
    """
    covariates = cache(lambda: _covariates(case, grid))
    making = _making(pipeline, losses, grid, case.spreader, measured, covariates)
    if case.hand.drawn is not None:
        choice = _of_drawn(case.hand.drawn, losses, grid)
    else:
        choice = _chosen(making, losses)
        groups = pipeline.run("zone_sets", losses)
        if making is not None and len(groups) > 1:
            sets = [losses.of_need(*positions) for positions in groups]
            makings = [_making(pipeline, each, grid, case.spreader, measured, covariates) for each in sets]
            choice = _overlaid(making, choice, sets, [_chosen(m, s) for m, s in zip(makings, sets, strict=True)])
    of_case = [(f"field.toml, zone_edit {number}", edit) for number, edit in enumerate(case.hand.edits, start=1)]
    for where, edit in (*of_case, *beside):
        choice = _edited(choice, edit, losses, grid, where=where)
    if making is None or choice.zones.count == 1:
        return choice
    return replace(choice, certainty=making.certainty(choice.zones))


def _chosen(making: _Making | None, losses: Losses) -> ZoneChoice:
    if making is None:
        flat = losses.flat()
        return ZoneChoice(flat, {1: losses.of_zones(flat)})
    choice: ZoneChoice = making.pipeline.run("zone_count", making, losses)
    return choice


def _overlaid(making: _Making, common: ZoneChoice, sets: Sequence[Losses], own: Sequence[ZoneChoice]) -> ZoneChoice:
    """Own zones of every product, laid over one another: a zone of the result is one zone of each."""
    numbers = np.column_stack([choice.zones.number for choice in own])
    pattern, of_cell = np.unique(numbers, axis=0, return_inverse=True)
    of_cell = of_cell.reshape(-1)
    laid = making.workable(Zones(of_cell + 1))
    # the pattern most of a zone's cells have; what making it workable moved takes on the zone's
    of_zone = np.array([np.bincount(of_cell[laid.number == zone]).argmax() for zone in range(1, laid.count + 1)])
    closed = [Zones.closed_up(column).number for column in pattern[of_zone].T]
    mine = {need.quantity: number for losses, number in zip(sets, closed, strict=True) for need in losses.needs}
    lost = sum(losses.of_zones(Zones(number[laid.number - 1])) for losses, number in zip(sets, closed, strict=True))
    counts = ", ".join(
        f"{losses.needs[0].product.name} {number.max()}"
        for losses, number in zip(sets, closed, strict=True)
        if losses.needs[0].product is not None
    )
    shared_loss = common.loss[common.zones.count]
    change = f"{lost / shared_loss - 1:+.1%}" if shared_loss > 0 else "no change"
    text = (
        f"Every product has zones of its own ({counts}); against {common.zones.count} zones shared by all, the "
        f"expected loss changes by {change}."
    )
    loss = {**common.loss, laid.count: lost if laid.count > 1 else common.loss[1]}
    return ZoneChoice(laid, loss, own=mine, alike=common.alike, notes=(Note("warning", text),))


@dataclass(frozen=True, slots=True)
class _Making:
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
        zones = self.workable(grouped)
        return Candidate(zones, grouped, memberships, alike(zones, self.grid, self.surfaces, self.difference_variance))

    def workable(self, zones: Zones) -> Zones:
        """Zones that a machine can follow, numbered by rising need."""
        size = feasible_zone_size(self.spreader)
        machine = {"spreader": self.spreader, "smallest_m": (size.along_m, size.across_m)}
        taken = {key: value for key, value in machine.items() if self.pipeline.takes("workable", key)}
        workable = self.pipeline.run("workable", zones, self.grid, self.features, **taken)
        return renumber(workable, self.need, self.grid.cell_area_ha)

    def certainty(self, zones: Zones) -> FloatArray:
        """Cell vector: how likely each cell is most like its own zone."""
        used = [self.surfaces.get(name) for name in self.features.name]
        return share_that_stays(zones, used, self.features, self.grid.cell_area_ha)


def _covariates(case: Case, grid: Grid) -> dict[str, FloatArray]:
    """Name -> cell vector of every covariate."""
    places = np.column_stack(grid.centres())
    values = covariate_values(case.covariates, places, side_m=grid.cell_m)
    return {covariate.name: column for covariate, column in zip(case.covariates, values.T, strict=True)}


def _making(
    pipeline: Pipeline,
    losses: Losses,
    grid: Grid,
    spreader: Spreader,
    measured: Sequence[Measurements],
    covariates: Callable[[], Mapping[str, FloatArray]],
) -> _Making | None:
    """Return what makes zones, over the needs whose surfaces have structure; ``None`` where none has."""
    found = [(n, s) for n, s in zip(losses.needs, losses.surfaces, strict=True) if s.evidence.structure == "found"]
    if not found:
        return None
    cost: dict[str, FloatArray] = {}
    for need, surface in found:
        cost[need.quantity] = cost.get(need.quantity, 0.0) + need.costs.short * best_rate(need, surface)
    weights = {quantity: float(np.std(cells)) for quantity, cells in cost.items()}
    if not any(weights.values()):
        weights = dict.fromkeys(weights, 1.0)
    surfaces = {surface.quantity: surface for _, surface in found}
    beside = {"covariates": covariates()} if pipeline.takes("features", "covariates") else {}
    features: Features = pipeline.run("features", surfaces, weights=weights, **beside)
    total = np.sum(list(cost.values()), axis=0)
    return _Making(pipeline, features, surfaces, _errors(surfaces, measured), total, grid, spreader)


def _errors(surfaces: Mapping[str, Surface], measured: Sequence[Measurements]) -> dict[str, DifferenceVariance]:
    errors: dict[str, DifferenceVariance] = {}
    for quantity in measured:
        model = surfaces[quantity.quantity].evidence.variogram if quantity.quantity in surfaces else None
        if model is not None and quantity.count <= _MOST_SITES:
            errors[quantity.quantity] = partial(difference_variance, quantity, model)
    return errors


def _of_drawn(drawn: DrawnZones, losses: Losses, grid: Grid) -> ZoneChoice:
    zones, labels, missed = cells_of_drawn(drawn, grid)
    named = ", ".join(f"{number} is '{label}'" for number, label in enumerate(labels, start=1))
    notes = [Note("warning", f"Zones are those of the file under [zones]: {named}.")]
    if missed > 0:
        text = f"[zones]: {missed:.1%} of the field lies in no drawn zone and was given to the nearest."
        notes.append(Note("warning", text))
    loss = {1: losses.of_zones(losses.flat()), zones.count: losses.of_zones(zones)}
    return ZoneChoice(zones, loss, notes=tuple(notes))


def _edited(choice: ZoneChoice, edit: ZoneEdit, losses: Losses, grid: Grid, *, where: str) -> ZoneChoice:
    """Apply a change by hand, and say what it does to the expected loss."""
    zones = edited(choice.zones, grid, edit, where=where)
    before, after = choice.loss[choice.zones.count], losses.of_zones(zones)
    change = f"the expected loss changes by {after / before - 1:+.1%}" if before > 0 else "nothing is at stake"
    why = f" ({edit.reason})" if edit.reason else ""
    note = Note("warning", f"{where}{why}: {choice.zones.count} zones became {zones.count}; {change}.")
    loss = choice.loss if zones.count == 1 else {**choice.loss, zones.count: after}
    return ZoneChoice(zones, loss, notes=(*choice.notes, note))
