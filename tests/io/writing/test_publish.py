import errno
import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from zonemap.errors import OutputError
from zonemap.io import publish
from zonemap.io.manifest import check_manifest, sha256_of, write_manifest
from zonemap.io.publish import check_target, private_folder, swap_in

TESTS = Path(__file__).parent
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="exchanges names and limits file sizes as Linux does")


def put(target: Path, version: str) -> None:
    """Publish a small result."""
    with private_folder(target) as build:
        (build / "surfaces").mkdir()
        (build / "surfaces" / "K.tif").write_text(version * 500)
        (build / "sheet.txt").write_text(version)
        write_manifest(build, {"version": version})
        swap_in(build, target)


def version_of(folder: Path) -> str:
    """Version of a result that is whole."""
    check_manifest(folder)
    version: str = json.loads((folder / "manifest.json").read_text())["version"]
    assert (folder / "sheet.txt").read_text() == version
    return version


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.fixture(params=["exchange", "two renames"])
def swap(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways to swap folders."""
    if request.param == "two renames":
        monkeypatch.setattr(publish, "_exchange", lambda *_: False)
    elif sys.platform != "linux":
        pytest.skip("only Linux exchanges names")
    chosen: str = request.param
    return chosen


# --- what is published


def test_a_first_result_stands_alone_and_can_be_read_by_all(tmp_path: Path) -> None:
    put(tmp_path / "out", "1")
    assert version_of(tmp_path / "out") == "1"
    assert names(tmp_path) == {"out"}
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o755


@pytest.mark.usefixtures("swap")
def test_the_result_before_is_kept_once(tmp_path: Path) -> None:
    for version in "123":
        put(tmp_path / "out", version)
    assert (version_of(tmp_path / "out"), version_of(tmp_path / "out.previous")) == ("3", "2")
    assert names(tmp_path) == {"out", "out.previous"}


def test_an_empty_target_is_filled_and_the_previous_result_stays(tmp_path: Path) -> None:
    put(tmp_path / "out", "1")
    (tmp_path / "out").rename(tmp_path / "out.previous")
    (tmp_path / "out").mkdir()
    put(tmp_path / "out", "2")
    assert (version_of(tmp_path / "out"), version_of(tmp_path / "out.previous")) == ("2", "1")


def test_nobody_else_can_look_into_the_folder_that_is_being_built(tmp_path: Path) -> None:
    with private_folder(tmp_path / "out") as build:
        assert build.stat().st_mode & 0o777 == 0o700
        assert build.parent == tmp_path


def test_a_relative_target_is_one_in_the_working_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    put(Path("out"), "1")
    assert version_of(tmp_path / "out") == "1"


def fail_half_way(target: Path) -> None:
    with private_folder(target) as build:
        (build / "half").write_text("")
        raise FloatingPointError


def test_an_exception_while_building_leaves_the_old_result_and_nothing_else(tmp_path: Path) -> None:
    put(tmp_path / "out", "1")
    with pytest.raises(FloatingPointError):
        fail_half_way(tmp_path / "out")
    assert version_of(tmp_path / "out") == "1"
    assert names(tmp_path) == {"out"}


def test_a_result_without_manifest_is_not_published(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="Write the manifest last"), private_folder(tmp_path / "out") as build:
        swap_in(build, tmp_path / "out")
    assert names(tmp_path) == set()


# --- what may be written to


def a_file(target: Path) -> None:
    target.write_text("mine")


def a_foreign_folder(target: Path) -> None:
    target.mkdir()
    (target / "thesis.txt").write_text("mine")


def a_foreign_manifest(target: Path) -> None:
    target.mkdir()
    (target / "manifest.json").write_text('{"name": "another program"}')


def a_link(target: Path) -> None:
    (target.parent / "elsewhere").mkdir()
    target.symlink_to(target.parent / "elsewhere")


def a_dangling_link(target: Path) -> None:
    target.symlink_to(target.parent / "nowhere")


@pytest.mark.parametrize(
    ("made", "mend"),
    [
        (a_file, "move the file away"),
        (a_foreign_folder, "Name a new or empty folder"),
        (a_foreign_manifest, "Name a new or empty folder"),
        (a_link, "Name a real folder"),
        (a_dangling_link, "Name a real folder"),
    ],
)
@pytest.mark.parametrize("name", ["out", "out.previous"])
def test_what_is_not_ours_is_never_replaced(tmp_path: Path, made: Callable[[Path], None], mend: str, name: str) -> None:
    made(tmp_path / name)
    with pytest.raises(OutputError, match=mend) as refused:
        check_target(tmp_path / "out")
    assert refused.value.exit_code == 3
    with pytest.raises(OutputError, match=mend):
        put(tmp_path / "out", "1")
    assert not (tmp_path / "elsewhere" / "manifest.json").exists()


def test_a_target_that_became_another_folder_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    with private_folder(tmp_path / "out") as build:
        write_manifest(build, {})
        a_foreign_folder(tmp_path / "out")
        with pytest.raises(OutputError, match="Name a new or empty folder"):
            swap_in(build, tmp_path / "out")
    assert (tmp_path / "out" / "thesis.txt").read_text() == "mine"


def test_a_missing_parent_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="Make that folder first"):
        check_target(tmp_path / "nowhere" / "out")


def test_a_parent_that_is_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises(OutputError, match=r"Name the place it points to: .*real"):
        check_target(tmp_path / "link" / "out")


def test_a_read_only_parent_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write anywhere
    with pytest.raises(OutputError, match="Change its permissions"):
        check_target(tmp_path / "out")


@pytest.mark.parametrize("name", ["/", ".."])
def test_a_target_without_a_name_is_refused(name: str) -> None:
    with pytest.raises(OutputError, match="Name a folder to be made"):
        check_target(Path(name))


def test_too_little_space_is_said_before_anything_is_computed(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"1,000,000,000,000,000,000 bytes are needed .* Free some space"):
        check_target(tmp_path / "out", needed_bytes=10**18)


# --- one run at a time


def test_a_second_run_is_refused_and_told_the_process(tmp_path: Path) -> None:
    with (
        private_folder(tmp_path / "out"),
        pytest.raises(OutputError, match=f"process {os.getpid()} on .* Wait for it to end"),
        private_folder(tmp_path / "out"),
    ):
        pass
    assert names(tmp_path) == set()


def test_the_lock_of_a_dead_process_is_taken_over(tmp_path: Path) -> None:
    dead = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    (tmp_path / ".out.lock").write_text(f"{int(dead.stdout)} {socket.gethostname()}\n")
    put(tmp_path / "out", "1")
    assert names(tmp_path) == {"out"}


def test_the_lock_of_another_machine_is_believed(tmp_path: Path) -> None:
    (tmp_path / ".out.lock").write_text("12 another-machine\n")
    with pytest.raises(OutputError, match=r"process 12 on another-machine.* delete \.out\.lock"):
        put(tmp_path / "out", "1")
    assert (tmp_path / ".out.lock").read_text() == "12 another-machine\n"


def test_a_lock_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    (tmp_path / ".out.lock").symlink_to(tmp_path / "mine.txt")
    with pytest.raises(OutputError, match="Change the permissions of its folder"):
        put(tmp_path / "out", "1")
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_two_targets_in_one_folder_do_not_hinder_each_other(tmp_path: Path) -> None:
    with private_folder(tmp_path / "out"):
        put(tmp_path / "out2", "1")
    assert version_of(tmp_path / "out2") == "1"


# --- leftovers


def test_leftovers_of_dead_runs_are_swept_and_nothing_else(tmp_path: Path) -> None:
    for name in (
        ".out.building-12-0123abcd",
        ".out.building-x",
        ".out2.building-12-0123abcd",
        "out.building-12-0123abcd",
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "half").write_text("")
    (tmp_path / ".out.building-13-0123abcd").symlink_to(tmp_path / ".out2.building-12-0123abcd")
    put(tmp_path / "out", "1")
    assert ".out.building-12-0123abcd" not in names(tmp_path)
    assert {".out.building-x", ".out2.building-12-0123abcd", "out.building-12-0123abcd"} <= names(tmp_path)
    assert (tmp_path / ".out2.building-12-0123abcd" / "half").exists()


def test_a_death_between_the_two_renames_is_mended_at_the_next_start(tmp_path: Path) -> None:
    put(tmp_path / "out", "1")
    (tmp_path / "out").rename(tmp_path / "out.previous")
    (tmp_path / ".out.building-12-0123abcd").mkdir()
    with private_folder(tmp_path / "out"):
        assert version_of(tmp_path / "out") == "1"


def test_a_death_before_the_exchange_gives_the_previous_result_its_name_back(tmp_path: Path) -> None:
    put(tmp_path / "out", "1")
    put(tmp_path / "out", "2")
    (tmp_path / "out.previous").rename(tmp_path / ".out.previous-12-0123abcd")
    with private_folder(tmp_path / "out"):
        assert version_of(tmp_path / "out.previous") == "1"


@linux_only
def test_an_exchange_that_fails_says_why(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="out"):
        publish._exchange(tmp_path / "build", tmp_path / "out")


# --- failures at every step


def failing(real: Callable[..., Any], calls: list[int], at: int) -> Callable[..., Any]:
    def instead(*arguments: Any, **options: Any) -> Any:
        calls[0] += 1
        if calls[0] == at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(*arguments, **options)

    return instead


@pytest.mark.usefixtures("swap")
def test_a_disk_that_fails_at_any_step_leaves_whole_results_only(tmp_path: Path) -> None:
    target = tmp_path / "out"
    put(target, "1")
    put(target, "2")
    refusals: list[str] = []
    for at in range(1, 60):
        before, calls = version_of(target), [0]
        with pytest.MonkeyPatch.context() as broken:
            for owner, name in [(os, "fsync"), (os, "rename"), (os, "chmod"), (os, "mkdir"), (os, "write")]:
                broken.setattr(owner, name, failing(getattr(os, name), calls, at))
            broken.setattr(Path, "rename", lambda path, to: os.rename(path, to))  # noqa: PTH104 - the call to break
            try:
                put(target, str(at + 2))
            except OutputError as error:
                refusals.append(error.mend)
        assert version_of(target) in {before, str(at + 2)}
        version_of(tmp_path / "out.previous")
        assert names(tmp_path) == {"out", "out.previous"}
        if calls[0] < at:
            break
    assert calls[0] < at  # every step has failed once: the last run had fewer
    assert len(refusals) == at - 1 > 10
    assert set(refusals) == {"Free some space or mend the permissions, then run again."}


KILLED = """
import json, os, random, signal, sys, time
from pathlib import Path
import importlib.util
spec = importlib.util.spec_from_file_location("test_publish", sys.argv[1])
tests = importlib.util.module_from_spec(spec)
spec.loader.exec_module(tests)
target, way, exchanging = Path(sys.argv[2]), sys.argv[3], sys.argv[4] == "exchange"
if not exchanging:
    tests.publish._exchange = lambda *_: False
tests.put(target, "0")
start = time.perf_counter()
tests.put(target, "1")
spent = time.perf_counter() - start

def die_at(step):
    seen = [0]
    def count(event, arguments):
        if event.split(".")[0] in {"os", "open", "shutil", "ctypes", "fcntl"}:
            seen[0] += 1
            if seen[0] == step:
                os.kill(os.getpid(), signal.SIGKILL)
    sys.addaudithook(count)

killed, versions, step, survived = 0, set(), 0, False
chance = random.Random(7)
while not survived and step < (20 if way == "moment" else 400):
    step += 1
    child = os.fork()
    if child == 0:
        if way == "step":
            die_at(step)
        tests.put(target, str(step + 1))
        os._exit(0)
    if way == "moment":
        time.sleep(chance.uniform(0, spent))
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    dead = os.WIFSIGNALED(status)
    killed += dead
    survived = way == "step" and not dead
    if not exchanging and not survived:
        with tests.private_folder(target):
            pass
    versions.add(tests.version_of(target))
tests.put(target, "last")
print(json.dumps([killed, step, survived, len(versions), tests.version_of(target), sorted(tests.names(target.parent))]))
"""


def killed(target: Path, way: str, swapping: str) -> list[Any]:
    command = [sys.executable, "-c", KILLED, __file__, str(target), way, swapping]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    answer: list[Any] = json.loads(run.stdout)
    return answer


@linux_only
@pytest.mark.parametrize("swapping", ["exchange", "two renames"])
def test_a_run_killed_before_any_of_its_steps_leaves_a_whole_result(tmp_path: Path, swapping: str) -> None:
    deaths, steps, survived, versions, last, left = killed(tmp_path / "out", "step", swapping)
    assert survived  # the last one outlived all its steps
    assert deaths == steps - 1 > 20
    assert versions > 1
    assert last == "last"
    assert left == ["out", "out.previous"]


@linux_only
@pytest.mark.parametrize("swapping", ["exchange", "two renames"])
def test_a_run_killed_at_twenty_moments_leaves_a_whole_result(tmp_path: Path, swapping: str) -> None:
    deaths, moments, _, _, last, left = killed(tmp_path / "out", "moment", swapping)
    assert moments == 20
    assert deaths > 3  # the rest ended before their moment
    assert last == "last"
    assert left == ["out", "out.previous"]


FULL = """
import importlib.util, json, resource, sys
from pathlib import Path

def load(name):
    spec = importlib.util.spec_from_file_location(name, Path(sys.argv[1]) / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module

plan, written = load("conftest").made_plan("us"), load("test_verify")
from zonemap.errors import OutputError
from zonemap.io.manifest import write_manifest
from zonemap.io.publish import private_folder, swap_in
target, outcomes = Path(sys.argv[2]), []
for limit in json.loads(sys.argv[3]):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        with private_folder(target) as build:
            written.write_result(build, plan)
            written.verify(build, plan)
            write_manifest(build, {"version": str(limit)})
            swap_in(build, target)
        outcomes.append("published")
    except OutputError as error:
        outcomes.append(str(error))
print(json.dumps(outcomes))
"""


@linux_only
def test_files_cut_short_by_the_system_are_never_published(tmp_path: Path) -> None:
    put(tmp_path / "out", "1")
    limits = [50, 700, 5_000, 30_000, 100_000, 170_000]
    command = [sys.executable, "-c", FULL, str(TESTS), str(tmp_path / "out"), json.dumps(limits)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert "published" not in json.loads(run.stdout)
    assert version_of(tmp_path / "out") == "1"
    assert names(tmp_path) == {"out"}


# --- the manifest


def test_the_manifest_lists_every_file_with_its_hash_and_size(tmp_path: Path) -> None:
    (tmp_path / "surfaces").mkdir()
    (tmp_path / "surfaces" / "K.tif").write_bytes(b"abc")
    write_manifest(tmp_path, {"b": 1, "a": [1, 2]})
    manifest = json.loads((tmp_path / "manifest.json").read_text())
    # FIPS 180-4 example "abc".
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert manifest["files"] == {"surfaces/K.tif": {"bytes": 3, "sha256": abc}}
    assert list(manifest) == sorted(manifest) == ["a", "b", "files", "zonemap"]


def test_equal_results_have_equal_manifests(tmp_path: Path) -> None:
    for name, content in (("one", {"b": 1, "a": 2}), ("two", {"a": 2, "b": 1})):
        (tmp_path / name).mkdir()
        (tmp_path / name / "sheet.txt").write_text("x")
        write_manifest(tmp_path / name, content)
    assert sha256_of(tmp_path / "one" / "manifest.json") == sha256_of(tmp_path / "two" / "manifest.json")


@pytest.mark.parametrize("change", ["changed", "added", "removed"])
def test_a_file_that_differs_from_the_manifest_is_named(tmp_path: Path, change: str) -> None:
    (tmp_path / "sheet.txt").write_text("x")
    write_manifest(tmp_path, {})
    if change == "removed":
        (tmp_path / "sheet.txt").unlink()
    else:
        (tmp_path / ("sheet.txt" if change == "changed" else "more.txt")).write_text("y")
    with pytest.raises(OutputError, match=r"(sheet|more)\.txt: the file differs .* Run zonemap again"):
        check_manifest(tmp_path)


def test_a_folder_without_manifest_is_no_result(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="Run zonemap again"):
        check_manifest(tmp_path)


@pytest.mark.parametrize("content", [{"files": {}}, {"rate": float("nan")}])
def test_a_manifest_holds_numbers_and_leaves_files_to_us(tmp_path: Path, content: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"files|JSON"):
        write_manifest(tmp_path, content)
