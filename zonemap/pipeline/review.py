"""One field at rest: surfaces and zones are kept, so that a decision is answered without making them again.

Zones stay as they were made with the field's own assurance: another assurance changes their rates, not their outlines.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from copy import copy
from dataclasses import replace
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import TypeVar

import numpy as np
from shapely import MultiPolygon, Polygon, get_parts

from zonemap.amounts import in_both, small
from zonemap.errors import InputError
from zonemap.machine.delivery import delivered, drive_of
from zonemap.pipeline.candidates import choose_zones
from zonemap.pipeline.choice import Candidate, Candidates, Losses, fixed
from zonemap.pipeline.parse import Pipeline
from zonemap.pipeline.run import (
    Asked,
    Prepared,
    Progress,
    Rated,
    Zoned,
    ask,
    ask_again,
    assemble,
    outline,
    prepare,
    rate,
)
from zonemap.pipeline.run import sufficiencies as _sufficiencies
from zonemap.pipeline.spreading import ask_of
from zonemap.products.at_rates import at_rates
from zonemap.products.programme import programme_alone, programmes
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.delivery import Delivery
from zonemap.values.field import Field, NoSpread
from zonemap.values.hand import ZoneEdit
from zonemap.values.need import Need
from zonemap.values.note import Note
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application
from zonemap.values.programme import Programmes
from zonemap.values.review import Decisions, RateByHand
from zonemap.values.sufficiency import Sufficiency
from zonemap.values.zones import ZoneChoice, Zones
from zonemap.zoning.hand import edited

Kept = TypeVar("Kept")
#: (product, day) and zone -> the rate set by hand
Rates = Mapping[tuple[str, date | None, int], RateByHand]

#: what does not hang on the programmes beside the one that is taken
_SAME_AT_A_GLANCE = ("asked", "choice", "counted", "loss", "losses", "sufficiency", "zoned", "zones")
#: answers of each kind that are kept; some are large
_MOST_KEPT = 24
_MOST_KEPT_OF = {"asked": 2, "plan": 1, "deliveries": 2, "loss": 5000}


class Desk:
    """A field whose decisions can be changed; every answer is that of the pipeline's own stages.

    Parameters
    ----------
    case, pipeline
        As for `zonemap.pipeline.run.run`.
    progress
        Told the name of every stage as it starts.

    Raises
    ------
    InputError
        When a stage refuses.
    """

    def __init__(self, case: Case, pipeline: Pipeline, progress: Progress) -> None:
        self.case = case
        self.prepared: Prepared = prepare(case, pipeline, progress)
        progress("demand and shortfall")
        self._kept: dict[str, dict[object, object]] = {}
        self._keeping = threading.Lock()
        self._candidates: dict[int, Candidate] = {}
        self._first = ask(self.prepared, case)
        progress("zones")
        self._own: ZoneChoice = choose_zones(
            self._pipeline(self._remembering(pipeline)), self._first.losses, self.prepared.grid, case,
            self.prepared.measured,
        )  # fmt: skip
        progress("rates and products")
        self.rated(Decisions())

    @cached_property
    def glance(self) -> Desk:
        """The same desk for a first look: it makes the programme that is taken, without those beside it."""
        found, pipeline = copy(self), self.prepared.pipeline
        if getattr(pipeline.methods["products"], "func", None) is programmes:
            pipeline = replace(pipeline, methods={**pipeline.methods, "products": programme_alone})
        found.prepared = replace(self.prepared, pipeline=pipeline)
        found._kept = {kind: self._kept.setdefault(kind, {}) for kind in _SAME_AT_A_GLANCE}
        return found

    # --- what a decision leads to

    def case_of(self, decisions: Decisions) -> Case:
        """Return the case with the decisions in it."""
        case = self.case
        if decisions.assurance is not None:
            case = replace(case, decision=replace(case.decision, assurance=decisions.assurance))
        if decisions.closed:
            closed = tuple(_inside(place, case.field) for place in decisions.closed)
            case = replace(case, field=replace(case.field, no_spread=(*case.field.no_spread, *closed)))
        return case

    def asked(self, decisions: Decisions) -> Asked:
        """What is lacking at the assurance decided on."""
        if decisions.assurance is None:
            return self._first
        case = self.case_of(decisions)
        return self._keep("asked", decisions.assurance, lambda: ask_again(self._first, case))

    def zoned(self, decisions: Decisions) -> Zoned:
        """Zones of the number decided on, changed by hand."""
        return self._keep("zoned", (decisions.count, decisions.edits), lambda: self._zoned(decisions))

    def rated(self, decisions: Decisions) -> Rated:
        """What is spread, as the plan would have it."""
        key = (decisions.count, decisions.edits, decisions.assurance, decisions.closed)
        case = self.case_of(decisions)
        return self._keep("rated", key, lambda: rate(self.prepared, case, self.asked(decisions), self.zoned(decisions)))

    def decided(self, decisions: Decisions) -> Rated:
        """What is spread, with the rates set by hand."""
        rated, rates = self.rated(decisions), self.rates(decisions)
        if not rates:
            return rated
        return self._keep("decided", decisions, lambda: self._decided(decisions, rated, rates))

    def plan(self, decisions: Decisions, going: Callable[[], None] = lambda: None) -> Plan:
        """Put the whole plan together, for its files; what `going` raises meanwhile ends it, and nothing is kept."""
        return self._keep("plan", decisions, lambda: self._plan(decisions, going))

    def rates(self, decisions: Decisions) -> Rates:
        """Rates set by hand that still hold: one of a zone that was changed afterwards does not."""
        standing: dict[tuple[str, date | None, int], RateByHand] = {}
        edits: list[ZoneEdit] = []
        for step in decisions.by_hand:
            if isinstance(step, RateByHand):
                key = (step.product, step.on, step.zone)
                standing.pop(key, None)
                if step.rate_kg_ha is not None:
                    standing[key] = step
                continue
            before = self._zones(decisions.count, tuple(edits))
            edits.append(step)
            same = _unchanged(before, self._zones(decisions.count, tuple(edits)))
            moved = {(p, on, same[zone]): rate for (p, on, zone), rate in standing.items() if zone in same}
            standing = {key: replace(rate, zone=key[2]) for key, rate in moved.items()}
        return MappingProxyType(standing)

    def losses(self, decisions: Decisions) -> dict[int, float]:
        """Number of zones -> expected loss per ha at the assurance decided on, of all numbers that were tried."""
        if decisions.assurance is None:
            return dict(self._own.loss)
        losses = self.asked(decisions).losses
        return self._keep("losses", decisions.assurance, lambda: self._losses(losses))

    def loss_as_spread(self, decisions: Decisions) -> float:
        """Mean expected loss per ha of what is spread, the machine's steps and rates set by hand among it."""
        losses, zones, rated = self.asked(decisions).losses, self.zoned(decisions).choice.zones, self.decided(decisions)
        shape = (decisions.count, decisions.edits)
        cells = self._keep("counted", shape, lambda: losses.counted_in(zones))

        def loss(position: int, zone: int, given: float) -> float:
            # another rate in one zone leaves most of it as it is
            key = (decisions.assurance, *shape, position, zone, given)
            return self._keep("loss", key, lambda: losses.of_zone(position, cells[zone], given))

        return sum(
            loss(position, zone, given)
            for position, need in enumerate(losses.needs)
            for zone, given in enumerate(given_kg_ha(need, rated).tolist())
        )

    def sufficiencies(self, decisions: Decisions) -> dict[str, Sufficiency]:
        """Quantity -> supply against demand, of the field and of the zones."""
        asked, zones = self.asked(decisions), self.zoned(decisions).choice.zones
        key = (decisions.count, decisions.edits)
        return self._keep("sufficiency", key, lambda: _sufficiencies(self.prepared, asked, zones))

    def deliveries(self, decisions: Decisions) -> tuple[Delivery, ...]:
        """Each application as the machine would spread it; none where it states no swath."""
        case, prescription = self.case_of(decisions), self.decided(decisions).prescription
        return self._keep(
            "deliveries",
            decisions,
            lambda: delivered(prescription, drive_of(prescription, self.prepared.grid, case.field, case.spreader)),
        )

    @property
    def counts(self) -> tuple[int, ...]:
        """Numbers of zones that can be chosen; one alone where zones are drawn or every product has its own."""
        if self.case.hand.drawn is not None or self._own.own or not self._candidates:
            return (self._own.zones.count,)
        return tuple(sorted({1, *self._asked_for}))

    @property
    def own_count(self) -> int:
        """Number of zones the plan chose."""
        return self._own.zones.count

    @property
    def alike(self) -> Mapping[int, tuple[tuple[int, int], ...]]:
        """Number of zones -> pairs of touching zones that the samples cannot tell apart."""
        return self._own.alike

    def limited(self, step: RateByHand, decisions: Decisions) -> float:
        """Return the rate the spreader can do that is nearest to one set by hand, kg/ha.

        Raises
        ------
        InputError
            For a zone or product that is not there, or a rate the spreader cannot do.
        """
        zones = self.zoned(decisions).choice.zones.count
        if not 1 <= step.zone <= zones:
            raise InputError("rate", f"there is no zone {step.zone}", f"Name one from 1 to {zones}.")
        known = [(a.product.name, a.on) for a in self.rated(decisions).prescription.applications]
        if (step.product, step.on) not in known:
            raise InputError("rate", "this product is not spread on that day", "Name a product and day of the plan.")
        wished = step.rate_kg_ha or 0.0
        spreader = self.case.spreader
        if wished > spreader.max_rate_kg_ha * (1 + 1e-9):
            asked, most = self._both_units(wished), self._both_units(spreader.max_rate_kg_ha)
            what = f"{asked} is above the spreader's largest rate, {most}"
            raise InputError("rate", what, "Give a smaller rate.")
        unit = KG_HA_PER_LB_AC if self.case.units == "us" else 1.0
        step_kg_ha = (1.0 if wished >= 20 * unit else 0.1) * unit
        given = self.prepared.pipeline.run("limits", np.array([wished]), spreader, step_kg_ha=step_kg_ha)
        return float(given[0])

    # --- how

    def _keep(self, kind: str, key: object, make: Callable[[], Kept]) -> Kept:
        """Give what was made before, or make it; several threads may ask, and then make it twice."""
        with self._keeping:
            kept = self._kept.setdefault(kind, {})
            if key in kept:
                kept[key] = found = kept.pop(key)  # the last to be thrown out
                return found  # type: ignore[return-value]
        made = make()
        with self._keeping:
            kept[key] = made
            while len(kept) > _MOST_KEPT_OF.get(kind, _MOST_KEPT):
                kept.pop(next(iter(kept)))
        return made

    def _pipeline(self, zone_count: Callable[[Candidates, Losses], ZoneChoice]) -> Pipeline:
        pipeline = self.prepared.pipeline
        return replace(pipeline, methods={**pipeline.methods, "zone_count": zone_count})

    def _remembering(self, pipeline: Pipeline) -> Callable[[Candidates, Losses], ZoneChoice]:
        """Choose the number of zones as the pipeline does, and keep what was tried, first of the zones all share."""
        mine = self._candidates

        def chosen(candidates: Candidates, losses: Losses) -> ZoneChoice:
            first = not mine

            def remembered(count: int) -> Candidate:
                found = candidates(count)
                if first:
                    mine[count] = found
                return found

            choice: ZoneChoice = pipeline.run("zone_count", remembered, losses)
            return choice

        return chosen

    @cached_property
    def _asked_for(self) -> dict[int, int]:
        """Number of zones that can be had -> number to ask for, of several the one that loses least."""
        losses, best = self._first.losses, dict[int, tuple[float, int]]()
        for asked, candidate in sorted(self._candidates.items()):
            count = candidate.zones.count
            loss = losses.of_zones(candidate.zones)
            if count > 1 and (count not in best or loss < best[count][0]):
                best[count] = (loss, asked)
        return {count: asked for count, (_, asked) in best.items()}

    def _choice(self, count: int | None, edits: tuple[ZoneEdit, ...]) -> ZoneChoice:
        if count is None and not edits:
            return self._own
        if count is not None and count not in self.counts:
            raise InputError("zones", f"there are no {count} zones", f"Choose one of {_words(self.counts)}.")
        return self._keep("choice", (count, edits), lambda: self._changed(count, edits))

    def _changed(self, count: int | None, edits: tuple[ZoneEdit, ...]) -> ZoneChoice:
        pipeline, taken = self.prepared.pipeline, count or self.own_count
        if len(self.counts) > 1:
            pipeline = self._pipeline(lambda _, losses: self._of_count(taken, losses))
        case = self.case if count is None else replace(self.case, hand=replace(self.case.hand, edits=()))
        beside = [(f"review, change {number}", edit) for number, edit in enumerate(edits, start=1)]
        grid, measured = self.prepared.grid, self.prepared.measured
        return choose_zones(pipeline, self._first.losses, grid, case, measured, beside=beside)

    def _of_count(self, count: int, losses: Losses) -> ZoneChoice:
        if count == 1:
            return ZoneChoice(losses.flat(), self._own.loss, alike=self._own.alike)
        choice = fixed(lambda _: self._candidates[self._asked_for[count]], losses, count=count)
        return replace(choice, loss={**self._own.loss, **choice.loss}, alike=self._own.alike)

    def _zones(self, count: int | None, edits: tuple[ZoneEdit, ...]) -> Zones:
        if not edits:
            return self._choice(count, ()).zones

        def made() -> Zones:
            before = self._zones(count, edits[:-1])
            return edited(before, self.prepared.grid, edits[-1], where=f"review, change {len(edits)}")

        return self._keep("zones", (count, edits), made)

    def _zoned(self, decisions: Decisions) -> Zoned:
        return outline(self.prepared, self.case, self._choice(decisions.count, decisions.edits))

    def _losses(self, losses: Losses) -> dict[int, float]:
        found = {1: losses.of_zones(losses.flat()), self.own_count: losses.of_zones(self._own.zones)}
        if len(self.counts) > 1:
            for count, asked in self._asked_for.items():
                found[count] = losses.of_zones(self._candidates[asked].zones)
        return dict(sorted(found.items()))

    def _decided(self, decisions: Decisions, rated: Rated, rates: Rates) -> Rated:
        applications, notes = [], []
        for application in rated.prescription.applications:
            planned, changed = application.rate_kg_ha, np.array(application.rate_kg_ha)
            for (product, on, zone), wished in rates.items():
                if (product, on) == (application.product.name, application.on) and wished.rate_kg_ha is not None:
                    notes.append(self._note(wished, changed[zone - 1]))
                    changed[zone - 1] = wished.rate_kg_ha
            limited = None if np.array_equal(changed, planned) else planned
            applications.append(replace(application, rate_kg_ha=changed, limited_kg_ha=limited))
        notes += self._without_effect(rates, applications)
        case = self.case_of(decisions)
        programmes = None
        if rated.programmes is not None:
            programmes = self._programmes(case, decisions, rated, rated.programmes, applications)
        spread = tuple(a for a in applications if a.rate_kg_ha.any())
        prescription = replace(rated.prescription, applications=spread)
        return replace(rated, prescription=prescription, programmes=programmes, notes=(*rated.notes, *notes))

    def _programmes(
        self, case: Case, decisions: Decisions, rated: Rated, made: Programmes, applications: list[Application]
    ) -> Programmes:
        area = rated.prescription.zone_area_ha(self.zoned(decisions).choice.zones.count)
        own = len(made.chosen.doses)  # what rate tables ask for comes after
        chosen = at_rates(made.chosen, ask_of(case, rated.paths, area), applications[:own])
        return replace(made, chosen=chosen)

    def _note(self, by_hand: RateByHand, planned_kg_ha: float) -> Note:
        on = f" on {by_hand.on}" if by_hand.on else ""
        why = f" ({by_hand.reason})" if by_hand.reason else ""
        texts = in_both(
            self.case.units,
            lambda read: (
                f"{by_hand.product}{on}, zone {by_hand.zone}: set by hand to {read.rate(by_hand.rate_kg_ha or 0.0)}; "
                f"the plan had {read.rate(planned_kg_ha)}{why}."
            ),
            tiny=small(self.case.field.area_ha),
        )
        return Note("warning", *texts)

    def _both_units(self, kg_ha: float) -> str:
        """Rate in the field's units, and in the other system: the page may show either."""
        tiny = small(self.case.field.area_ha)
        own, other = in_both(self.case.units, lambda read: read.rate(kg_ha), tiny=tiny)
        return f"{own} ({other})"

    def _without_effect(self, rates: Rates, applications: list[Application]) -> list[Note]:
        known = {(a.product.name, a.on) for a in applications}
        lost = dict.fromkeys(product for product, on, _ in rates if (product, on) not in known)
        return [
            Note("warning", f"{product}: a rate set by hand has no effect, because it is not spread on that day.")
            for product in lost
        ]

    def _plan(self, decisions: Decisions, going: Callable[[], None]) -> Plan:
        case, zoned = self.case_of(decisions), self.zoned(decisions)
        choice = zoned.choice
        if decisions.assurance is not None:
            losses = self.asked(decisions).losses
            loss = {**self.losses(decisions), choice.zones.count: losses.of_zones(choice.zones)}
            choice = replace(choice, loss=loss, loss_as_grouped=None)
        asked, decided = self.asked(decisions), self.decided(decisions)
        plan = assemble(self.prepared, case, asked, replace(zoned, choice=choice), decided, going=going)
        text = (
            f"Zones are those made for an assurance of {self.case.decision.assurance:.0%}; their rates are for "
            f"{case.decision.assurance:.0%}."
        )
        return plan if decisions.assurance is None else replace(plan, notes=(*plan.notes, Note("warning", text)))


