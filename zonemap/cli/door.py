"""What every command shares: one line for an error, one line a stage for progress."""

from __future__ import annotations

import functools
import os
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ParamSpec

import click

from zonemap.errors import ZonemapError

P = ParamSpec("P")


def one_line_errors(command: Callable[P, int]) -> Callable[P, None]:
    """Turn a ZonemapError into one line on stderr and its exit code; the command returns its own otherwise."""

    @functools.wraps(command)
    def guarded(*arguments: P.args, **options: P.kwargs) -> None:
        try:
            code = command(*arguments, **options)
        except ZonemapError as error:
            click.echo(f"zonemap: {' '.join(str(error).split())}", err=True)
            code = error.exit_code
        except KeyboardInterrupt:
            click.echo("zonemap: stopped; the last published result is as it was.", err=True)
            code = 130
        sys.exit(code)

    return guarded


def _silence(stage: str) -> None:
    """Say nothing where nobody looks."""
    del stage


@contextmanager
def quiet_libraries() -> Iterator[None]:
    """Keep what compiled libraries write to standard output by themselves out of it: it belongs to the result.

    So is what is said of a character of a user's name that the pictures' font lacks: a box stands for it there.
    """
    sys.stdout.flush()
    kept = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
            yield
    finally:
        os.dup2(kept, 1)
        os.close(nowhere)
        os.close(kept)


@contextmanager
def stage_lines() -> Iterator[Callable[[str], None]]:
    """Yield a function that is told every stage as it starts; a line a stage on a terminal, silence elsewhere."""
    if not sys.stderr.isatty():
        yield _silence
        return
    from rich.console import Console

    console = Console(stderr=True, highlight=False)
    running: list[tuple[str, float]] = []

    def finish() -> None:
        if running:
            name, since = running.pop()
            console.print(f"  [green]done[/green]  {name:<22} {time.monotonic() - since:6.2f} s")

    with console.status("starting") as status:

        def begin(stage: str) -> None:
            finish()
            running.append((stage, time.monotonic()))
            status.update(stage)

        yield begin
        finish()
