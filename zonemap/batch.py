"""Many fields on a Dask cluster: one that fails is told of, and the rest go on.

A field is planned by one process at a time. A process that dies (for lack of memory, say) is replaced and its field is
tried again; a field with which processes die time and again is given up.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from zonemap.errors import InputError, OutputError, ZonemapError
from zonemap.io.field_parts import Outline, read_outlines
from zonemap.io.names import slug
from zonemap.io.sources import folder_name, one_line, shown
from zonemap.values.batch import FieldResult, Planned

if TYPE_CHECKING:
    from distributed import Client

    from zonemap.values.plan import Plan

#: told of every field that has ended, and how many there are as far as is known
Progress = Callable[[FieldResult | None, int], None]

#: memory that the plan of a large field takes
_BYTES_A_FIELD = 1_200_000_000
_CONNECT_SECONDS = 10


def silence(result: FieldResult | None, fields: int) -> None:
    """Progress for callers who want none."""
    del result, fields


@dataclass(frozen=True, slots=True)
class _Task:
    """One field to plan; `folder` and `target` as they were named in the folder `root`."""

    root: Path
    folder: Path
    target: Path
    pipeline: str | None
    formats: str | None
    changes: bool
    outline: Outline | None = None

    @property
    def name(self) -> str:
        return self.outline.name if self.outline else folder_name(self.root / self.folder)

    def of_outline(self, outline: Outline, *, taken: Sequence[str]) -> _Task:
        """Task of one outline of several; changes by hand were made to no such field."""
        name = slug(f"{self.target.name}-{outline.name}", taken=taken)
        return replace(self, outline=outline, target=self.target.with_name(name), changes=False)


def plan_fields(
    folders: Sequence[Path],
    *,
    pipeline: str | None = None,
    formats: str | None = None,
    out: Path | None = None,
    changes: bool = True,
    scheduler: str | None = None,
    workers: int | None = None,
    progress: Progress = silence,
) -> tuple[FieldResult, ...]:
    """Plan many fields, several at a time, and publish each result whole.

    Parameters
    ----------
    folders
        Field folders. Where a boundary's file holds several outlines and field.toml does not choose, each is a field:
        its samples are those within it.
    pipeline, formats, changes
        As for `zonemap.job.plan_field`, for all fields.
    out
        Folder for a result a field, by the name of the field folder and the outline; made where it is missing.
        ``None`` writes ``plan`` (or ``plan-<outline>``) inside each field folder.
    scheduler
        Address of a Dask scheduler whose workers see the same folders under the same names, and have this package;
        ``None`` starts processes on this machine.
    workers
        Processes on this machine; ``None`` is one a core, fewer where memory is short.
    progress
        Told first, and then of every field as it ends, of how many there are.

    Returns
    -------
    tuple of FieldResult
        In the order of the folders, and of the outlines in their file.

    Raises
    ------
    InputError
        When two results would have one name, when the pipeline or the formats cannot be used, or when no scheduler
        answers. What is wrong with a single field is in its result instead.
    OutputError
        When the folder for the results cannot be made.
    """
    from zonemap.io.formats import chosen_formats
    from zonemap.pipeline.parse import read_pipeline

    chosen_formats(formats)
    if pipeline is not None:
        read_pipeline(pipeline)
        pipeline = str(Path(pipeline).absolute()) if Path(pipeline).is_file() else pipeline
    tasks = [
        _Task(Path.cwd(), folder, target, pipeline, formats, changes)
        for folder, target in zip(folders, _targets(folders, out), strict=True)
    ]
    progress(None, len(tasks))
    with _cluster(scheduler, workers=min(len(tasks), workers or _workers())) as client:
        return _all_of(client, tasks, progress)


def _all_of(client: Client, tasks: Sequence[_Task], progress: Progress) -> tuple[FieldResult, ...]:
    """What came of every task, and of those that one turned out to be."""
    from distributed import as_completed

    asked: dict[Any, tuple[int, int, _Task]] = {
        client.submit(_outlines, task, pure=False): (number, 0, task) for number, task in enumerate(tasks)
    }
    ended: dict[tuple[int, int], FieldResult] = {}
    fields, waiting = len(tasks), as_completed(list(asked))
    for done in waiting:
        number, part, task = asked.pop(done)
        found = _answer_of(done, task)
        if isinstance(found, FieldResult):
            ended[number, part] = found
            progress(found, fields)
            continue
        fields += len(found) - 1
        for place, each in enumerate(found):
            future = client.submit(_planned, each, pure=False)
            asked[future] = (number, place, each)
            waiting.add(future)
    return tuple(ended[key] for key in sorted(ended))


def _answer_of(future: Any, task: _Task) -> FieldResult | tuple[_Task, ...]:
    """What a process answered, or why none did."""
    error = future.exception()
    if error is None:
        answer: FieldResult | tuple[_Task, ...] = future.result()
        return answer
    if type(error).__name__ == "KilledWorker":
        what = "its process died each time it was tried, as processes do where memory runs out"
        return _failed(
            task, OutputError(str(task.folder), what, "Plan it alone with zonemap plan, or with --workers 1."), 0.0
        )
    return _failed(task, _unforeseen(task, error), 0.0)


# --- in a process of the cluster


def _outlines(task: _Task) -> FieldResult | tuple[_Task, ...]:
    """Fields that a folder holds: itself, or the outlines in its boundary's file."""
    start, tasks = time.perf_counter(), list[_Task]()
    try:
        for outline in read_outlines(task.root / task.folder):
            tasks.append(task.of_outline(outline, taken=[each.target.name for each in tasks]))
    except ZonemapError as error:
        return _failed(task, error, time.perf_counter() - start)
    return tuple(tasks) or (task,)


