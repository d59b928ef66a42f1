"""Measurements of one field side by side, and what was spread against its plan: read, compare, write, swap in."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.io.manifest import check_manifest, write_manifest
from zonemap.io.publish import check_target, private_folder, swap_in
from zonemap.values.comparison import Comparison
from zonemap.values.spread_comparison import SpreadComparison

Progress = Callable[[str], None]

#: rough size of a result: a picture and two tables
_BYTES_FOR_A_START = 5_000_000
#: the pipeline whose surface method maps sets that share no place: the default one
_PIPELINE = "season_supply"


@dataclass(frozen=True, slots=True)
class ComparisonOutcome:
    """A published comparison.

    Attributes
    ----------
    comparison, spread
        Of sets of measurements, and of what was spread against the plan; ``None`` where that was not asked for.
    folder
        Where the result lies.
    content
        Content of compare.json.
    """

    comparison: Comparison | None
    spread: SpreadComparison | None
    folder: Path
    content: dict[str, Any]

    @property
    def exit_code(self) -> int:
        """1 when nothing could be said, else 0."""
        return int(any(note["kind"] == "refusal" for note in self.content["notes"]))


def compare_field(
    folder: Path,
    other: Path | None,
    *,
    out: Path | None,
    within_m: float | None,
    progress: Progress,
    plan: Path | None = None,
) -> ComparisonOutcome:
    """Compare the samples of a field with other sets, and what was spread with what was planned; publish the result.

    Parameters
    ----------
    folder
        A field folder with field.toml. Its [[other_samples]] are held against its [samples], its [[spread]] tables
        against its published plan.
    other
        A second folder of the same field, whose [samples] are held against those of the first, and nothing else is;
        ``None`` for what the first folder names.
    out
        Result folder; ``None`` is ``compare`` inside the field folder.
    within_m
        Places up to this far apart are one; ``None`` takes a third of the spacing of the denser set.
    progress
        Told the name of every stage as it starts.
    plan
        Folder of the published plan; ``None`` is ``plan`` inside the field folder.

    Raises
    ------
    InputError, OutputError
        The published result is then what it was before.
    """
    from zonemap.io.field_parts import open_field_folder

    target = folder / "compare" if out is None else out
    progress("reading the folder")
    _, toml = open_field_folder(folder)
    spread_wanted = other is None and bool(toml.spread)
    sets_wanted = other is not None or bool(toml.other_samples) or not spread_wanted
    spread = _spread(folder, folder / "plan" if plan is None else plan, target, progress) if spread_wanted else None
    sets = _sets(folder, other, target, within_m, progress) if sets_wanted else None
    content = _content(sets, spread)
    hashes = dict([*(sets.input_sha256 if sets else ()), *(spread.input_sha256 if spread else ())])
    with private_folder(target, needed_bytes=_BYTES_FOR_A_START) as build:
        progress("writing files")
        _write(sets, spread, content, build)
        write_manifest(build, {"inputs": hashes, "notes": content["notes"]})
        check_manifest(build)
        swap_in(build, target)
    return ComparisonOutcome(sets, spread, target, content)


@one_linear_algebra_thread()
def _sets(folder: Path, other: Path | None, target: Path, within_m: float | None, progress: Progress) -> Comparison:
    from zonemap.io.sample_sets import read_sample_sets
    from zonemap.pipeline.comparing import compare_sets
    from zonemap.pipeline.parse import read_pipeline

    sets = read_sample_sets(folder, other)
    check_target(target, needed_bytes=_BYTES_FOR_A_START)
    return compare_sets(sets, read_pipeline(_PIPELINE), progress, within_m=within_m)


@one_linear_algebra_thread()
def _spread(folder: Path, plan: Path, target: Path, progress: Progress) -> SpreadComparison:
    from zonemap.io.spread_sets import read_spread_sets
    from zonemap.pipeline.spread_comparing import compare_spread

    sets = read_spread_sets(folder, plan)
    check_target(target, needed_bytes=_BYTES_FOR_A_START)
    return compare_spread(sets, progress)


@one_linear_algebra_thread()
def _content(sets: Comparison | None, spread: SpreadComparison | None) -> dict[str, Any]:
    """Content of compare.json: what was compared, with the notes of all of it."""
    from zonemap.report.comparison import comparison_json
    from zonemap.report.shown import field_json, notes_json
    from zonemap.report.spread import HOW, spread_json

    own = comparison_json(sets) if sets is not None else {"comparisons": [], "about": [], "notes": []}
    if spread is None:
        return own
    notes = [note for note in notes_json(spread.notes) if note not in own["notes"]]
    return {
        "field": field_json(spread.field),
        "comparisons": own["comparisons"],
        "spread": spread_json(spread),
        "about": [*own["about"], HOW],
        "notes": [*own["notes"], *notes],
    }


def _write(sets: Comparison | None, spread: SpreadComparison | None, content: dict[str, Any], build: Path) -> None:
    """Write every file but the manifest into the private folder."""
    from zonemap.io.csv_rows import write_csv

    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    (build / "compare.json").write_text(text, encoding="utf-8", newline="\n")
    if sets is not None:
        from zonemap.report.comparison import comparison_columns
        from zonemap.report.comparison_figure import draw_comparison

        write_csv(build / "compare.csv", comparison_columns(sets))
        draw_comparison(sets, build / "compare.png")
    if spread is not None:
        from zonemap.report.spread import spread_columns
        from zonemap.report.spread_figure import draw_spread

        write_csv(build / "spread.csv", spread_columns(spread))
        draw_spread(spread, build / "spread.png")
