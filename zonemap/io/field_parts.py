"""The parts of a field folder that every command reads: field.toml, the boundary, a set of samples."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from zonemap.errors import InputError
from zonemap.io.decisions import basis_of, repeatability
from zonemap.io.field_file import (
    NAME,
    FieldFile,
    SamplesTable,
    UnsampledFieldFile,
    parse_field_file,
    parse_unsampled,
    settings_sha256,
)
from zonemap.io.sources import FieldFolder, folder_name, one_line
from zonemap.values.field import Field
from zonemap.values.note import Note
from zonemap.values.samples import Samples

if TYPE_CHECKING:
    from zonemap.io.boundaries import Boundary
    from zonemap.io.vectors import Layer

_MOST_FIELD_FILE_BYTES = 2**20


@dataclass(frozen=True, slots=True)
class Outline:
    """One of several outlines in a file: its feature's id, and the name of the field it is."""

    feature: str
    name: str


def open_field_folder(folder: Path) -> tuple[FieldFolder, FieldFile]:
    """Open a field folder and read its field.toml.

    Raises
    ------
    InputError
        When there is none, or it is not one.
    """
    inbox = FieldFolder(folder)
    return inbox, parse_field_file(_field_file(inbox))


def open_unsampled_folder(folder: Path) -> tuple[FieldFolder, UnsampledFieldFile]:
    """Open a field folder as `open_field_folder`, where field.toml may say nothing of samples."""
    inbox = FieldFolder(folder)
    return inbox, parse_unsampled(_field_file(inbox))


def settings_of(inbox: FieldFolder) -> str:
    """Hash of what field.toml says of a plan; see `settings_sha256`."""
    return settings_sha256(_field_file(inbox))


def _field_file(inbox: FieldFolder) -> bytes:
    if NAME not in inbox.names:
        raise InputError(NAME, "is not in the folder", "Write a first one with: zonemap start DIR.")
    return inbox.read(inbox.find(NAME, where=NAME), most=_MOST_FIELD_FILE_BYTES)


def read_boundary(inbox: FieldFolder, toml: UnsampledFieldFile, *, outline: Outline | None = None) -> Boundary:
    """Read the boundary that field.toml names, or the one that goes by its usual name.

    Parameters
    ----------
    outline
        Of the outlines in the file the one that is meant; ``None`` leaves it to field.toml.
    """
    from zonemap.io.boundaries import field_boundary

    return field_boundary(
        _boundary_layer(inbox, toml),
        feature=toml.field.feature if outline is None else outline.feature,
        stated_crs=toml.field.boundary_crs,
        working_crs=toml.field.working_crs,
        repair=toml.field.repair,
        swap=toml.field.swap,
    )


def read_outlines(folder: Path) -> tuple[Outline, ...]:
    """Outlines in a boundary's file where field.toml does not say which is meant, each a field; else nothing.

    Raises
    ------
    InputError
        As `read_boundary`.
    """
    from zonemap.io.boundaries import outlines

    inbox, toml = open_unsampled_folder(folder)
    drawn = outlines(_boundary_layer(inbox, toml)) if toml.field.feature is None else []
    if len(drawn) < 2:
        return ()
    own = _name_of(inbox, toml)
    return tuple(Outline(each.id, one_line(each.name) or f"{own} {one_line(each.id)}") for each in drawn)


def _boundary_layer(inbox: FieldFolder, toml: UnsampledFieldFile) -> Layer:
    from zonemap.io.vectors import VECTOR_SUFFIXES, read_layer

    path = named_path(inbox, toml.field.boundary, "boundary", VECTOR_SUFFIXES, key="boundary", table="field")
    return read_layer(inbox, path, layer=toml.field.layer)


def read_sample_table(
    inbox: FieldFolder, table: SamplesTable, boundary: Boundary
) -> tuple[Path, Samples, tuple[Note, ...]]:
    """Read the samples that a table of field.toml states.

    Returns
    -------
    path
        Of the file they came from.
    samples
    notes
    """
    from zonemap.io.samples import SAMPLES_SUFFIXES, read_samples

    basis, (cv, cv_notes) = basis_of(table), repeatability(table)
    path = named_path(inbox, table.file, "samples", SAMPLES_SUFFIXES, key="file", table="samples")
    samples, notes = read_samples(inbox, path, table, basis=basis, boundary=boundary, repeatability_cv=cv)
    return path, samples, (*cv_notes, *notes)


def field_of(
    inbox: FieldFolder, toml: UnsampledFieldFile, boundary: Boundary, *, outline: Outline | None = None
) -> Field:
    """Field with its name: its outline's, the stated one, or the folder's."""
    return Field(_name_of(inbox, toml) if outline is None else outline.name, boundary.area, boundary.crs)


def _name_of(inbox: FieldFolder, toml: UnsampledFieldFile) -> str:
    return toml.field.name or folder_name(inbox.root)


def named_path(
    inbox: FieldFolder, name: str | None, stem: str, suffixes: tuple[str, ...], *, key: str, table: str
) -> Path:
    """Path of the file a key names, or of the one that goes by its usual name."""
    where = f"{NAME}, {table}, {key}"
    return inbox.find(name or inbox.only(stem, suffixes, where=where, key=key), where=where)