def _planned(task: _Task) -> FieldResult:
    """Plan one field and publish its result."""
    from zonemap.job import plan_field

    start = time.perf_counter()
    try:
        outcome = plan_field(
            task.root / task.folder,
            pipeline=task.pipeline,
            out=task.root / task.target,
            formats=task.formats,
            changes=task.changes,
            outline=task.outline,
            beside=False,
        )
    except ZonemapError as error:
        return _failed(task, error, time.perf_counter() - start)
    except Exception as error:  # noqa: BLE001 -- a fault of this package must not end the other fields' night
        return _failed(task, _unforeseen(task, error), time.perf_counter() - start)
    seconds = time.perf_counter() - start
    name = outcome.plan.case.field.name
    return FieldResult(task.folder, name, task.target, outcome.exit_code, seconds, _counted(outcome.plan))


def _counted(plan: Plan) -> Planned:
    from zonemap.report.bill import bought

    return Planned(
        area_ha=plan.case.field.area_ha,
        units=plan.case.units,
        zones=plan.zones.count,
        advice=plan.value.advice,
        bought=bought(plan),
        warnings=sum(note.kind == "warning" for note in plan.notes),
        refusals=tuple(note.text for note in plan.notes if note.kind == "refusal"),
    )


def _failed(task: _Task, error: ZonemapError, seconds: float) -> FieldResult:
    return FieldResult(task.folder, task.name, task.target, error.exit_code, seconds, None, one_line(str(error)))


def _unforeseen(task: _Task, error: BaseException) -> ZonemapError:
    what = f"planning ended with {type(error).__name__} ({one_line(str(error))[:200]})"
    return OutputError(str(task.folder), what, "Plan it alone with zonemap plan.")


# --- where results go, and who makes them


def _targets(folders: Sequence[Path], out: Path | None) -> list[Path]:
    if out is None:
        return [folder / "plan" for folder in folders]
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"this folder cannot be made ({error.strerror})"
        raise OutputError(str(out), what, "Name another, or change the permissions.") from error
    holder: dict[str, Path] = {}
    names = [slug(folder_name(folder)) for folder in folders]
    for name, folder in zip(names, folders, strict=True):
        if holder.setdefault(name.casefold(), folder) is not folder:
            what = f"'{holder[name.casefold()]}' and '{folder}' would both write to {out / name}"
            raise InputError(str(out), what, "Rename one of the folders, or leave --out away.")
    return [out / name for name in names]


def _workers() -> int:
    from distributed.system import MEMORY_LIMIT

    return max(1, min(os.cpu_count() or 1, int(MEMORY_LIMIT // _BYTES_A_FIELD)))


@contextmanager
def _cluster(address: str | None, *, workers: int) -> Iterator[Client]:
    """Lend the client of a cluster: the one at an address, or processes of this machine that end with the block."""
    import logging

    import dask
    from distributed import Client, LocalCluster, WorkerPlugin

    class Deaf(WorkerPlugin):
        """A process that leaves Ctrl-C to the one that started it."""

        def setup(self, worker: Any) -> None:
            del worker
            signal.signal(signal.SIGINT, signal.SIG_IGN)

    if address is None:
        with (
            dask.config.set({f"distributed.{each}.http.routes": [] for each in ("scheduler", "worker")}),
            LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                memory_limit=0,  # a limit would end processes that the machine can bear
                dashboard_address="127.0.0.1:0",
                security=True,  # keys of its own: what these processes are asked to do comes from here alone
                silence_logs=logging.CRITICAL,
            ) as cluster,
            Client(cluster) as client,
        ):
            client.register_plugin(Deaf())
            yield client
        return
    try:
        client = Client(address, timeout=_CONNECT_SECONDS)
    except (OSError, ValueError) as error:
        mend = "Start one with: dask scheduler, and with: dask worker ADDRESS; or leave --scheduler away."
        raise InputError("--scheduler", f"none answers at {shown(address)}", mend) from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise InputError("--scheduler", f"{shown(address)} has no workers", "Start some with: dask worker ADDRESS.")
        yield client
