"""``zonemap review``: the review page on this machine."""

from __future__ import annotations

from pathlib import Path

import click

from zonemap.cli.door import one_line_errors, quiet_libraries, stage_lines


@click.command(
    epilog="""Examples:

\b
  zonemap review my_field
  zonemap review my_field --out season_2026 --formats geopackage,iso_v4_grid2
"""
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--pipeline", metavar="FILE", help="A pipeline file, or the name of a shipped one.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Result folder.  [default: DIR/plan]")
@click.option("--formats", metavar="LIST", help="Formats of the prescription, as for zonemap plan.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port to answer on.  [default: any free one]")
@click.option("--fresh", is_flag=True, help="Begin anew; the journal so far is kept under another name.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@one_line_errors
def review(
    folder: Path, pipeline: str | None, out: Path | None, formats: str | None, port: int, fresh: bool, no_browser: bool  # noqa: FBT001 - click's way
) -> int:  # fmt: skip
    """Look at the plan of the field in DIR, change it, and publish it.

    Opens a page that only this machine can reach. Every change is kept in DIR/review.journal: a stopped review
    goes on where it was. Publishing writes and checks the same files as zonemap plan. Stop with Ctrl-C.
    """
    import webbrowser
    from contextlib import ExitStack

    from zonemap.web.serve import opened, serve

    with ExitStack() as open_things:
        with quiet_libraries(), stage_lines() as progress:
            page = open_things.enter_context(
                opened(folder, pipeline=pipeline, out=out, formats=formats, port=port, fresh=fresh, progress=progress)
            )

        def ready() -> None:
            click.echo(f"Review page: {page.address}\nStop with Ctrl-C.")
            if not no_browser:
                webbrowser.open(page.address)

        serve(page, ready=ready)
    return 0
