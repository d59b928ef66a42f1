"""The formats a prescription can be had in, by name; all but the GeoPackage and the shapefiles are written here."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from zonemap.errors import InputError

if TYPE_CHECKING:
    from zonemap.io.iso11783.content import Kind, Version
    from zonemap.io.iso11783.layout import Layout
    from zonemap.values.note import Note
    from zonemap.values.plan import Plan

GEOPACKAGE, SHAPEFILE, RATE_RASTER, CSV = "geopackage", "shapefile", "rate_raster", "csv"
#: what is written where nobody chooses
DEFAULT = (GEOPACKAGE, SHAPEFILE)
ISO: Mapping[str, tuple[Version, Kind]] = {
    "iso_v3_grid1": (3, "grid_1"),
    "iso_v3_grid2": (3, "grid_2"),
    "iso_v3_zones": (3, "zones"),
    "iso_v4_grid1": (4, "grid_1"),
    "iso_v4_grid2": (4, "grid_2"),
    "iso_v4_zones": (4, "zones"),
}
FORMATS = (GEOPACKAGE, SHAPEFILE, RATE_RASTER, CSV, *ISO)
_CONTROLLER = "controller"


def chosen_formats(text: str | None) -> tuple[str, ...]:
    """Formats of a comma list, each once, in the order of `FORMATS`.

    Raises
    ------
    InputError
        For a name that is no format.

    Examples
    --------
    >>> chosen_formats("csv, geopackage")
    ('geopackage', 'csv')
    >>> chosen_formats(None)
    ('geopackage', 'shapefile')
    """
    if text is None:
        return DEFAULT
    names = [name.strip() for name in text.split(",") if name.strip()]
    unknown = next((name for name in names if name not in {*FORMATS, "all"}), None)
    if unknown is not None or not names:
        what = "names no format" if unknown is None else f"'{unknown}' is no format"
        raise InputError("--formats", what, f"Use all, or a comma list of {', '.join(FORMATS)}.")
    return FORMATS if "all" in names else tuple(name for name in FORMATS if name in names)


def task_data_folders(formats: tuple[str, ...]) -> dict[str, str]:
    """ISO format -> folder of the result that holds its TASKDATA: ``controller``, or one each where there are several.

    A terminal looks for a folder of that very name, so two of them cannot lie side by side.
    """
    names = [name for name in formats if name in ISO]
    return {name: _CONTROLLER if len(names) == 1 else f"{_CONTROLLER}/{name}" for name in names}


def controller_files(plan: Plan, formats: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """For each application, the files and folders of the result that a controller reads."""
    from zonemap.io.shapefile import shapefile_stems

    tasks = tuple(f"{folder}/TASKDATA" for folder in task_data_folders(formats).values())
    stems = shapefile_stems(plan.case.field.name, plan.prescription)
    return tuple(((f"{_CONTROLLER}/{stem}.shp",) if SHAPEFILE in formats else ()) + tasks for stem in stems)


def write_formats(build: Path, plan: Plan, formats: tuple[str, ...]) -> tuple[Note, ...]:
    """Write rate rasters, the zone table and task data, as chosen, into a result folder.

    Returns
    -------
    tuple
        What there is to say about the files, e.g. a total that cells change.

    Raises
    ------
    OutputError
        When a file cannot be written, or a rate or a name does not fit its format.
    """
    notes: list[Note] = []
    if RATE_RASTER in formats and plan.prescription.applications:
        notes += _write_rate_rasters(build, plan)
    if CSV in formats:
        from zonemap.io.zone_table import ZONE_TABLE, write_zone_table

        write_zone_table(build / ZONE_TABLE, plan.prescription)
    layout = _shared_layout(plan, formats)
    for name, folder in task_data_folders(formats).items():
        notes += _write_task_data(build / folder, plan, name, layout)
    return tuple(dict.fromkeys(notes))


def verify_formats(build: Path, plan: Plan, formats: tuple[str, ...]) -> None:
    """Read back what `write_formats` wrote.

    Raises
    ------
    OutputError
        Naming the first file that does not hold what it should.
    """
    case, prescription = plan.case, plan.prescription
    if RATE_RASTER in formats:
        from zonemap.io.rate_raster import rate_rasters, verify_rate_raster

        for path, layers in rate_rasters(case.field.name, prescription, plan.grid).items():
            verify_rate_raster(build / path, layers, prescription, plan.grid)
        from zonemap.io.delivered_raster import delivered_rasters, verify_delivered_raster

        for path, layers in delivered_rasters(case.field.name, prescription, plan.deliveries, plan.grid).items():
            verify_delivered_raster(build / path, layers, prescription, plan.grid)
    if CSV in formats:
        from zonemap.io.zone_table import ZONE_TABLE, verify_zone_table

        verify_zone_table(build / ZONE_TABLE, prescription)
    for name, folder in task_data_folders(formats).items():
        from zonemap.io.iso11783.readme import README, verify_readme
        from zonemap.io.iso11783.verify import verify_taskdata

        version, kind = ISO[name]
        totals = verify_taskdata(
            build / folder,
            field_name=case.field.name,
            prescription=prescription,
            boundary=case.field.boundary,
            version=version,
            kind=kind,
        )
        verify_readme(build / folder / README, totals, units=case.units)


def _shared_layout(plan: Plan, formats: tuple[str, ...]) -> Layout | None:
    """The cells that all grids share; ``None`` where no grid is asked for."""
    from zonemap.io.iso11783.layout import lay_out

    if not any(name in formats and kind != "zones" for name, (_, kind) in ISO.items()):
        return None
    return lay_out(plan.prescription, plan.case.field.boundary, swath_m=plan.case.spreader.swath_m)


def _write_rate_rasters(build: Path, plan: Plan) -> list[Note]:
    from zonemap.io.geotiff import write_layers
    from zonemap.io.rate_raster import RATES, difference_note, rate_rasters

    (build / RATES).mkdir()
    notes: list[Note] = []
    for path, layers in rate_rasters(plan.case.field.name, plan.prescription, plan.grid).items():
        write_layers(build / path, layers, plan.grid)
        notes += difference_note(path, layers)
    _write_delivered(build, plan)
    return notes


def _write_delivered(build: Path, plan: Plan) -> None:
    from zonemap.io.delivered_raster import DELIVERED, delivered_rasters
    from zonemap.io.geotiff import write_layers

    rasters = delivered_rasters(plan.case.field.name, plan.prescription, plan.deliveries, plan.grid)
    if rasters:
        (build / DELIVERED).mkdir()
    for path, layers in rasters.items():
        write_layers(build / path, layers, plan.grid)


def _write_task_data(folder: Path, plan: Plan, name: str, layout: Layout | None) -> list[Note]:
    from zonemap.io.iso11783.readme import README, write_readme
    from zonemap.io.iso11783.write import write_taskdata

    case, (version, kind) = plan.case, ISO[name]
    folder.mkdir(parents=True, exist_ok=True)
    data = write_taskdata(
        folder,
        field_name=case.field.name,
        prescription=plan.prescription,
        boundary=case.field.boundary,
        version=version,
        kind=kind,
        layout=layout,
    )
    variant = f"version {version}, {kind.replace('_', ' of type ')}"
    write_readme(folder / README, case.field.name, data, variant=variant, units=case.units, notes=plan.notes)
    return list(data.notes)
