"""Two sets of measurements of one field, from folders to a published comparison: read, compare, write, swap in."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from zonemap.io.manifest import check_manifest, write_manifest
from zonemap.io.publish import check_target, private_folder, swap_in
from zonemap.values.comparison import Comparison

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
    folder
        Where the result lies.
    content
        Content of compare.json.
    """

    comparison: Comparison
    folder: Path
    content: dict[str, Any]

    @property
    def exit_code(self) -> int:
        """1 when nothing could be said, else 0."""
        return int(any(note.kind == "refusal" for note in self.comparison.notes))


def compare_field(
    folder: Path, other: Path | None, *, out: Path | None, within_m: float | None, progress: Progress
) -> ComparisonOutcome:
    """Compare the samples of a field with its other sets, or with those of a second folder, and publish the result.

    Parameters
    ----------
    folder
        A field folder with field.toml.
    other
        A second folder of the same field; ``None`` for the [[other_samples]] of the first.
    out
        Result folder; ``None`` is ``compare`` inside the field folder.
    within_m
        Places up to this far apart are one; ``None`` takes a third of the spacing of the denser set.
    progress
        Told the name of every stage as it starts.

    Raises
    ------
    InputError, OutputError
        The published result is then what it was before.
    """
    from zonemap.io.sample_sets import read_sample_sets
    from zonemap.pipeline.comparing import compare_sets
    from zonemap.pipeline.parse import read_pipeline
    from zonemap.report.comparison import comparison_json

    target = folder / "compare" if out is None else out
    progress("reading the samples")
    sets = read_sample_sets(folder, other)
    check_target(target, needed_bytes=_BYTES_FOR_A_START)
    comparison = compare_sets(sets, read_pipeline(_PIPELINE), progress, within_m=within_m)
    content = comparison_json(comparison)
    with private_folder(target, needed_bytes=_BYTES_FOR_A_START) as build:
        progress("writing files")
        _write(comparison, content, build)
        write_manifest(build, {"inputs": dict(comparison.input_sha256), "notes": content["notes"]})
        check_manifest(build)
        swap_in(build, target)
    return ComparisonOutcome(comparison, target, content)


def _write(comparison: Comparison, content: dict[str, Any], build: Path) -> None:
    """Write every file but the manifest into the private folder."""
    from zonemap.io.csv_rows import write_csv
    from zonemap.report.comparison import comparison_columns
    from zonemap.report.comparison_figure import draw_comparison

    text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    (build / "compare.json").write_text(text, encoding="utf-8", newline="\n")
    write_csv(build / "compare.csv", comparison_columns(comparison))
    draw_comparison(comparison, build / "compare.png")
