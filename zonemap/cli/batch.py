"""``zonemap batch``: many fields."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from zonemap.cli.door import one_line_errors, quiet_libraries

if TYPE_CHECKING:
    from zonemap.values.batch import FieldResult


@click.command(
    epilog="""Examples:

\b
  zonemap batch north_40 creek_bottom home_place
  zonemap batch 'farm/*/2026' --out season_2026
  zonemap batch sample_fields --formats all --json
  zonemap batch 'clients/**' --scheduler tcp://10.0.0.5:8786
"""
)
@click.argument("named", nargs=-1, required=True, metavar="GLOB...")
@click.option("--pipeline", metavar="FILE", help="A pipeline file, or the name of a shipped one, for all fields.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for a result a field.  [default: plan inside each field folder]",
)
@click.option("--formats", metavar="LIST", help="Formats of the prescriptions, as for zonemap plan.")
@click.option("--without-changes", is_flag=True, help="Plan as if nothing had been changed on the review page.")
@click.option("--workers", type=click.IntRange(1, 1000), metavar="N", help="Fields at a time.  [default: one a core]")
@click.option("--scheduler", metavar="ADDRESS", help="A Dask scheduler whose workers see the same folders.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of all fields as JSON on stdout, nothing else.")
@one_line_errors
def batch(
    named: tuple[str, ...],
    pipeline: str | None,
    out: Path | None,
    formats: str | None,
    without_changes: bool,  # noqa: FBT001 - click's way
    workers: int | None,
    scheduler: str | None,
    as_json: bool,  # noqa: FBT001
) -> int:
    """Plan many fields, several at a time.

    GLOB is a field folder, a folder that holds field folders, or a pattern in quotes. A boundary's file with several
    outlines, of which field.toml chooses none, is as many fields; each takes the samples that lie in it, and its result
    is plan-NAME.

    Every result is what zonemap plan writes. A field that cannot be planned is told of, and the others go on; the exit
    code is the greatest of theirs.
    """
    import json

    from zonemap.batch import plan_fields
    from zonemap.io.field_folders import field_folders
    from zonemap.report.batch import batch_json, batch_text, exit_code_of

    with quiet_libraries(), _fields_ended() as progress:
        results = plan_fields(
            field_folders(named),
            pipeline=pipeline,
            formats=formats,
            out=out,
            changes=not without_changes,
            scheduler=scheduler,
            workers=workers,
            progress=progress,
        )
    click.echo(json.dumps(batch_json(results), indent=2, ensure_ascii=False) if as_json else batch_text(results))
    return exit_code_of(results)


@contextmanager
def _fields_ended() -> Iterator[Callable[[FieldResult | None, int], None]]:
    """Yield what is told of every field that has ended: a line each on a terminal, and how long the rest may take."""
    from zonemap.batch import silence

    if not sys.stderr.isatty():
        yield silence
        return
    from rich.console import Console

    from zonemap.report.batch import finished

    console, start, ended = Console(stderr=True, highlight=False), time.monotonic(), 0
    with console.status("starting") as status:

        def told(result: FieldResult | None, fields: int) -> None:
            nonlocal ended
            if result is not None:
                ended += 1
                console.print(f"  {finished(result)}", markup=False)
            seconds = (time.monotonic() - start) / ended * (fields - ended) if ended else 0.0
            left = f", about {seconds:.0f} s left" if ended else ""
            status.update(f"{ended} of {fields} fields{left}")

        yield told
