"""``zonemap check``: read everything, say what is wrong and how to mend it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from zonemap.cli.door import one_line_errors


@click.command(epilog="Example:  zonemap check sample_fields/irrigated_corn")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@one_line_errors
def check(folder: Path) -> int:
    """Read the field folder DIR without planning anything.

    Exit code 2 when it cannot be used.
    """
    from zonemap.io.folder import read_folder
    from zonemap.io.sample_sets import read_other_sets
    from zonemap.io.spread_sets import read_spread_if_planned
    from zonemap.job import default_pipeline
    from zonemap.pipeline.needs import calendar_notes
    from zonemap.pipeline.notes import price_notes
    from zonemap.report.text import case_text

    case, others, spread = read_folder(folder), read_other_sets(folder), read_spread_if_planned(folder)
    case = replace(case, notes=(*case.notes, *calendar_notes(case), *price_notes(case)))
    click.echo(case_text(case, pipeline=default_pipeline(case)))
    for other in others:
        click.echo(f"To compare: {other.samples.count} of {other}: {', '.join(other.samples.quantities)}.")
    if spread is not None:
        for each in spread.passes:
            product = spread.prescription.applications[each.application].product.name
            for log in each.logs:
                click.echo(f"To compare with the plan: {log.records:,} records of {product} in {log.name}.")
    return 0
