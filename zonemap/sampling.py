"""Where to sample a field, from folder to published places: read, choose, write, read back, swap in."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.io.manifest import check_manifest, write_manifest
from zonemap.io.publish import check_target, private_folder, swap_in
from zonemap.values.sampling import Sampling

Progress = Callable[[str], None]

#: rough size of a result: a picture, a database and three texts
_BYTES_FOR_A_START = 3_000_000


@dataclass(frozen=True, slots=True)
class SamplingOutcome:
    """Published places.

    Attributes
    ----------
    folder
        Where the result lies.
    content
        Content of sampling.json.
    """

    sampling: Sampling
    folder: Path
    content: dict[str, Any]

    @property
    def exit_code(self) -> int:
        """1 when nobody can say where more samples help, else 0."""
        return int(any(note.kind == "refusal" for note in self.sampling.notes))


def sample_field(
    folder: Path, *, count: int | None, pipeline: str | None, out: Path | None, progress: Progress
) -> SamplingOutcome:
    """Say where to take samples, first or further ones, and publish the places.

    Parameters
    ----------
    folder
        A field folder with field.toml and a boundary.
    count
        Samples; ``None`` takes the usual number.
    pipeline
        Name of a shipped pipeline, or a file, that maps the samples that are there; ``None`` as for a plan.
    out
        Result folder; ``None`` is ``sampling`` inside the field folder.
    progress
        Told the name of every stage as it starts.

    Raises
    ------
    InputError, OutputError
        The published result is then what it was before.
    """
    from zonemap.io.folder import read_folder
    from zonemap.io.unsampled import read_unsampled
    from zonemap.job import default_pipeline
    from zonemap.pipeline.parse import read_pipeline
    from zonemap.pipeline.sampling import first_samples, next_samples

    target = folder / "sampling" if out is None else out
    progress("reading the folder")
    named = None if pipeline is None else read_pipeline(pipeline)
    unsampled = read_unsampled(folder)
    if unsampled is not None:
        check_target(target, needed_bytes=_BYTES_FOR_A_START)
        progress("places")
        with one_linear_algebra_thread():
            return _publish(first_samples(unsampled, count=count), target, {}, progress)
    case = read_folder(folder)
    check_target(target, needed_bytes=_BYTES_FOR_A_START)
    chosen = named or read_pipeline(default_pipeline(case))
    record = {"pipeline": {"name": chosen.name, "sha256": chosen.sha256, "text": chosen.text}}
    with one_linear_algebra_thread():
        return _publish(next_samples(case, chosen, progress, count=count), target, record, progress)


def _publish(sampling: Sampling, target: Path, record: dict[str, Any], progress: Progress) -> SamplingOutcome:
    """Write every file, read each back, and swap the folder in whole."""
    from zonemap.io.sampling_files import sampling_columns, write_sampling
    from zonemap.io.text_file import write_lines
    from zonemap.report.sampling import place_words, sampling_json, sampling_text, title_of
    from zonemap.report.sampling_figure import draw_sampling

    columns = sampling_columns(sampling)
    content = sampling_json(sampling, columns)
    with private_folder(target, needed_bytes=_BYTES_FOR_A_START) as build:
        progress("writing files")
        write_sampling(build, sampling, columns, descriptions=place_words(sampling), title=title_of(sampling))
        text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
        write_lines(build / "sampling.json", [text])
        write_lines(build / "sampling.txt", [sampling_text(sampling, None)])
        draw_sampling(sampling, build / "sampling.png")
        inputs = dict(sampling.about.input_sha256)
        write_manifest(build, {"inputs": inputs, "notes": content["notes"], **record})
        check_manifest(build)
        progress("putting the result in place")
        swap_in(build, target)
    return SamplingOutcome(sampling, target, content)
