"""Two or more sets of samples of one field, compared quantity by quantity."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from zonemap.agronomy.disagreement import possible_causes
from zonemap.errors import InputError
from zonemap.geostat.independence import effective_pairs
from zonemap.geostat.pairing import default_distance_m, pair_places
from zonemap.geostat.ranks import rank_correlation, rank_shares, trend_of
from zonemap.pipeline.parse import Pipeline
from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.comparison import Comparison, QuantityComparison, SampleSet, SampleSets, SetComparison, Trend
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.samples import Measurements
from zonemap.values.surface import Surface

Progress = Callable[[str], None]


def compare_sets(sets: SampleSets, pipeline: Pipeline, progress: Progress, *, within_m: float | None) -> Comparison:
    """Compare every other set with the first.

    Parameters
    ----------
    within_m
        Places up to this far apart are one; ``None`` takes a third of the spacing of the denser set.

    Raises
    ------
    InputError
        When a set is compared with itself, or shares no quantity with the first.
    """
    compared, notes = [], list(sets.notes)
    for other in sets.others:
        progress(f"comparing {other.name}")
        comparison, more = _compared(sets.first, other, sets.field, pipeline, within_m)
        compared.append(comparison)
        notes += more
    if not any(quantity.says_something for each in compared for quantity in each.quantities):
        text = "Nothing can be said: every quantity has too few pairs, equal values or no pattern."
        notes.insert(0, Note("refusal", text))
    return Comparison(sets.field, sets.units, tuple(compared), tuple(dict.fromkeys(notes)), sets.input_sha256)


def _compared(
    first: SampleSet, other: SampleSet, field: Field, pipeline: Pipeline, within_m: float | None
) -> tuple[SetComparison, list[Note]]:
    _refuse_same(first, other)
    both, notes = [], []
    for quantity, other_quantity in _common(first, other):
        one, said = pipeline.run("screen", first.samples, quantity)
        two, more = pipeline.run("screen", other.samples, other_quantity)
        both.append((one, two))
        notes += [Note(n.kind, f"{s.name}: {n.text}") for s, ns in ((first, said), (other, more)) for n in ns]
    distance = within_m or min(default_distance_m(one, two) for one, two in both)
    compared = [_paired(one, two, within_m=distance) for one, two in both]
    apart = [index for index, quantity in enumerate(compared) if not quantity.sample]
    if apart:
        kriged, said = _kriged([both[index] for index in apart], field, pipeline, names=(first.name, other.name))
        notes += said
        for index, mapped in zip(apart, kriged, strict=True):
            compared[index] = mapped
    unlike = tuple(q.quantity for q in compared if q.trend in ("not", "opposite") or q.stands_out.any())
    dates = (first.collected, other.collected)
    causes = possible_causes(first.samples.basis, other.samples.basis, unlike, collected=dates)
    return SetComparison(first, other, distance, tuple(compared), causes), notes


def _refuse_same(first: SampleSet, other: SampleSet) -> None:
    same_file = first.file_sha256 != "" and first.file_sha256 == other.file_sha256
    if same_file and first.samples.basis == other.samples.basis and first.collected == other.collected:
        what = f"it is the file of {first.name}, on the same basis and of the same day"
        raise InputError(other.name, what, "Name the file of a second set of measurements.")


def _common(first: SampleSet, other: SampleSet) -> list[tuple[str, str]]:
    """Quantities of both sets, in the order of the first."""
    for theirs, ours in other.same_as.items():
        for name, known in ((theirs, other), (ours, first)):
            if name not in known.samples.columns:
                mend = f"Use one of {', '.join(known.samples.quantities)}."
                raise InputError(f"{other.name}, same_as", f"'{name}' is no quantity of {known.name}", mend)
    meant = {other.same_as.get(theirs, theirs): theirs for theirs in other.samples.quantities}
    common = [(ours, meant[ours]) for ours in first.samples.quantities if ours in meant]
    if not common:
        one, two = (", ".join(each.samples.quantities) for each in (first, other))
        mend = (
            'Say what belongs together: same_as = { their_name = "our_name" }, or give both the same name in columns.'
        )
        raise InputError(other.name, f"no quantity is in both sets ({one}; {two})", mend)
    return common


def _paired(first: Measurements, second: Measurements, *, within_m: float) -> QuantityComparison:
    """Measured values where places of both sets lie together."""
    pairs = pair_places(first, second, within_m=within_m)
    one, two = first.value[pairs.first], second.value[pairs.second]
    place = first.easting_m[pairs.first], first.northing_m[pairs.first]
    worth = effective_pairs(rank_shares(one), rank_shares(two), *place)
    correlation = rank_correlation(one, two, effective=worth)
    return QuantityComparison(
        quantity=first.quantity,
        other_quantity=second.quantity,
        how="paired",
        sample=tuple(first.sample[i] for i in pairs.first.tolist()),
        other_sample=tuple(second.sample[i] for i in pairs.second.tolist()),
        easting_m=place[0],
        northing_m=place[1],
        distance_m=pairs.distance_m,
        unit=first.unit,
        value=one,
        other_unit=second.unit,
        other_value=two,
        share=rank_shares(one),
        other_share=rank_shares(two),
        correlation=correlation,
        trend=trend_of(correlation),
    )


def _kriged(
    both: list[tuple[Measurements, Measurements]], field: Field, pipeline: Pipeline, *, names: tuple[str, str]
) -> tuple[list[QuantityComparison], list[Note]]:
    """Both sets mapped by the pipeline's own method, read at the places of the sparser one."""
    grid: Grid = pipeline.run("grid", field)
    surfaces = [pipeline.run("surface", tuple(one[side] for one in both), grid) for side in (0, 1)]
    compared, notes = [], []
    for (one, two), first, second in zip(both, *surfaces, strict=True):
        compared.append(_mapped(one, two, (first, second), grid))
        sparser = names[0] if one.count <= two.count else names[1]
        text = (
            f"{one.quantity}: {names[0]} and {names[1]} share no place, so both were mapped and read at the places of "
            f"{sparser}. Maps are smoothed samples: take the interval as rough."
        )
        notes.append(Note("warning", text))
    return compared, notes


