"""``zonemap compare``: two sets of measurements of one field, or what was spread against what was planned."""

from __future__ import annotations

from pathlib import Path

import click

from zonemap.cli.door import one_line_errors, stage_lines


@click.command(
    epilog="""Examples:

\b
  zonemap compare sample_fields/irrigated_corn
  zonemap compare my_field my_field_in_june --out june_against_march
  zonemap compare sample_fields/rolling_potatoes --plan last_plan
  zonemap compare my_field --json
"""
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.argument("other", type=click.Path(path_type=Path), metavar="[OTHER_DIR]", required=False)
@click.option(
    "--plan",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Published plan that [[spread]] is held against.  [default: DIR/plan]",
)
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Result folder.  [default: DIR/compare]")
@click.option(
    "--within-m",
    type=click.FloatRange(min=0, min_open=True, max=10_000),
    metavar="METRES",
    help="Places up to this far apart are one.  [default: a third of the usual spacing]",
)
@click.option("--json", "as_json", is_flag=True, help="Print compare.json on stdout and nothing else.")
@one_line_errors
def compare(
    folder: Path,
    other: Path | None,
    plan: Path | None,
    out: Path | None,
    within_m: float | None,
    as_json: bool,  # noqa: FBT001 - click's way
) -> int:
    """Hold two sets of measurements of one field side by side, or what was spread against what was planned.

    Resin and extract, leaf and resin, or one kind at two dates or depths: the [samples] of DIR against each of its
    [[other_samples]], or against the [samples] of OTHER_DIR. Says how alike they rank the places, and where they do
    not. Nothing is converted. Writes compare.png, compare.csv, compare.json and manifest.json.

    What a machine logged while it spread, the [[spread]] tables of DIR, against the plan published in DIR/plan: how
    much fell in each zone, where it is off, what was missed or covered twice. Writes spread.png and spread.csv, and
    the same numbers into compare.json.
    """
    import json

    from zonemap.comparing import compare_field
    from zonemap.report.comparison import comparison_text
    from zonemap.report.spread import spread_text

    with stage_lines() as progress:
        outcome = compare_field(folder, other, plan=plan, out=out, within_m=within_m, progress=progress)
    if as_json:
        click.echo(json.dumps(outcome.content, indent=2, ensure_ascii=False))
    else:
        texts = [] if outcome.comparison is None else [comparison_text(outcome.comparison, None)]
        texts += [] if outcome.spread is None else [spread_text(outcome.spread, None)]
        click.echo("\n\n".join([*texts, f"Files: {outcome.folder}"]))
    return outcome.exit_code
