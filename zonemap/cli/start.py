"""``zonemap start``: write a commented field.toml."""

from __future__ import annotations

from pathlib import Path

import click

from zonemap.cli.door import one_line_errors


@click.command(epilog="Example:  zonemap start my_field")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@one_line_errors
def start(folder: Path) -> int:
    """Write a commented field.toml into DIR, which holds a boundary and samples.

    Says what it guessed and what only you can know. A field.toml that is there already is left alone.
    """
    from zonemap.io.start import write_field_file

    _, guesses = write_field_file(folder)
    for guess in guesses:
        click.echo(f"  - {guess}")
    click.echo(f"Wrote {folder / 'field.toml'}: read it, fill in what is asked for, then run: zonemap check {folder}")
    return 0
