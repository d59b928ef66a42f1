"""A field folder before its first samples: field.toml, the boundary and the no-spread areas."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from zonemap.errors import InputError
from zonemap.io.decisions import basis_of
from zonemap.io.field_file import NAME, SamplesTable
from zonemap.io.field_parts import field_of, open_unsampled_folder, read_boundary
from zonemap.io.sources import FieldFolder, shown
from zonemap.values.note import Note
from zonemap.values.sampling import SamplingField


def read_unsampled(folder: Path) -> SamplingField | None:
    """Read a field that has not been sampled yet.

    Returns
    -------
    SamplingField or None
        ``None`` where a file of samples is there.

    Raises
    ------
    InputError
        Naming file or key, and what to do.
    """
    from zonemap.io.no_spread import read_no_spread

    inbox, toml = open_unsampled_folder(folder)
    missing = _missing(inbox, toml.samples)
    if not missing:
        return None
    basis = None if toml.samples is None else basis_of(toml.samples)
    boundary = read_boundary(inbox, toml)
    no_spread, around, notes = read_no_spread(inbox, toml.no_spread, boundary)
    field = replace(field_of(inbox, toml, boundary), no_spread=no_spread, no_spread_around=around)
    nowhere = np.empty(0)
    text = f"{missing}, so these are places for first samples."
    said = (Note("warning", text), *boundary.notes, *notes)
    return SamplingField(field, toml.field.units, basis, (), nowhere, nowhere, said, inbox.sha256())


def _missing(inbox: FieldFolder, table: SamplesTable | None) -> str:
    """What says that there are no samples yet; empty where there are some."""
    from zonemap.io.samples import SAMPLES_SUFFIXES

    if table is None:
        return f"{NAME} has no [samples]"
    if table.file is None:
        paths = [Path(name.lower()) for name in inbox.names]
        found = any(path.stem == "samples" and path.suffix in SAMPLES_SUFFIXES for path in paths)
        return "" if found else "There is no samples file in the folder"
    try:
        inbox.find(table.file, where=f"{NAME}, samples, file")
    except InputError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            return f"{NAME}, samples, file: {shown(table.file)} is not there yet"
        raise
    return ""
