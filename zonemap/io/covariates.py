"""Covariates that field.toml names: rasters and logged points, by the suffix of the file."""

from __future__ import annotations

from collections.abc import Sequence

from zonemap.errors import InputError
from zonemap.io.boundaries import Boundary
from zonemap.io.covariate_points import point_covariate
from zonemap.io.covariate_rasters import raster_covariate
from zonemap.io.field_file import NAME, CovariateTable
from zonemap.io.located import PLACED_SUFFIXES
from zonemap.io.rasters import RASTER_SUFFIXES
from zonemap.io.sources import FieldFolder
from zonemap.values.covariate import Covariate
from zonemap.values.note import Note

_ONLY_POINTS = ("column", "columns", "layer", "sheet", "swap", "decimal")
_ONLY_RASTERS = ("band",)


def read_covariates(
    folder: FieldFolder, tables: Sequence[CovariateTable], boundary: Boundary
) -> tuple[tuple[Covariate, ...], tuple[Note, ...]]:
    """Read every covariate, in the order of field.toml.

    Returns
    -------
    covariates
        In the working CRS, over the field and a margin about it; constant ones are left out with a warning.
    notes
        What was filled, resampled, guessed and left out.

    Raises
    ------
    InputError
        Naming the file, or the table's number and key.
    """
    covariates: list[Covariate] = []
    notes: list[Note] = []
    for number, table in enumerate(tables, start=1):
        where = f"{NAME}, covariate {number}"
        path = folder.find(table.file, where=f"{where}, file")
        suffix = path.suffix.lower()
        raster = suffix in RASTER_SUFFIXES
        if not raster and suffix not in PLACED_SUFFIXES and not path.is_dir():
            what = f"{suffix or 'a file without a suffix'} is not a covariate this reads"
            mend = "Save it as GeoTIFF (.tif), or its points as .csv, .xlsx, .gpkg, .geojson or .shp."
            raise InputError(folder.label(path), what, mend)
        _refuse_useless_keys(table, _ONLY_POINTS if raster else _ONLY_RASTERS, where=where)
        read = raster_covariate if raster else point_covariate
        covariate, more = read(folder, path, table, where=where, boundary=boundary)
        notes += more
        if covariate is not None:
            covariates.append(covariate)
    return tuple(covariates), tuple(notes)


def _refuse_useless_keys(table: CovariateTable, keys: tuple[str, ...], *, where: str) -> None:
    """Refuse keys that mean nothing for the kind of file: a wish that is not heard must be told."""
    for key in keys:
        if getattr(table, key) not in (None, False):
            what = f"means nothing for {table.file}"
            raise InputError(f"{where}, {key}", what, "Remove the key, or name another file.")
