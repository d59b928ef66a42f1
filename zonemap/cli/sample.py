"""``zonemap sample``: where to take samples."""

from __future__ import annotations

from pathlib import Path

import click

from zonemap.cli.door import one_line_errors, quiet_libraries, stage_lines


@click.command(
    epilog="""Examples:

\b
  zonemap sample my_field --count 24
  zonemap sample my_garden --count 1
  zonemap sample sample_fields/irrigated_corn --count 10 --json
"""
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--count",
    type=click.IntRange(1, 2000),
    metavar="N",
    help="How many samples.  [default: before the first, one a hectare (2.5 ac), 8 to 60, and one composite sample of a"
    " lawn or garden; afterwards a fifth of those there, 5 to 20]",
)
@click.option(
    "--pipeline", metavar="FILE", help="A pipeline file, or the name of a shipped one, that maps the samples."
)
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Result folder.  [default: DIR/sampling]")
@click.option("--json", "as_json", is_flag=True, help="Print sampling.json on stdout and nothing else.")
@one_line_errors
def sample(folder: Path, count: int | None, pipeline: str | None, out: Path | None, as_json: bool) -> int:  # noqa: FBT001 - click's way
    """Say where to take samples in the field of DIR.

    Without samples yet (field.toml and a boundary are enough): places that cover the field evenly, a tenth of them in
    close pairs; of one composite sample, where its cores go. With samples: where more of them lower the expected loss
    most, and what they would be worth before they are taken.

    Writes sampling.gpkg, sampling.csv, sampling.gpx (for a receiver or telephone), sampling.png, sampling.txt,
    sampling.json and manifest.json.
    """
    import json

    from zonemap.report.sampling import sampling_text
    from zonemap.sampling import sample_field

    with quiet_libraries(), stage_lines() as progress:
        outcome = sample_field(folder, count=count, pipeline=pipeline, out=out, progress=progress)
    if as_json:
        click.echo(json.dumps(outcome.content, indent=2, ensure_ascii=False))
    else:
        click.echo(sampling_text(outcome.sampling, outcome.folder))
    return outcome.exit_code
