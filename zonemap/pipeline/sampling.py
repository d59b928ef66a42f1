"""Where to take samples: an even cover before the first, and afterwards where more of them lower the expected loss."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from zonemap.agronomy.knowing import LossCurve, loss_curve
from zonemap.amounts import small
from zonemap.errors import InputError
from zonemap.geostat.covariance import nearest_gap_m
from zonemap.geostat.coverage import beside, cover
from zonemap.geostat.next_samples import Outlook, outlook
from zonemap.geostat.walk import path_length_m, short_path
from zonemap.pipeline.parse import Pipeline
from zonemap.pipeline.run import Prepared, ask, prepare
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.case import Case
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.sampling import Measure, PlaceKind, Places, Purpose, Sampling, SamplingField, Worth
from zonemap.values.surface import Surface
from zonemap.values.variogram import WeighedVariogram
from zonemap.zoning.sampleable import Sampleable, free_area, sampleable_cells

Progress = Callable[[str], None]

#: samples where nobody says how many, all our choice: one a hectare within bounds before; a fifth of those there after
_LEAST_FIRST, _MOST_FIRST = 8, 60
_SHARE_MORE, _LEAST_MORE, _MOST_MORE = 0.2, 5, 20
#: cores of one composite sample: 12 to 20 are common practice
CORES = 15
#: one place in ten is one of a close pair, from 20 on (after Lark & Marchant 2018); a fifth of the spacing away, our
#: choice
_PAIRED, _LEAST_PAIRED, _PAIR_OF_SPACING = 10, 20, 0.2
#: cells of the field and places that are weighed against one another
_CELLS, _PLACES, _MOST_NEXT = 400, 450, 300


def first_samples(about: SamplingField, *, count: int | None = None, seed: int = 0) -> Sampling:
    """Place samples so that they cover a field evenly, with some close pairs; one sample is a bag of cores.

    Parameters
    ----------
    count
        Samples; ``None`` takes one a hectare, 8 to 60, and one of a lawn or garden (under 0.2 ha).
    seed
        Of the starts of the cover and of the draw of pairs.

    Raises
    ------
    InputError
        When there are more samples than cells, or nothing of the field may be sampled.
    """
    where = sampleable_cells(about.field)
    asked, notes = (count, ()) if count is not None else _usual_first(about)
    if asked == 1:
        return _composite(about, where, notes, seed)
    return _covered(about, where, asked, "first", notes, seed)


def next_samples(
    case: Case, pipeline: Pipeline, progress: Progress, *, count: int | None = None, seed: int = 0
) -> Sampling:
    """Place further samples where they lower most the expected loss of the rates that follow.

    Where no quantity shows a pattern, they stand close beside samples; where samples are too few to say, in the gaps.

    Parameters
    ----------
    count
        Samples; ``None`` takes a fifth of those there, 5 to 20.

    Raises
    ------
    InputError
        As the stages of the pipeline; when there are more samples than places.
    """
    about = _about(case)
    if not about.sampled:
        asked = count or max(_usual(case.field.area_ha, _LEAST_FIRST, _MOST_FIRST), 2)
        text = "One composite sample shows no differences within the field: these are places for samples of a map."
        return _covered(about, sampleable_cells(case.field), asked, "first", (Note("warning", text),), seed)
    asked, notes = (count, ()) if count is not None else _usual_next(len(about.sampled))
    prepared = prepare(case, pipeline, progress)
    where = sampleable_cells(case.field, cell_m=prepared.grid.cell_m)
    structures = {prepared.surfaces[quantity.quantity].evidence.structure for quantity in prepared.measured}
    if "found" in structures:
        progress("what more samples are worth")
        return _weighed(case, about, prepared, where, asked, (*notes, *_without_pattern(prepared)))
    if structures == {"too_few"}:
        text = f"{len(about.sampled)} samples are too few to say whether there is a pattern: these fill the gaps."
        return _covered(about, where, asked, "gaps", (*notes, Note("warning", text)), seed)
    return _closer(about, where, asked, (*notes, *_without_pattern(prepared)), seed)


def _about(case: Case) -> SamplingField:
    """What is there; one composite sample stands for the whole field and has no place."""
    samples = case.samples
    here = slice(None) if samples.count > 1 else slice(0)
    return SamplingField(
        field=case.field,
        units=case.units,
        basis=samples.basis,
        sampled=samples.sample[here],
        easting_m=samples.easting_m[here],
        northing_m=samples.northing_m[here],
        notes=case.notes,
        input_sha256=case.input_sha256,
    )


# --- before


def _usual(area_ha: float, least: int, most: int) -> int:
    return min(max(round(area_ha), least), most)


def _usual_first(about: SamplingField) -> tuple[int, tuple[Note, ...]]:
    if small(about.field.area_ha):
        text = "One composite sample, as is usual for a lawn or a garden; --count asks for more."
        return 1, (Note("warning", text),)
    count = _usual(about.field.area_ha, _LEAST_FIRST, _MOST_FIRST)
    text = (
        f"{count} samples: one a hectare (2.5 ac), at least {_LEAST_FIRST} and at most {_MOST_FIRST}, our choice; "
        "--count asks for another number."
    )
    return count, (Note("warning", text),)


def _covered(
    about: SamplingField, where: Sampleable, count: int, purpose: Purpose, notes: tuple[Note, ...], seed: int
) -> Sampling:
    """An even cover beside the samples that are there, and close pairs."""
    _refuse_too_many(count, int(where.allowed.sum()), where)
    paired = count // _PAIRED if count >= _LEAST_PAIRED else 0
    there = _there(about)
    centres = cover(where.centres, where.grid.cell_area_ha, count=count - paired, fixed=there, seed=seed)
    places = _where_allowed(centres, where)
    spacing = math.sqrt(free_area(about.field).area / (count - paired + len(there)))
    names = [*range(len(places)), *about.sampled]
    pairs, base, pair_m = _pairs(np.vstack([places, there]), places, where, paired, spacing, seed)
    draft = _Draft(
        np.vstack([places, pairs]),
        _all("cover", len(places)) + _all("pair", len(pairs)),
        beside=("",) * len(places) + tuple(names[each] for each in base.tolist()),
    )
    return _walked(about, purpose, draft, spacing_m=spacing, pair_m=pair_m, notes=notes)


def _composite(about: SamplingField, where: Sampleable, notes: tuple[Note, ...], seed: int) -> Sampling:
    """Cores of one sample, spread evenly over the field."""
    cores = min(CORES, int(where.allowed.sum()))
    places = _where_allowed(cover(where.centres, where.grid.cell_area_ha, count=cores, seed=seed), where)
    spacing = math.sqrt(free_area(about.field).area / cores)
    return _walked(about, "composite", _Draft(places, _all("core", cores)), spacing_m=spacing, notes=notes)


def _where_allowed(centres: FloatArray, where: Sampleable) -> FloatArray:
    """Each centre where its cell may be sampled, else the middle of the nearest cell that may, none twice."""
    cell = where.cell_at(centres)
    stays = (cell >= 0) & (where.allowed & where.whole)[cell]
    free = where.allowed.copy()
    free[cell[stays]] = False
    places = centres.copy()
    for number in np.flatnonzero(~stays).tolist():
        open_cells = np.flatnonzero(free)
        chosen = open_cells[np.square(where.centres[open_cells] - centres[number]).sum(axis=1).argmin()]
        free[chosen] = False
        places[number] = where.centres[chosen]
    return places


def _pairs(
    bases: FloatArray, taken: FloatArray, where: Sampleable, count: int, spacing_m: float, seed: int
) -> tuple[FloatArray, IntArray, float]:
    """(count, 2) places close beside some of the bases, whose numbers are given, in cells that are not taken."""
    if count == 0:
        return np.empty((0, 2)), np.empty(0, dtype=np.int64), 0.0
    wanted = max(_PAIR_OF_SPACING * spacing_m, where.grid.cell_m)
    free = where.allowed.copy()
    held = where.cell_at(taken)
    free[held[held >= 0]] = False
    open_cells = where.centres[free]
    _refuse_too_many(count, len(open_cells), where)
    base, chosen = beside(bases, open_cells, distance_m=wanted, count=count, seed=seed)
    return open_cells[chosen], base, wanted


# --- after


def _usual_next(samples: int) -> tuple[int, tuple[Note, ...]]:
    count = min(max(round(_SHARE_MORE * samples), _LEAST_MORE), _MOST_MORE)
    text = (
        f"{count} more samples: a fifth of those there, at least {_LEAST_MORE} and at most {_MOST_MORE}, our choice; "
        "--count asks for another number."
    )
    return count, (Note("warning", text),)


def _found(prepared: Prepared, quantity: Measurements) -> bool:
    return prepared.surfaces[quantity.quantity].evidence.structure == "found"


def _without_pattern(prepared: Prepared) -> tuple[Note, ...]:
    """Say of quantities without a pattern that more samples at this spacing do not help them."""
    return tuple(
        Note(
            "warning",
            f"{quantity.quantity}: no pattern was found, so more samples at this spacing do not help it; closer ones "
            "would show whether it varies over shorter distances.",
        )
        for quantity in prepared.measured
        if not _found(prepared, quantity)
    )


def _closer(about: SamplingField, where: Sampleable, count: int, notes: tuple[Note, ...], seed: int) -> Sampling:
    """Close beside samples that show no pattern."""
    there = _there(about)
    places, first = np.unique(there, axis=0, return_index=True)
    gap = nearest_gap_m(places)
    pairs, base, pair_m = _pairs(places, there, where, count, gap, seed)
    text = (
        "These samples show no pattern, so nobody can say where more of them help a map: these stand close beside them,"
        " to show whether the field varies over shorter distances."
    )
    draft = _Draft(pairs, _all("pair", count), beside=tuple(about.sampled[first[each]] for each in base.tolist()))
    return _walked(about, "closer", draft, spacing_m=gap, pair_m=pair_m, notes=(Note("refusal", text), *notes))


@dataclass(frozen=True, slots=True)
class _Weighed:
    """One quantity: what is known of it, and what each of its needs loses by that."""

    outlook: Outlook
    curves: tuple[LossCurve, ...]

    def losses(self, share_left: FloatArray) -> FloatArray:
        """Losses of all needs, of the shape of the shares."""
        return np.asarray(sum(curve.at(share_left) for curve in self.curves))


def _weighed(
    case: Case,
    about: SamplingField,
    prepared: Prepared,
    where: Sampleable,
    count: int,
    notes: tuple[Note, ...],
) -> Sampling:
    """Add the place that lowers the expected loss most, again and again."""
    cells = _thinned(prepared.grid, np.ones(prepared.grid.cells, dtype=bool), about=_CELLS)
    places = where.centres[_thinned(where.grid, where.allowed, about=max(_PLACES, math.ceil(1.3 * count)))]
    if count > min(len(places), _MOST_NEXT):
        what = f"{count} are more than the {min(len(places), _MOST_NEXT)} places that are weighed against one another"
        raise InputError("--count", what, f"Ask for {min(len(places), _MOST_NEXT)} or fewer.")
    asked = ask(prepared, case)
    needs = asked.losses.needs
    quantities, fixed, measure = _what_counts(prepared, needs, cells, places)
    area = prepared.grid.cell_area_ha[cells]
    chosen, losses = _greedy(quantities, area / area.sum(), count)
    lasting = float(fixed @ area / area.sum())
    scale = len(quantities) if measure == "variance" else 1
    left = {name: float(_with_all(each.outlook, chosen).left @ area / area.sum()) for name, each in quantities.items()}
    losses = [(loss + lasting) / scale for loss in losses]
    draft = _Draft(places[chosen], _all("next", count), rank=tuple(range(1, count + 1)), saves=tuple(-np.diff(losses)))
    return _walked(
        about,
        "next",
        draft,
        spacing_m=math.sqrt(free_area(about.field).area / (len(about.sampled) + count)),
        worth=Worth(losses[0], losses[-1], measure, left),
        notes=(*notes, *prepared.notes, *asked.notes),
    )


def _what_counts(
    prepared: Prepared, needs: Sequence[Need], cells: IntArray, places: FloatArray
) -> tuple[dict[str, _Weighed], FloatArray, Measure]:
    """Quantities with a pattern that rates hang on, what the others lose whatever is sampled, and the measure."""
    curves: dict[str, list[LossCurve]] = {}
    for need in needs:
        surface = prepared.surfaces[need.quantity].of_cells(cells)
        curves.setdefault(need.quantity, []).append(loss_curve(surface, need))
    all_left = np.ones(len(cells))
    found = [quantity for quantity in prepared.measured if _found(prepared, quantity)]
    live = [
        quantity
        for quantity in found
        if any(curve.at(all_left).max() > 0 for curve in curves.get(quantity.quantity, ()))
    ]
    centres = np.column_stack(prepared.grid.centres())[cells]
    if not live:
        plain = (LossCurve.of_variance(len(cells)),)
        seen = {q.quantity: _Weighed(_seen(prepared, q, centres, places), plain) for q in found}
        return seen, np.zeros(len(cells)), "variance"
    names = {quantity.quantity for quantity in live}
    others = [curve.at(all_left) for name, several in curves.items() if name not in names for curve in several]
    measure: Measure = "money" if all(need.costs.priced for need in needs) else "relative"
    seen = {q.quantity: _Weighed(_seen(prepared, q, centres, places), tuple(curves[q.quantity])) for q in live}
    return seen, np.asarray(sum(others, start=np.zeros(len(cells)))), measure


def _seen(prepared: Prepared, quantity: Measurements, cells: FloatArray, places: FloatArray) -> Outlook:
    return outlook(quantity, _models(prepared.surfaces[quantity.quantity]), cells, places, side_m=prepared.grid.cell_m)


def _models(surface: Surface) -> tuple[WeighedVariogram, ...]:
    """What the surface was predicted with."""
    evidence = surface.evidence
    if evidence.models or evidence.variogram is None:
        return evidence.models
    return (WeighedVariogram(1.0, evidence.variogram),)


def _greedy(quantities: dict[str, _Weighed], weight: FloatArray, count: int) -> tuple[list[int], list[float]]:
    """Numbers of the places in the order taken, and the loss before the first and after each."""
    outlooks = {name: each.outlook for name, each in quantities.items()}
    losses = [sum(float(each.losses(each.outlook.left) @ weight) for each in quantities.values())]
    chosen: list[int] = []
    for _ in range(count):
        loss = sum(each.losses(outlooks[name].left_with_one_more()) @ weight for name, each in quantities.items())
        total = np.asarray(loss)
        total[chosen] = np.inf
        chosen.append(int(total.argmin()))
        losses.append(float(total[chosen[-1]]))
        outlooks = {name: each.with_sample(chosen[-1]) for name, each in outlooks.items()}
    return chosen, losses


def _with_all(start: Outlook, places: Sequence[int]) -> Outlook:
    for place in places:
        start = start.with_sample(place)
    return start


def _thinned(grid: Grid, allowed: np.ndarray, *, about: int) -> IntArray:
    """Numbers of allowed cells on a lattice as wide as leaves at least so many, or all where there are fewer."""
    row, column = np.nonzero(grid.inside)
    stride = max(int(math.sqrt(allowed.sum() / about)), 1)
    while True:
        kept = allowed & (row % stride == stride // 2) & (column % stride == stride // 2)
        if stride == 1 or kept.sum() >= 0.8 * about:
            return np.flatnonzero(kept)
        stride -= 1


# --- both


def _all(kind: PlaceKind, count: int) -> tuple[PlaceKind, ...]:
    return (kind,) * count


@dataclass(frozen=True, slots=True)
class _Draft:
    """Places in any order; what a pair stands beside is a sample's name, or the number of one of these places."""

    xy: FloatArray
    kind: tuple[PlaceKind, ...]
    beside: tuple[str | int, ...] = ()
    rank: tuple[int, ...] = ()
    saves: tuple[float, ...] = ()


