"""Publish a sample field over and over while it is killed, or while its disk is full; a script of `test_faults`.

    python faults.py killed|full|cut SAMPLE_FIELD TARGET TIMES

- killed: TIMES children are killed (SIGKILL) at random moments, every second run after its manifest is written;
- full: TARGET lies on a small disk of its own (to be run under ``unshare -rm``), which fills at another size each time;
- cut: no file may grow beyond another size each time.

The field is planned once; every run publishes it with its number among the notes, so that each result differs from the
one before. Its pictures, which take most of a run, do not: every fourth run draws them, the others write them. After
each run the result must be whole, the old one or the new one, and so must the previous one. Prints what happened as
JSON; anything but a refusal ends the script.
"""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory

from zonemap import job
from zonemap.errors import OutputError
from zonemap.io.folder import read_folder
from zonemap.io.manifest import MANIFEST, check_manifest, files_of
from zonemap.job import plan_field
from zonemap.pipeline import run as running
from zonemap.report import pen, programme_figure, season
from zonemap.values.note import Note
from zonemap.values.plan import Plan

# a script that tests run with arguments: it is never collected (see pyproject.toml)
FIELD, TARGET, TIMES = Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4])
PREVIOUS = TARGET.with_name(f"{TARGET.name}.previous")
PAGE = resource.getpagesize()


def main() -> None:
    """Run one of the ways, then publish once more in peace."""
    case = read_folder(FIELD)
    plan = running.run(case, job.read_pipeline(job.default_pipeline(case)), lambda _: None)
    for module, name in ((season, "draw_season"), (programme_figure, "draw_programme")):
        setattr(module, name, drawn_or_written(getattr(module, name), plan))
    WAYS[sys.argv[1]](plan)


def drawn_or_written(draw, plan: Plan):
    """Draw the picture now and in every fourth run; the others write what was drawn now."""
    with TemporaryDirectory() as folder:
        first = Path(folder) / "picture.png"
        draw(plan, first)
        content = first.read_bytes()

    def picture(plan: Plan, path: Path) -> None:
        if number_in(note.text for note in plan.notes) % 4 == 0:
            draw(plan, path)
        else:
            path.write_bytes(content)

    return picture


def publish(plan: Plan, version: int) -> None:
    """All that a run does but the planning."""
    stated = replace(plan, notes=(*plan.notes, Note("warning", f"run {version}")))
    running.run = lambda *_: stated
    pen._BESIDE = version % 8 == 2  # then another process draws
    job._BYTES_FOR_A_START = 0  # the check before the start would hide what happens after it
    plan_field(FIELD, out=TARGET, formats="all")


def version_of(folder: Path) -> int:
    """Version of a result that is whole; its summary is of the same run as its manifest."""
    check_manifest(folder)
    of_summary, of_manifest = (
        [note["text"] for note in json.loads((folder / name).read_text(encoding="utf-8"))["notes"]]
        for name in ("summary.json", MANIFEST)
    )
    if of_summary != of_manifest:
        raise SystemExit(f"{folder} is of two runs")
    return number_in(of_summary)


def number_in(notes: Iterable[str]) -> int:
    """Of the run that has these notes."""
    (version,) = [int(text.split()[1]) for text in notes if text.startswith("run ")]
    return version


def found(old: int, new: int) -> str:
    """Which result stands there; the previous one is whole or away."""
    if PREVIOUS.exists():
        version_of(PREVIOUS)
    return {old: "old", new: "new"}[version_of(TARGET)]


def told(outcomes: list[str], last: int) -> None:
    """Print what happened, what stands there now, and what lies beside it."""
    names = sorted(path.name for path in TARGET.parent.iterdir())
    answer = {"outcomes": Counter(outcomes), "last": version_of(TARGET) == last, "names": names}
    sys.stdout.write(json.dumps(answer))


# --- the ways


