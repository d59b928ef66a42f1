"""One field, from folder to published result: read, run, write, verify, swap in."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.io.folder import read_folder
from zonemap.io.journal import Entry, standing
from zonemap.io.manifest import write_manifest
from zonemap.io.publish import check_target, private_folder, swap_in
from zonemap.pipeline.parse import Pipeline, read_pipeline
from zonemap.reviewed import changes_of_folder, decided, planned, record_of, revision_of
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.plan import Plan

if TYPE_CHECKING:
    from zonemap.io.field_parts import Outline
    from zonemap.io.geotiff import Layers

Progress = Callable[[str], None]

#: rough size of a result: three bands of four bytes a cell and quantity, with room for the rest
_BYTES_FOR_A_START = 20_000_000


def silence(stage: str) -> None:
    """Progress for callers who want none."""
    del stage


@dataclass(frozen=True, slots=True)
class Outcome:
    """A published plan.

    Attributes
    ----------
    folder
        Where the result lies.
    summary
        Content of summary.json.
    """

    plan: Plan
    folder: Path
    summary: dict[str, Any]

    @property
    def exit_code(self) -> int:
        """1 when the result carries a refusal the user must see, else 0."""
        return int(any(note.kind == "refusal" for note in self.plan.notes))


def plan_field(
    folder: Path,
    *,
    pipeline: str | None = None,
    out: Path | None = None,
    formats: str | None = None,
    changes: bool = True,
    outline: Outline | None = None,
    beside: bool = True,
    progress: Progress = silence,
) -> Outcome:
    """Plan the field in a folder and publish the result whole.

    Parameters
    ----------
    folder
        A field folder with field.toml.
    pipeline
        Name of a shipped pipeline, or a file; ``None`` chooses by what the folder holds.
    out
        Result folder; ``None`` is ``plan`` inside the field folder.
    formats
        Comma list of formats of the prescription, or ``all``; ``None`` is what field.toml says, else GeoPackage and
        shapefiles.
    changes
        Whether what was changed by hand on the review page is applied, where the folder holds its journal.
    outline
        Of several outlines in the boundary's file the one to be planned; ``None`` leaves it to field.toml.
    beside
        Whether another process may draw the pictures.
    progress
        Told the name of every stage as it starts.

    Raises
    ------
    InputError, OutputError
        The published result is then what it was before.
    """
    from zonemap.io.formats import chosen_formats
    from zonemap.report.pen import lay_out

    chosen_formats(formats)
    target = folder / "plan" if out is None else out
    progress("reading the folder")
    named = None if pipeline is None else read_pipeline(pipeline)
    case = read_folder(folder, outline=outline)
    check_target(target, needed_bytes=_BYTES_FOR_A_START)
    chosen = named or read_pipeline(default_pipeline(case))
    entries = changes_of_folder(folder, case, chosen.sha256) if changes else ()
    if beside:
        lay_out()
    with one_linear_algebra_thread():
        plan = _planned(case, chosen, entries, progress)
    record = record_of(entries)
    return publish(plan, chosen, target, formats=formats, progress=progress, changes=record, beside=beside)


def _planned(case: Case, pipeline: Pipeline, entries: tuple[Entry, ...], progress: Progress) -> Plan:
    """Plan a field, with what was changed by hand."""
    from zonemap.pipeline.review import Desk
    from zonemap.pipeline.run import run

    if not standing(entries).made:
        return replace(run(case, pipeline, progress), revision=revision_of(entries))
    desk = Desk(case, pipeline, progress)
    return planned(desk, decided(desk, entries), entries)


def publish(
    plan: Plan,
    pipeline: Pipeline,
    target: Path,
    *,
    formats: str | None = None,
    progress: Progress = silence,
    changes: Sequence[Mapping[str, Any]] = (),
    beside: bool = True,
) -> Outcome:
    """Write every file of a plan, read each back, and swap the folder in whole.

    Parameters
    ----------
    pipeline
        That made the plan, for the record.
    changes
        What was changed by hand since, for the record.
    beside
        Whether another process may draw the pictures.
    progress
        Told the name of every stage as it starts; what it raises ends the work and leaves the target as it was.

    Raises
    ------
    OutputError
        The published result is then what it was before.
    """
    from zonemap.io.formats import chosen_formats, verify_formats, write_formats
    from zonemap.report.pen import drawn_beside
    from zonemap.report.summary import summary

    wanted = chosen_formats(formats, stated=plan.case.prescription_terms.formats)
    with one_linear_algebra_thread(), private_folder(target, needed_bytes=_BYTES_FOR_A_START) as build:
        rasters = _rasters(plan)
        progress("writing files")
        with drawn_beside(plan, build, beside=beside):
            plan = replace(plan, notes=(*plan.notes, *write_formats(build, plan, wanted)))
            content = summary(plan)
            _write(plan, content, rasters, build, wanted)
        progress("writing sheet and page")
        _write_reports(plan, build, wanted)
        progress("reading them back")
        _verify(plan, rasters, build, wanted)
        verify_formats(build, plan, wanted)
        write_manifest(build, _record(plan, pipeline) | ({"changes": list(changes)} if changes else {}))
        progress("putting the result in place")
        swap_in(build, target)
    return Outcome(plan, target, content)


def default_pipeline(case: Case) -> str:
    """Choose a pipeline by what the folder holds: one sample, a rule for an extract, a rate table, or a crop and resin.

    Returns
    -------
    str
        Name of a shipped pipeline.
    """
    if case.samples.count == 1:
        return "one_composite"
    if case.rules and case.samples.basis.kind != "resin":
        return "extract_rules"
    if case.rate_tables and (case.crop is None or case.samples.basis.kind != "resin"):
        return "rate_table"
    return "season_supply"


def _rasters(plan: Plan) -> dict[str, Layers]:
    """Path in the result -> what it is to hold; nothing where there is no map."""
    from zonemap.io.geotiff import surface_layers, surface_names, zone_layers

    if not plan.mapped:
        return {}
    quantile = 1 - plan.case.decision.assurance
    rasters = {
        f"surfaces/{name}": surface_layers(plan.surfaces[quantity], plan.grid, probability=quantile)
        for quantity, name in surface_names(plan.surfaces).items()
    }
    return rasters if plan.zones.count == 1 else rasters | {"zones.tif": zone_layers(plan.choice, plan.grid)}


def _write(
    plan: Plan, content: dict[str, Any], rasters: Mapping[str, Layers], build: Path, formats: tuple[str, ...]
) -> None:
    """Write every file but manifest, pictures and those of `write_formats` into the private folder."""
    from zonemap.io.formats import GEOPACKAGE, SHAPEFILE
    from zonemap.io.geotiff import write_layers

    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
    (build / "summary.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    if GEOPACKAGE in formats:
        _write_geopackage(plan, build)
    if SHAPEFILE in formats:
        _write_shapefiles(plan, build)
    (build / "surfaces").mkdir()
    for name, layers in rasters.items():
        write_layers(build / name, layers, plan.grid)


def _write_reports(plan: Plan, build: Path, formats: tuple[str, ...]) -> None:
    """Write sheet and page, with the pictures that were drawn."""
    from zonemap.io.formats import controller_files
    from zonemap.machine.operator import operator_sheet
    from zonemap.report.page.write import write_report
    from zonemap.report.sheet.write import write_sheet

    pictures = {path.stem: path for path in sorted(build.glob("*.png"))}
    operator = operator_sheet(plan.prescription, plan.case.field, plan.case.spreader)
    files = controller_files(plan, formats)
    write_sheet(
        plan,
        build,
        pictures=pictures,
        written_on=_day_of(plan.case),
        operator=operator,
        deliveries=plan.deliveries,
        files=files,
    )
    write_report(plan, build, pictures=pictures, operator=operator)


def _write_geopackage(plan: Plan, build: Path) -> None:
    from zonemap.io.geopackage import write_geopackage

    write_geopackage(
        build / "prescription.gpkg",
        field=plan.case.field,
        samples=plan.case.samples,
        outlines=plan.outlines,
        prescription=plan.prescription,
        zone_attributes=_zone_attributes(plan),
        identifier=f"zonemap, pipeline {plan.pipeline}",
        written_on=_day_of(plan.case),
    )


def _write_shapefiles(plan: Plan, build: Path) -> None:
    from zonemap.io.shapefile import write_shapefiles

    (build / "controller").mkdir(exist_ok=True)
    write_shapefiles(
        build / "controller",
        field_name=plan.case.field.name,
        prescription=plan.prescription,
        notes=plan.notes,
        written_on=_day_of(plan.case),
    )


def _verify(plan: Plan, rasters: Mapping[str, Layers], build: Path, formats: tuple[str, ...]) -> None:
    """Read every file back that `_write` wrote, each with another library than wrote it."""
    from zonemap.io.verify import verify_result
    from zonemap.report.page.write import PAGE
    from zonemap.report.read_back import check_page, check_sheet
    from zonemap.report.sheet.write import SHEET

    verify_result(
        build,
        field=plan.case.field,
        samples=plan.case.samples,
        outlines=plan.outlines,
        prescription=plan.prescription,
        rasters=rasters,
        grid=plan.grid,
        formats=formats,
    )
    json.loads((build / "summary.json").read_text(encoding="utf-8"))
    check_sheet(build / SHEET, plan)
    check_page(build / PAGE, plan)


def _record(plan: Plan, pipeline: Pipeline) -> dict[str, Any]:
    """Provenance: what was read, how it was planned, and every warning."""
    from zonemap.report.shown import notes_json

    return {
        "pipeline": {"name": pipeline.name, "sha256": pipeline.sha256, "text": pipeline.text},
        "inputs": dict(plan.case.input_sha256),
        "settings_sha256": plan.case.settings_sha256,
        "notes": notes_json(plan.notes),
    }


def _zone_attributes(plan: Plan) -> dict[str, FloatArray]:
    """Columns of the zones layer: mean supply, need and rates, metric, the unit at the end of the name."""
    columns: dict[str, FloatArray] = {}
    for quantity, supply in plan.zone_report.supply.items():
        unit = plan.surfaces[quantity].unit.replace("/", "_")
        columns[f"{quantity}_mean_{unit}"] = supply
    for name, need in zip(plan.need_names, plan.zone_report.need_kg_ha, strict=True):
        columns[f"{name}_need_kg_ha"] = need
    for application in plan.prescription.applications:
        on = f"_{application.on}" if application.on else ""
        columns[f"{application.product.name}{on}_kg_ha"] = application.rate_kg_ha
    return columns


def _day_of(case: Case) -> date:
    """Day the files state as their last change: from the input, so that equal input gives equal bytes."""
    from zonemap.io.prescription_rows import UNSTATED_DAY

    return case.collected or (case.crop.planted if case.crop else UNSTATED_DAY)
