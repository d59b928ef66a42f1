"""Several sets of samples of one field: its own, and others from [[other_samples]] or from a second field folder."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from zonemap.errors import InputError
from zonemap.io.boundaries import Boundary
from zonemap.io.coordinates import transform_points, transform_shape
from zonemap.io.field_file import NAME, FieldFile, OtherSamplesTable, SamplesTable
from zonemap.io.field_parts import field_of, open_field_folder, read_boundary, read_sample_table
from zonemap.io.sources import FieldFolder, one_line
from zonemap.values.comparison import SampleSet, SampleSets
from zonemap.values.note import Note

#: two outlines are of one field when they share this much of the smaller one (our choice)
_LEAST_OVERLAP = 0.1


def read_sample_sets(folder: Path, other: Path | None = None) -> SampleSets:
    """Read the samples of a field and the sets they are to be compared with.

    Parameters
    ----------
    other
        A second field folder, whose [samples] are the other set; ``None`` for the [[other_samples]] of the first.

    Raises
    ------
    InputError
        When there is no other set, the two folders are of different fields, or anything cannot be read.
    """
    inbox, toml = open_field_folder(folder)
    boundary = read_boundary(inbox, toml)
    first, notes = _set_of(inbox, toml.samples, boundary, name=f"{toml.samples.basis} samples")
    if other is None:
        others, more = _others(inbox, toml, boundary)
        hashes = inbox.sha256()
    else:
        first = replace(first, name=_folder_name(folder))
        another, more, their_hashes = _from_folder(other, boundary)
        others = (another if another.name != first.name else replace(another, name=f"{another.name} (second folder)"),)
        hashes = (*inbox.sha256(), *((f"{_folder_name(other)}/{name}", value) for name, value in their_hashes))
    field = field_of(inbox, toml, boundary)
    return SampleSets(field, toml.field.units, first, others, (*boundary.notes, *notes, *more), hashes)


def read_other_sets(folder: Path) -> tuple[SampleSet, ...]:
    """Read the [[other_samples]] of a field folder; none where there are none.

    Raises
    ------
    InputError
        When one cannot be read.
    """
    inbox, toml = open_field_folder(folder)
    return _others(inbox, toml, read_boundary(inbox, toml))[0] if toml.other_samples else ()


def _others(inbox: FieldFolder, toml: FieldFile, boundary: Boundary) -> tuple[tuple[SampleSet, ...], tuple[Note, ...]]:
    if not toml.other_samples:
        mend = (
            "Add an [[other_samples]] table with name, file, basis and unit, a [[spread]] table with the log of what "
            "was spread, or name a second field folder."
        )
        raise InputError(f"{NAME}, other_samples", "is missing, so there is nothing to compare with", mend)
    sets, notes = [], []
    for number, table in enumerate(toml.other_samples, start=1):
        place = f"other_samples {number}"
        with _told_of(place):
            found, more = _set_of(inbox, table, boundary, name=one_line(table.name))
        sets.append(found)
        notes += [Note(note.kind, _about(note.text, place)) for note in more]
    return tuple(sets), tuple(notes)


def _from_folder(folder: Path, boundary: Boundary) -> tuple[SampleSet, tuple[Note, ...], tuple[tuple[str, str], ...]]:
    """Set of another field folder, in the first one's working CRS."""
    inbox, toml = open_field_folder(folder)
    theirs = read_boundary(inbox, toml)
    where = f"{_folder_name(folder)}, boundary"
    area = transform_shape(theirs.area, source=theirs.crs, target=boundary.crs, where=where)
    shared = area.intersection(boundary.area).area
    if shared < _LEAST_OVERLAP * min(area.area, boundary.area.area):
        what = "the two fields do not overlap" if shared == 0 else "the two fields hardly overlap"
        raise InputError(where, what, "Name two folders of one field, or correct the boundary that is wrong.")
    found, notes = _set_of(inbox, toml.samples, theirs, name=_folder_name(folder))
    samples = found.samples
    easting, northing = transform_points(samples.easting_m, samples.northing_m, source=theirs.crs, target=boundary.crs)
    moved = replace(found, samples=replace(samples, easting_m=easting, northing_m=northing))
    return moved, (*theirs.notes, *notes), inbox.sha256()


def _set_of(
    inbox: FieldFolder, table: SamplesTable, boundary: Boundary, *, name: str
) -> tuple[SampleSet, tuple[Note, ...]]:
    path, samples, notes = read_sample_table(inbox, table, boundary)
    same_as = table.same_as if isinstance(table, OtherSamplesTable) else {}
    file_hash = dict(inbox.sha256()).get(inbox.label(path), "")
    return SampleSet(name, samples, table.collected, file_hash, same_as), notes


def _folder_name(folder: Path) -> str:
    return one_line(folder.resolve().name) or "field"


@contextmanager
def _told_of(place: str) -> Iterator[None]:
    """Let errors of the code that reads [samples] name the table that is being read."""
    try:
        yield
    except InputError as error:
        where, what, mend = (_about(text, place) for text in (error.where, error.what, error.mend))
        raise InputError(where, what, mend) from error


def _about(text: str, place: str) -> str:
    return text.replace(f"{NAME}, samples,", f"{NAME}, {place},").replace("[samples]", "this [[other_samples]] table")
