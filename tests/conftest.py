"""Settings for all tests, and what they make once and share: surfaces, and the sample fields' published plans."""

from __future__ import annotations

import hashlib
import os
import pickle
import time
from collections.abc import Callable
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import settings
from PIL import Image

from zonemap.child import pickled
from zonemap.errors import OutputError
from zonemap.io.folder import read_folder
from zonemap.io.lock import locked
from zonemap.job import default_pipeline, plan_field, silence
from zonemap.pipeline import run
from zonemap.pipeline.parse import read_pipeline

TOP = Path(__file__).resolve().parents[1]
SAMPLE_FIELDS = TOP / "sample_fields"

# Nothing timed decides a test; on the build machine the same examples are drawn at every run.
settings.register_profile("zonemap", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.register_profile("thorough", deadline=None, max_examples=2000)
settings.load_profile("zonemap")


# --- several processes run the tests: what takes longest begins first, and what is made once lies in a folder

LONG = ("test_checks.py", "sample_fields/test_pictures.py", "whole/", "web/")
SHARED = pytest.StashKey[TemporaryDirectory]()


def pytest_collection_modifyitems(items):
    """Begin with the files that take longest, so that the processes end together; a file stays in one process."""
    tests = Path(__file__).parent

    def rank(item):
        name = item.path.relative_to(tests).as_posix() if item.path.is_relative_to(tests) else ""
        return next((number for number, start in enumerate(LONG) if name.startswith(start)), len(LONG))

    items.sort(key=rank)


def pytest_configure(config):
    if not hasattr(config, "workerinput"):
        # of glibc, for the processes to come: else threads keep what they freed, a tenth of a process's memory
        os.environ.setdefault("MALLOC_ARENA_MAX", "2")
        config.stash[SHARED] = TemporaryDirectory(prefix="zonemap-tests-", ignore_cleanup_errors=True)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node):
    node.workerinput["shared"] = node.config.stash[SHARED].name


def pytest_unconfigure(config):
    if SHARED in config.stash:
        config.stash[SHARED].cleanup()


@pytest.fixture(scope="session")
def shared(pytestconfig) -> Path:
    """Folder of this run, the same in every process of it."""
    inside = getattr(pytestconfig, "workerinput", None)
    return Path(inside["shared"] if inside else pytestconfig.stash[SHARED].name)


@pytest.fixture(scope="session")
def once(shared) -> Callable[..., object]:
    """Give a function that makes a value under a name, in whichever process asks first, and else reads it."""

    def made(name, make):
        with waited_for(shared / name):
            kept = shared / f"{name}.pickle"
            if kept.exists():
                return pickle.loads(kept.read_bytes())
            value = make()
            kept.write_bytes(pickled(value))
        return value

    return made


@contextmanager
def waited_for(path):
    """Hold the lock of a path, once nobody else does."""
    with ExitStack() as held:
        while True:
            try:
                held.enter_context(locked(path))
                break
            except OutputError:
                time.sleep(0.05)
        yield


@pytest.fixture(scope="session")
def surfaces_once(once):
    """Make the surfaces of equal measurements by an equal method once; gives what makes them anew.

    They take half the time of a plan, and most tests that plan a sample field change something else.
    """
    anew = run._surfaces

    def surfaces(case, pipeline, measured, grid):
        asked = (measured, grid, case.covariates, pipeline.methods["surface"])
        key = hashlib.sha256(pickled(asked, alike=True)).hexdigest()
        return once(f"surfaces-{key}", lambda: anew(case, pipeline, measured, grid))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(run, "_surfaces", surfaces)
        yield anew


@pytest.fixture
def surfaces_anew(surfaces_once, monkeypatch):
    """Nothing kept serves: a plan is made from its files alone."""
    monkeypatch.setattr(run, "_surfaces", surfaces_once)


@pytest.fixture(scope="session")
def coarse(tmp_path_factory):
    """The default pipeline on cells of 30 m, with one fitted covariance."""
    text = (TOP / "pipelines" / "season_supply.toml").read_text(encoding="utf-8")
    text = text.replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 30.0', 1)
    text = text.replace('use = "integrated_block_kriging"', 'use = "ordinary_block_kriging"', 1)
    text = text.replace('family = "auto"', 'family = "exponential"', 1)
    path = tmp_path_factory.mktemp("pipeline") / "coarse.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def plan_only(surfaces_once):
    """Give a function that plans a field folder and writes nothing."""
    del surfaces_once  # it holds from here on

    def plan(folder, pipeline=None):
        case = read_folder(folder)
        return run.run(case, read_pipeline(pipeline or default_pipeline(case)), silence)

    return plan


PICTURES = {
    "season": "draw_season",
    "programme_figure": "draw_programme",
    "delivery": "draw_delivery",
    "figures": "draw_map",
    "choices": "draw_choices",
    "variograms": "draw_variograms",
}


@pytest.fixture
def blank_pictures(monkeypatch):
    """Every picture of a plan is a grey one; they take most of the time of writing."""

    def draw(*arguments):
        Image.new("L", (640, 480), 128).save(arguments[-1])

    monkeypatch.setattr("zonemap.report.pen._BESIDE", False)
    for module, name in PICTURES.items():
        monkeypatch.setattr(f"zonemap.report.{module}.{name}", draw)


@pytest.fixture(scope="session")
def outcomes(once, shared, surfaces_once):
    """Name -> Outcome of a sample field with its default pipeline, published once a run."""
    del surfaces_once  # it holds from here on
    return Outcomes(once, shared)


class Outcomes:
    """Plans a sample field when it is first asked for; two are held in memory."""

    def __init__(self, once, folder):
        self.once, self.folder, self.held = once, folder, {}

    def __getitem__(self, name):
        found = self.held.pop(name, None) or self.once(name, lambda: self.planned(name))
        self.held = dict([*self.held.items(), (name, found)][-2:])
        return found

    def planned(self, name):
        return plan_field(SAMPLE_FIELDS / name, out=self.folder / f"plan_of_{name}")