def _mapped(one: Measurements, two: Measurements, surfaces: tuple[Surface, Surface], grid: Grid) -> QuantityComparison:
    sparser, at_first = (one, True) if one.count <= two.count else (two, False)
    cell, near = _cells_at(grid, sparser.easting_m, sparser.northing_m)
    value, other_value = (surface.mean()[cell[near]] for surface in surfaces)
    names = tuple(name for name, inside in zip(sparser.sample, near, strict=True) if inside)
    nobody = ("",) * len(names)
    place = sparser.easting_m[near], sparser.northing_m[near]
    worth = effective_pairs(rank_shares(value), rank_shares(other_value), *place)
    correlation = rank_correlation(value, other_value, effective=worth)
    return QuantityComparison(
        quantity=one.quantity,
        other_quantity=two.quantity,
        how="kriged",
        sample=names if at_first else nobody,
        other_sample=nobody if at_first else names,
        easting_m=place[0],
        northing_m=place[1],
        distance_m=np.zeros(len(names)),
        unit=one.unit,
        value=value,
        other_unit=two.unit,
        other_value=other_value,
        share=rank_shares(value),
        other_share=rank_shares(other_value),
        correlation=correlation,
        trend=_trend_of_maps(trend_of(correlation), surfaces),
    )


def _trend_of_maps(trend: Trend, surfaces: tuple[Surface, Surface]) -> Trend:
    """No statement from a map that has no pattern to be ranked by."""
    found = all(surface.evidence.structure == "found" for surface in surfaces)
    return trend if found or trend == "too_few" else "no_pattern"


def _cells_at(grid: Grid, easting_m: FloatArray, northing_m: FloatArray) -> tuple[IntArray, BoolArray]:
    """Nearest cell of every point, and whether it is not further than the next cell's centre."""
    from scipy.spatial import cKDTree

    distance, cell = cKDTree(np.column_stack(grid.centres())).query(np.column_stack([easting_m, northing_m]))
    return np.asarray(cell, dtype=np.int64), np.asarray(distance <= 1.5 * grid.cell_m)
