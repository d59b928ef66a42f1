"""``zonemap crops``: the crop table, every figure with its source."""

from __future__ import annotations

import click

from zonemap.cli.door import one_line_errors


@click.command(epilog="Example:  zonemap crops corn")
@click.argument("name", required=False, metavar="[NAME]")
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON on stdout and nothing else.")
@one_line_errors
def crops(name: str | None, as_json: bool) -> int:  # noqa: FBT001 - click's way
    """List the crops a [crop] table may name, or all that is known of one."""
    import json

    from zonemap.agronomy.crops import crop_names, crop_row
    from zonemap.report.crops import crop_json, crop_text, crops_text

    rows = [crop_row(each, where="crops, NAME") for each in ([name] if name else crop_names())]
    if as_json:
        click.echo(json.dumps({row.name: crop_json(row) for row in rows}, indent=2, ensure_ascii=False))
    else:
        click.echo(crop_text(rows[0]) if name else crops_text(rows))
    return 0