def _there(about: SamplingField) -> FloatArray:
    """(n, 2) places of the samples that are there."""
    return np.column_stack([about.easting_m, about.northing_m])


def _refuse_too_many(count: int, room: int, where: Sampleable) -> None:
    if count > room:
        what = f"{count:,} samples are more than the {room:,} cells of {where.grid.cell_m:g} m that may be sampled"
        raise InputError("--count", what, f"Ask for {room:,} or fewer." if room else "Correct the boundary.")


def _walked(
    about: SamplingField,
    purpose: Purpose,
    draft: _Draft,
    *,
    spacing_m: float,
    notes: tuple[Note, ...],
    pair_m: float = 0.0,
    worth: Worth | None = None,
) -> Sampling:
    """Bring places into walking order and name them."""
    order = short_path(draft.xy).tolist()
    xy, nothing = draft.xy[order], (0,) * len(order)
    names = _names(len(order), purpose, taken=about.sampled)
    new_name = {old: names[new] for new, old in enumerate(order)}
    others = [draft.beside[old] if draft.beside else "" for old in order]
    places = Places(
        name=names,
        kind=tuple(draft.kind[old] for old in order),
        easting_m=xy[:, 0],
        northing_m=xy[:, 1],
        beside=tuple(other if isinstance(other, str) else new_name[other] for other in others),
        rank=tuple((draft.rank or nothing)[old] for old in order),
        saves=np.array([(draft.saves or nothing)[old] for old in order], dtype=float),
    )
    return Sampling(about, purpose, places, path_length_m(xy), spacing_m, pair_m, worth, (*notes, *about.notes))


def _names(count: int, purpose: Purpose, *, taken: tuple[str, ...]) -> tuple[str, ...]:
    """Names as long as one another, none of which a sample has already."""
    used = {name.casefold() for name in taken}
    letter = {"first": "S", "composite": "C"}.get(purpose, "N")
    digits = max(len(str(count)), 2)
    series = (letter if again == 1 else f"{letter}{again}-" for again in itertools.count(1))
    several = (tuple(f"{stem}{number:0{digits}}" for number in range(1, count + 1)) for stem in series)
    return next(names for names in several if not used & {name.casefold() for name in names})