def killed(plan: Plan) -> None:
    """Die at random moments."""
    for module in ("fiona", "pyogrio", "rasterio", "geopandas", "pypdfium2", "typst"):
        import_module(module)  # once here, and not again in every fork
    # never in this process before it forks: the sheet is set by threads, and a fork has none of them
    ended(begun(plan, 0), 0, kill=False)
    whole, swap = durations(plan, 1)
    chance, outcomes, old, version = random.Random(7), [], 1, 1
    while sum(outcome.startswith("killed") for outcome in outcomes) < TIMES:
        version += 1
        swapping = bool(version % 2)
        child = begun(plan, version)
        if swapping:
            wait_for_manifest(child)
        time.sleep(chance.uniform(0, swap if swapping else whole))
        dead = ended(child, version, kill=True)
        state = found(old, version)
        outcomes.append(f"{'killed' if dead else 'survived'}, {state}")
        old = version if state == "new" else old
        if version > 5 * TIMES:
            raise SystemExit(f"too few were killed: {Counter(outcomes)}")
    publish(plan, version + 1)
    told(outcomes, version + 1)


def durations(plan: Plan, version: int) -> tuple[float, float]:
    """Seconds of a whole run, and of what comes after its manifest stands."""
    start = time.perf_counter()
    child = begun(plan, version)
    wait_for_manifest(child)
    middle = time.perf_counter()
    ended(child, version, kill=False)
    end = time.perf_counter()
    return end - start, end - middle


def begun(plan: Plan, version: int) -> int:
    """Publish in a fork; its process id."""
    child = os.fork()
    if child == 0:
        signal.alarm(120)  # a run that hangs ends by itself
        publish(plan, version)
        os._exit(0)
    return child


def wait_for_manifest(child: int) -> None:
    """Until the folder that is being built holds one, which is the last file of all."""
    pattern = f".{TARGET.name}.building-{child}-*/{MANIFEST}"
    deadline = time.perf_counter() + 60
    while not any(TARGET.parent.glob(pattern)):
        time.sleep(0.001)
        if time.perf_counter() > deadline:
            raise SystemExit("no manifest in a minute")


def ended(child: int, version: int, *, kill: bool) -> bool:
    """Whether it was killed before its end."""
    if kill:
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status) and os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"run {version} failed")
    return os.WIFSIGNALED(status)


def full(plan: Plan) -> None:
    """Fill the disk at sizes from nothing free to more than is needed."""
    disk = TARGET.parent
    mounted(disk, "size=1g")
    publish(plan, 0)
    needed = sum(-(-file.stat().st_size // PAGE) * PAGE for file in files_of(TARGET))
    outcomes = attempts(plan, [int(share * 1.15 * needed) for share in shares()], lambda free: limited(disk, free))
    mounted(disk, "remount,size=1g")
    publish(plan, TIMES + 1)
    told(outcomes, TIMES + 1)


def limited(disk: Path, free: int) -> None:
    """Leave so many bytes free."""
    state = os.statvfs(disk)
    used = (state.f_blocks - state.f_bfree) * state.f_frsize
    mounted(disk, f"remount,size={used + max(free, PAGE)}")


def mounted(disk: Path, options: str) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(disk)], check=True)


def cut(plan: Plan) -> None:
    """Cut files at sizes up to more than the largest has."""
    publish(plan, 0)
    largest = max(file.stat().st_size for file in files_of(TARGET))
    sizes = [int(1.15 * largest * share**2) for share in shares()]  # most files are small
    outcomes = attempts(plan, sizes, lambda size: resource.setrlimit(resource.RLIMIT_FSIZE, (size, -1)))
    resource.setrlimit(resource.RLIMIT_FSIZE, (-1, -1))
    publish(plan, TIMES + 1)
    told(outcomes, TIMES + 1)


def shares() -> list[float]:
    """From 0 to 1, the order mixed."""
    even = [number / (TIMES - 1) for number in range(TIMES)]
    random.Random(7).shuffle(even)
    return even


def attempts(plan: Plan, sizes: list[int], limit) -> list[str]:
    """What came of each size: a refusal leaves the old result, a success the new one."""
    outcomes, old = [], 0
    for version, size in enumerate(sizes, start=1):
        limit(size)
        try:
            publish(plan, version)
        except OutputError:
            outcome = "refused"
        else:
            outcome = "published"
        state = found(old, version)
        outcomes.append(f"{outcome}, {state}")
        old = version if state == "new" else old
    return outcomes


WAYS = {"killed": killed, "full": full, "cut": cut}

if __name__ == "__main__":
    main()
