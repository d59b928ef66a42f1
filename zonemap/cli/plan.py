"""``zonemap plan``: the main job."""

from __future__ import annotations

from pathlib import Path

import click

from zonemap.cli.door import one_line_errors, quiet_libraries, stage_lines


@click.command(
    epilog="""Examples:

\b
  zonemap plan sample_fields/irrigated_corn
  zonemap plan my_field --out season_2026 --pipeline season_supply
  zonemap plan my_field --formats geopackage,iso_v4_grid2
  zonemap plan my_field --pipeline my_pipeline.toml --json
"""
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--pipeline", metavar="FILE", help="A pipeline file, or the name of a shipped one.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Result folder.  [default: DIR/plan]")
@click.option(
    "--formats",
    metavar="LIST",
    help="Formats of the prescription, with commas between: geopackage, shapefile, rate_raster, csv,"
    " iso_v3_grid1, iso_v3_grid2, iso_v3_zones, iso_v4_grid1, iso_v4_grid2, iso_v4_zones; or all."
    "  [default: formats of field.toml, else geopackage,shapefile]",
)
@click.option("--without-changes", is_flag=True, help="Plan as if nothing had been changed on the review page.")
@click.option("--json", "as_json", is_flag=True, help="Print summary.json on stdout and nothing else.")
@one_line_errors
def plan(
    folder: Path, pipeline: str | None, out: Path | None, formats: str | None, without_changes: bool, as_json: bool  # noqa: FBT001 - click's way
) -> int:  # fmt: skip
    """Plan the field in DIR and publish the result whole.

    Writes sheet.pdf and report.html, prescription.gpkg, controller/ (shapefiles), surfaces/ (GeoTIFF), pictures (PNG),
    summary.json and manifest.json. --formats chooses what the prescription is written as: csv is zones.csv,
    rate_raster is rates/ and, where passes are simulated, delivered/ (GeoTIFF), iso_... is controller/TASKDATA/ (ISO
    11783-10, version 3 or 4; one folder each where several are asked for). Changes made by hand on the review page
    are applied, and the notes say so.

    The result folder is replaced only after every file has been read back.
    """
    import json

    from zonemap.job import plan_field
    from zonemap.report.text import result_text

    with quiet_libraries(), stage_lines() as progress:
        changes = not without_changes
        outcome = plan_field(folder, pipeline=pipeline, out=out, formats=formats, changes=changes, progress=progress)
    if as_json:
        click.echo(json.dumps(outcome.summary, indent=2, ensure_ascii=False))
    else:
        click.echo(result_text(outcome.plan, outcome.folder))
    return outcome.exit_code
