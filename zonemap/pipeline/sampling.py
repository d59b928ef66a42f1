"""Where to take samples: an even cover before the first, and afterwards where more of them lower the expected loss."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from zonemap.amounts import small
from zonemap.errors import InputError
from zonemap.geostat.covariance import nearest_gap_m
from zonemap.geostat.coverage import cover
from zonemap.pipeline.notes import surface_notes
from zonemap.pipeline.parse import Pipeline
from zonemap.pipeline.placing import Draft, all_of, pairs_beside, refuse_too_many, there, walked, where_allowed
from zonemap.pipeline.run import Prepared, ask, prepare
from zonemap.pipeline.sampling_worth import has_pattern, thinned, what_counts, worth_most
from zonemap.values.case import Case
from zonemap.values.note import Note
from zonemap.values.sampling import Purpose, Sampling, SamplingField, Worth
from zonemap.zoning.sampleable import Sampleable, free_area, sampleable_cells

Progress = Callable[[str], None]

#: samples where nobody says how many, all our choice: one a hectare within bounds before; a fifth of those there after
_LEAST_FIRST, _MOST_FIRST = 8, 60
_SHARE_MORE, _LEAST_MORE, _MOST_MORE = 0.2, 5, 20
#: cores of one composite sample: 12 to 20 are common practice
CORES = 15
#: one place in ten is one of a close pair, from 20 on (after Lark & Marchant 2018)
_PAIRED, _LEAST_PAIRED = 10, 20
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
        return _weighed(case, about, prepared, where, asked, notes)
    if structures == {"too_few"}:
        text = f"{len(about.sampled)} samples are too few to say whether there is a pattern: these fill the gaps."
        return _covered(about, where, asked, "gaps", (*notes, Note("warning", text), *_of_the_samples(prepared)), seed)
    said = (*notes, *_without_pattern(prepared), *_of_the_samples(prepared))
    return _closer(about, where, asked, said, seed)


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
    refuse_too_many(count, int(where.allowed.sum()), where)
    paired = count // _PAIRED if count >= _LEAST_PAIRED else 0
    sampled = there(about)
    centres = cover(where.centres, where.grid.cell_area_ha, count=count - paired, fixed=sampled, seed=seed)
    places = where_allowed(centres, where)
    spacing = math.sqrt(free_area(about.field).area / (count - paired + len(sampled)))
    names = [*range(len(places)), *about.sampled]
    pairs, base, pair_m = pairs_beside(np.vstack([places, sampled]), places, where, paired, spacing, seed)
    draft = Draft(
        np.vstack([places, pairs]),
        all_of("cover", len(places)) + all_of("pair", len(pairs)),
        beside=("",) * len(places) + tuple(names[each] for each in base.tolist()),
    )
    return walked(about, purpose, draft, spacing_m=spacing, pair_m=pair_m, notes=notes)


def _composite(about: SamplingField, where: Sampleable, notes: tuple[Note, ...], seed: int) -> Sampling:
    """Cores of one sample, spread evenly over the field."""
    cores = min(CORES, int(where.allowed.sum()))
    places = where_allowed(cover(where.centres, where.grid.cell_area_ha, count=cores, seed=seed), where)
    spacing = math.sqrt(free_area(about.field).area / cores)
    return walked(about, "composite", Draft(places, all_of("core", cores)), spacing_m=spacing, notes=notes)


# --- after


def _usual_next(samples: int) -> tuple[int, tuple[Note, ...]]:
    count = min(max(round(_SHARE_MORE * samples), _LEAST_MORE), _MOST_MORE)
    text = (
        f"{count} more samples: a fifth of those there, at least {_LEAST_MORE} and at most {_MOST_MORE}, our choice; "
        "--count asks for another number."
    )
    return count, (Note("warning", text),)


def _without_pattern(prepared: Prepared) -> tuple[Note, ...]:
    """Say of quantities without a pattern that more samples at this spacing do not help them."""
    return tuple(
        Note(
            "warning",
            f"{quantity.quantity}: no pattern was found, so more samples at this spacing do not help it; closer ones "
            "would show whether it varies over shorter distances.",
        )
        for quantity in prepared.measured
        if not has_pattern(prepared, quantity)
    )


def _beside_covariates(case: Case) -> tuple[Note, ...]:
    names = ", ".join(covariate.name for covariate in case.covariates)
    text = f"{names}: what goes with them counts as known; samples are weighed by what goes with place alone."
    return (Note("warning", text),) if names else ()


def _of_the_samples(prepared: Prepared) -> tuple[Note, ...]:
    """Notes on what was measured, not those on the surfaces, of which `_without_pattern` says what counts here."""
    of_surfaces = surface_notes(prepared.surfaces)
    return tuple(note for note in prepared.notes if note not in of_surfaces)


def _closer(about: SamplingField, where: Sampleable, count: int, notes: tuple[Note, ...], seed: int) -> Sampling:
    """Close beside samples that show no pattern."""
    sampled = there(about)
    places, first = np.unique(sampled, axis=0, return_index=True)
    gap = nearest_gap_m(places)
    pairs, base, pair_m = pairs_beside(places, sampled, where, count, gap, seed)
    text = (
        "These samples show no pattern, so nobody can say where more of them help a map: these stand close beside them,"
        " to show whether the field varies over shorter distances."
    )
    draft = Draft(pairs, all_of("pair", count), beside=tuple(about.sampled[first[each]] for each in base.tolist()))
    return walked(about, "closer", draft, spacing_m=gap, pair_m=pair_m, notes=(Note("refusal", text), *notes))


def _weighed(
    case: Case,
    about: SamplingField,
    prepared: Prepared,
    where: Sampleable,
    count: int,
    notes: tuple[Note, ...],
) -> Sampling:
    """Add the place that lowers the expected loss most, again and again."""
    cells = thinned(prepared.grid, np.ones(prepared.grid.cells, dtype=bool), about=_CELLS)
    places = where.centres[thinned(where.grid, where.allowed, about=max(_PLACES, math.ceil(1.3 * count)))]
    if count > min(len(places), _MOST_NEXT):
        what = f"{count} are more than the {min(len(places), _MOST_NEXT)} places that are weighed against one another"
        raise InputError("--count", what, f"Ask for {min(len(places), _MOST_NEXT)} or fewer.")
    needs = ask(prepared, case).losses.needs
    quantities, fixed, measure = what_counts(prepared, needs, cells, places)
    area = prepared.grid.cell_area_ha[cells]
    share = area / area.sum()
    chosen, losses, after = worth_most(quantities, share, count)
    lasting = float(fixed @ share)
    scale = len(quantities) if measure == "variance" else 1
    left = {name: float(outlook_then.left @ share) for name, outlook_then in after.items()}
    losses = [(loss + lasting) / scale for loss in losses]
    draft = Draft(places[chosen], all_of("next", count), rank=tuple(range(1, count + 1)), saves=tuple(-np.diff(losses)))
    return walked(
        about,
        "next",
        draft,
        spacing_m=math.sqrt(free_area(about.field).area / (len(about.sampled) + count)),
        worth=Worth(losses[0], losses[-1], measure, left),
        notes=(*notes, *_without_pattern(prepared), *_beside_covariates(case), *_of_the_samples(prepared)),
    )
