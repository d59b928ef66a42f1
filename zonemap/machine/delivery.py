"""Spreading, simulated: passes at a heading and swath, position lag, first-order response, spread pattern."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.machine.ground import Ground, ground_of
from zonemap.machine.passes import Headland, headland, straight_passes
from zonemap.machine.pattern import ACCEPTABLE_CV, HARMFUL_CV, overlap_cv, pattern_of
from zonemap.machine.response import lead_m, response_length_m
from zonemap.machine.route import Route, thrown
from zonemap.values.arrays import FloatArray
from zonemap.values.delivery import Delivery
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Spreader
from zonemap.values.spread_pattern import SpreadPattern


@dataclass(frozen=True, slots=True)
class Drive:
    """All that stays as it is when only the heading changes: the ground, and the rounds along the outline."""

    ground: Ground
    headland: Headland
    pattern: SpreadPattern
    swath_m: float
    spreader: Spreader
    outside_kg_ha: float

    def passes(self, heading_deg: float) -> Route:
        """Parallel passes over what the rounds leave."""
        return straight_passes(
            self.ground,
            self.headland.left,
            heading_deg=heading_deg,
            swath_m=self.swath_m,
            pattern=self.pattern,
            lead_m=lead_m(self.spreader),
        )

    def spread(self, application: Application, passes: Route) -> tuple[FloatArray, float]:
        """Cell vector of what rounds and passes lay down together, kg/ha, and the mass they emit, kg."""
        rate_of_zone = np.concatenate([[0.0], application.rate_kg_ha, [self.outside_kg_ha]])
        length = response_length_m(self.spreader)
        cells = self.ground.zone.size
        laid, emitted = np.zeros(cells), 0.0
        for route in (*self.headland.rounds, passes):
            on_cells, mass = thrown(route, rate_of_zone, cells=cells, swath_m=self.swath_m, length_m=length)
            laid, emitted = laid + on_cells, emitted + mass
        return laid, emitted


def drive_of(prescription: Prescription, grid: Grid, field: Field, spreader: Spreader) -> Drive | None:
    """Lay out ground and rounds of a field; ``None`` without a swath or an application: then nothing can be driven."""
    swath_m = spreader.swath_m
    if swath_m is None or not prescription.applications:
        return None
    ground, pattern = ground_of(prescription, grid, field), pattern_of(spreader, swath_m=swath_m)
    rounds = headland(
        ground,
        field.boundary,
        rounds=spreader.headland_swaths,
        swath_m=swath_m,
        pattern=pattern,
        lead_m=lead_m(spreader),
    )
    return Drive(ground, rounds, pattern, swath_m, spreader, prescription.outside_rate_kg_ha)


def delivered(prescription: Prescription, drive: Drive | None) -> tuple[Delivery, ...]:
    """Simulate every application; none where nothing can be driven.

    Parameters
    ----------
    drive
        From `drive_of`, of the same prescription.

    Notes
    -----
    Rounds along the outline come first (`Spreader.headland_swaths`), then parallel passes over the rest. The controller
    reads the polygons at a point ahead of where the product falls, and the rate outside where there is none; the rate
    follows with a first-order response, and the pattern lays it down to both sides; what passes and rounds lay on a
    cell adds up. See `zonemap.machine.passes` for what is assumed at the ends of passes.
    """
    if drive is None:
        return ()
    spreader, grid = drive.spreader, drive.ground.grid
    heading = spreader.heading_deg or 0.0
    passes, notes = drive.passes(heading), _taken_for_granted(spreader, drive)
    track = (*(line for route in drive.headland.rounds for line in route.track), *passes.track)
    open_ground = drive.ground.zone > 0
    result = []
    for application in prescription.applications:
        laid, emitted = drive.spread(application, passes)
        result.append(
            Delivery(
                application=application,
                heading_deg=heading,
                swath_m=drive.swath_m,
                passes=passes.lines,
                rounds=len(drive.headland.rounds),
                intended_kg_ha=np.concatenate([[0.0], application.rate_kg_ha])[drive.ground.zone],
                delivered_kg_ha=laid,
                spreadable_ha=np.where(open_ground, grid.cell_area_ha, 0.0),
                closed_ha=np.where(open_ground, 0.0, grid.cell_area_ha),
                emitted_kg=emitted,
                track=track,
                notes=notes,
            )
        )
    return tuple(result)


def _taken_for_granted(spreader: Spreader, drive: Drive) -> tuple[Note, ...]:
    """What the simulation had to assume, and passes that are too uneven by themselves."""
    said = []
    if spreader.heading_deg is None:
        said.append("heading_deg: not stated, passes north and south were simulated.")
    if spreader.response_s is None or spreader.speed_m_s is None:
        said.append("speed or response_s: not stated, so the rate was taken to change at once.")
    if spreader.headland_swaths and not drive.headland.rounds:
        said.append("headland_swaths: the field is too small for a round along its outline, so none was simulated.")
    uneven = overlap_cv(drive.pattern, swath_m=drive.swath_m)
    if uneven > ACCEPTABLE_CV:
        harm = (
            f"above {HARMFUL_CV:.0%} crops lose yield"
            if uneven > HARMFUL_CV
            else f"up to {ACCEPTABLE_CV:.0%} is acceptable"
        )
        said.append(f"pattern: its passes overlap with a coefficient of variation of {uneven:.0%}; {harm}.")
    return tuple(Note("warning", f"field.toml, spreader, {text}") for text in said)
