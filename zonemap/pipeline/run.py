"""The whole flow, from samples to prescription, in order."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from zonemap.agronomy.rate import ZoneRate
from zonemap.agronomy.sufficiency import sufficiency
from zonemap.machine.delivery import delivered, drive_of
from zonemap.machine.heading import best_heading
from zonemap.pipeline.candidates import choose_zones
from zonemap.pipeline.choice import Losses, losses_of
from zonemap.pipeline.costing import need_costs
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
from zonemap.values.prescription import Prescription
from zonemap.values.programme import NeedPath, Programmes
from zonemap.values.samples import Measurements
from zonemap.values.sufficiency import Sufficiency
from zonemap.values.surface import Surface
from zonemap.values.zones import Outlines, ZoneChoice, Zones
from zonemap.zoning.outline import zones_as_drawn

#: told the name of every stage as it starts
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Prepared:
    """What no decision changes: the samples screened, the grid, and the surfaces over it."""

    pipeline: Pipeline
    measured: tuple[Measurements, ...]
    grid: Grid
    surfaces: Mapping[str, Surface]
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """What is lacking at the assurance asked for, and what any zones would lose."""

    needs: tuple[Need, ...]
    losses: Losses
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Zoned:
    """The zones taken, their outlines, and the zone of every cell as the outlines are drawn."""

    choice: ZoneChoice
    outlines: Outlines
    drawn: Zones


@dataclass(frozen=True, slots=True)
class Rated:
    """What every zone needs, and what is spread for it; `paths` are its needs by element and day."""

    report: ZoneReport
    prescription: Prescription
    programmes: Programmes | None
    notes: tuple[Note, ...]
    paths: tuple[NeedPath, ...]


def run(case: Case, pipeline: Pipeline, progress: Progress) -> Plan:
    """Plan one field.

    Raises
    ------
    InputError
        When a stage refuses; the message names the place and the mend.
    """
    prepared = prepare(case, pipeline, progress)
    progress("demand and shortfall")
    asked = ask(prepared, case)
    progress("zones")
    choice = choose_zones(pipeline, asked.losses, prepared.grid, case, prepared.measured)
    zoned = outline(prepared, case, choice)
    progress("rates and products")
    return assemble(prepared, case, asked, zoned, rate(prepared, case, asked, zoned))


def prepare(case: Case, pipeline: Pipeline, progress: Progress) -> Prepared:
    """Screen the samples and make the surfaces: all that no decision changes."""
    progress("samples")
    measured, notes = _screened(case, pipeline)
    grid: Grid = pipeline.run("grid", case.field)
    progress("surfaces")
    surfaces, unused = _surfaces(case, pipeline, measured, grid)
    return Prepared(pipeline, measured, grid, surfaces, (*notes, *unused, *surface_notes(surfaces)))


def ask(prepared: Prepared, case: Case) -> Asked:
    """Say what is lacking, with the crop, the calendar and the assurance of a case."""
    needs, notes = prepared.pipeline.run("need", case, prepared.surfaces, prepared.grid)
    needs = same_currency(needs)
    varying = case.decision.cost_of_varying_ha
    return Asked(needs, losses_of(needs, prepared.surfaces, prepared.grid, cost_of_varying=varying), notes)


def ask_again(asked: Asked, case: Case) -> Asked:
    """The same needs with the costs of another assurance: nothing else hangs on it."""
    anew = same_currency(
        tuple(
            replace(need, costs=need_costs(case.decision, need.curve, need.product, need.available_fraction))
            for need in asked.needs
        )
    )
    by_old = {id(old): new for old, new in zip(asked.needs, anew, strict=True)}
    losses = replace(asked.losses, needs=tuple(by_old[id(need)] for need in asked.losses.needs))
    return replace(asked, needs=anew, losses=losses)


def outline(prepared: Prepared, case: Case, choice: ZoneChoice) -> Zoned:
    """Draw the zones that were chosen."""
    outlines: Outlines = prepared.pipeline.run("outline", choice.zones, prepared.grid, case.field)
    drawn = zones_as_drawn(outlines, prepared.grid) if choice.zones.count > 1 else choice.zones
    return Zoned(choice, outlines, drawn)


def rate(prepared: Prepared, case: Case, asked: Asked, zoned: Zoned) -> Rated:
    """Find what every zone needs and what is spread for it."""
    pipeline, surfaces, grid = prepared.pipeline, prepared.surfaces, prepared.grid
    report = _zone_report(pipeline, asked.needs, surfaces, zoned.choice, grid)
    return Rated(report, *spread(case, pipeline, asked.needs, report, zoned.choice, zoned.outlines))


def assemble(
    prepared: Prepared,
    case: Case,
    asked: Asked,
    zoned: Zoned,
    rated: Rated,
    *,
    going: Callable[[], None] = lambda: None,
) -> Plan:
    """Put a plan together: what the machine makes of it, whether varying pays, and what has to be said.

    `going` is called again and again; what it raises ends the work.
    """
    needs, grid, surfaces, choice = asked.needs, prepared.grid, prepared.surfaces, zoned.choice
    report, prescription = rated.report, rated.prescription
    drive = drive_of(prescription, grid, case.field, case.spreader)
    deliveries, headings = delivered(prescription, drive), best_heading(prescription, drive, going=going)
    needed = any(need.product and kg_ha.any() for need, kg_ha in zip(needs, report.need_kg_ha, strict=True))
    value = value_of_varying(asked.losses, choice, zoned.drawn, needed=needed, case=case)
    said = (
        *case.notes,
        *prepared.notes,
        *asked.notes,
        *choice.notes,
        *rated.notes,
        *limit_notes(prescription, case),
        *delivery_notes(deliveries, headings),
    )
    refusal = (Note("refusal", value.verdict, value.verdict_other),) if value.advice == "no_map" else ()
    return Plan(
        case=case,
        pipeline=prepared.pipeline.name,
        grid=grid,
        surfaces=surfaces,
        needs=needs,
        choice=choice,
        outlines=zoned.outlines,
        zone_report=report,
        value=value,
        prescription=prescription,
        programmes=rated.programmes,
        deliveries=deliveries,
        headings=headings,
        sufficiency=sufficiencies(prepared, asked, choice.zones),
        mapped=any(quantity.count > 1 for quantity in prepared.measured),
        notes=(*refusal, *said, *cautions(case, prescription)),
    )


def sufficiencies(prepared: Prepared, asked: Asked, zones: Zones) -> dict[str, Sufficiency]:
    """Quantity -> supply against demand, where the crop's demand is known."""
    area = prepared.grid.cell_area_ha
    return {
        need.quantity: sufficiency(prepared.surfaces[need.quantity], need.demand, area, zones)
        for need in asked.needs
        if need.demand is not None
    }


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
    rates, read_at = [], []
    for need in needs:
        zones = choice.zones_of(need.quantity)
        rate: ZoneRate = pipeline.run(
            "rate", surfaces[need.quantity], need.curve, area, zones, assurance=need.costs.assurance
        )
        own = choice.own[need.quantity] - 1 if need.quantity in choice.own else slice(None)
        rates.append(rate.need_kg_ha[own])
        read_at.append(None if rate.read_at is None else rate.read_at[own])
    return ZoneReport(supply, tuple(rates), tuple(read_at))