def _unchanged(before: Zones, after: Zones) -> dict[int, int]:
    """Zone -> its number afterwards, of zones that hold the same cells as before.

    >>> _unchanged(Zones(np.array([1, 1, 2, 3])), Zones(np.array([1, 1, 1, 2])))
    {3: 2}
    """
    pairs = np.unique(np.column_stack([before.number, after.number]), axis=0)
    old, new = np.bincount(pairs[:, 0]), np.bincount(pairs[:, 1])
    return {int(a): int(b) for a, b in pairs if old[a] == 1 and new[b] == 1}


def _inside(place: NoSpread, field: Field) -> NoSpread:
    """Return what of a closed area lies in the field."""
    cut = place.area.intersection(field.boundary)
    parts = [part for part in get_parts(cut) if isinstance(part, Polygon) and part.area > 0]
    if not parts:
        raise InputError("no spreading", "the area lies outside the field", "Draw it inside.")
    return replace(place, area=MultiPolygon(parts))


def given_kg_ha(need: Need, rated: Rated) -> FloatArray:
    """(zones,) of what a need is of, that feeds the crop from what is spread."""
    zones = rated.report.need_kg_ha[0].size
    if need.curve.product:
        named = [a.rate_kg_ha for a in rated.prescription.applications if a.product.name == need.curve.product]
        return np.asarray(sum(named, np.zeros(zones)), dtype=np.float64)
    balances = rated.programmes.chosen.balances if rated.programmes else ()
    given = [balance.given_kg_ha for balance in balances if balance.element == need.element]
    return given[0] if given else np.zeros(zones)


def _words(numbers: tuple[int, ...]) -> str:
    return ", ".join(str(number) for number in numbers)
