"""``zonemap rules``: the recommendation rules for conventional extracts, with their sources."""

from __future__ import annotations

import click

from zonemap.cli.door import one_line_errors


@click.command(epilog="Example:  zonemap rules")
@one_line_errors
def rules() -> int:
    """List the rules a [[rule]] table may name: what each reads, needs and rests on."""
    from zonemap.report.rules import rules_text

    click.echo(rules_text())
    return 0
