"""The whole flow, from samples to prescription, in order."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from zonemap.agronomy.sufficiency import sufficiency
from zonemap.machine.delivery import delivered
from zonemap.machine.heading import best_heading
from zonemap.pipeline.candidates import choose_zones
from zonemap.pipeline.choice import losses_of
from zonemap.pipeline.needs import same_currency
from zonemap.pipeline.notes import cautions, delivery_notes, limit_notes, surface_notes
from zonemap.pipeline.parse import Pipeline
from zonemap.pipeline.spreading import spread
from zonemap.pipeline.verdict import value_of_varying
from zonemap.values.case import Case
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.note import Note
from zonemap.values.plan import Plan, ZoneReport
from zonemap.values.samples import Measurements
from zonemap.values.surface import Surface
from zonemap.values.zones import Outlines, ZoneChoice
from zonemap.zoning.outline import zones_as_drawn

#: told the name of every stage as it starts
Progress = Callable[[str], None]


def run(case: Case, pipeline: Pipeline, progress: Progress) -> Plan:
    """Plan one field.

    Raises
    ------
    InputError
        When a stage refuses; the message names the place and the mend.
    """
    progress("samples")
    measured, notes = _screened(case, pipeline)
    grid: Grid = pipeline.run("grid", case.field)
    progress("surfaces")
    surfaces, unused = _surfaces(case, pipeline, measured, grid)
    progress("demand and shortfall")
    needs, need_notes = pipeline.run("need", case, surfaces, grid)
    needs = same_currency(needs)
    progress("zones")
    losses = losses_of(needs, surfaces, grid, cost_of_varying=case.decision.cost_of_varying_ha)
    choice = choose_zones(pipeline, losses, grid, case, measured)
    zones = choice.zones
    outlines: Outlines = pipeline.run("outline", zones, grid, case.field)
    drawn = zones_as_drawn(outlines, grid) if zones.count > 1 else zones
    progress("rates and products")
    report = _zone_report(pipeline, needs, surfaces, choice, grid)
    prescription, programmes, left_out = spread(case, pipeline, needs, report, surfaces, choice, grid, outlines)
    machine = (prescription, drawn, grid, case.field, case.spreader)
    deliveries, headings = delivered(*machine), best_heading(*machine)
    needed = any(need.product and kg_ha.any() for need, kg_ha in zip(needs, report.need_kg_ha, strict=True))
    value = value_of_varying(losses, choice, drawn, needed=needed, case=case)
    said = (
        *case.notes,
        *notes,
        *unused,
        *surface_notes(surfaces),
        *need_notes,
        *choice.notes,
        *left_out,
        *limit_notes(prescription, case),
        *delivery_notes(deliveries, headings),
    )
    refusal = (Note("refusal", value.verdict),) if value.advice == "no_map" else ()
    return Plan(
        case=case,
        pipeline=pipeline.name,
        grid=grid,
        surfaces=surfaces,
        needs=needs,
        choice=choice,
        outlines=outlines,
        zone_report=report,
        value=value,
        prescription=prescription,
        programmes=programmes,
        deliveries=deliveries,
        headings=headings,
        sufficiency={
            need.quantity: sufficiency(surfaces[need.quantity], need.demand, grid.cell_area_ha, zones)
            for need in needs
            if need.demand is not None
        },
        mapped=any(quantity.count > 1 for quantity in measured),
        notes=(*refusal, *said, *cautions(case, prescription)),
    )


def _screened(case: Case, pipeline: Pipeline) -> tuple[tuple[Measurements, ...], tuple[Note, ...]]:
    pairs = [pipeline.run("screen", case.samples, quantity) for quantity in case.samples.quantities]
    return tuple(m for m, _ in pairs), tuple(note for _, notes in pairs for note in notes)


def _surfaces(
    case: Case, pipeline: Pipeline, measured: tuple[Measurements, ...], grid: Grid
) -> tuple[dict[str, Surface], tuple[Note, ...]]:
    """Surfaces by quantity; covariates that the method cannot use are said to be left out."""
    if not case.covariates:
        return {s.quantity: s for s in pipeline.run("surface", measured, grid)}, ()
    if pipeline.takes("surface", "covariates"):
        kriged = pipeline.run("surface", measured, grid, covariates=case.covariates)
        return {s.quantity: s for s in kriged}, ()
    names = ", ".join(covariate.name for covariate in case.covariates)
    text = (
        f"{names}: not used, because this pipeline's surface method takes no covariates. Use integrated_block_kriging."
    )
    return {s.quantity: s for s in pipeline.run("surface", measured, grid)}, (Note("warning", text),)


def _zone_report(
    pipeline: Pipeline, needs: tuple[Need, ...], surfaces: Mapping[str, Surface], choice: ZoneChoice, grid: Grid
) -> ZoneReport:
    area, index = grid.cell_area_ha, choice.zones.number - 1
    zone_area = np.bincount(index, weights=area)
    supply = {q: np.bincount(index, weights=area * s.mean()) / zone_area for q, s in surfaces.items()}
    rates = []
    for need in needs:
        zones = choice.zones_of(need.quantity)
        rate = pipeline.run("rate", surfaces[need.quantity], need.curve, area, zones, assurance=need.costs.assurance)
        rates.append(rate[choice.own[need.quantity] - 1] if need.quantity in choice.own else rate)
    return ZoneReport(supply, tuple(rates))
