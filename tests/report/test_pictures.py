"""The pictures of a plan: drawn by another process, and with any name that a user may write."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from zonemap.report import pen
from zonemap.report.pictures import draw_pictures, pictures_of

#: begins what would be a broken formula
FORMULA = "Pay $5 {a \\frac$ x^_ <b>&"


@pytest.fixture
def beside(monkeypatch):
    """Draw beside this process, on any number of cores; no pen is left."""
    monkeypatch.setattr(pen, "_BESIDE", True)
    monkeypatch.setattr(pen._SHELF, "pen", None)
    yield
    if pen._SHELF.pen is not None:
        pen._end(pen._SHELF.pen)


def drawn_in(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.usefixtures("beside")
def test_another_process_draws_the_same_pictures_and_waits_for_the_next_plan(garden, tomatoes, tmp_path):
    for name in ("here", "there", "again"):
        (tmp_path / name).mkdir()
    draw_pictures(tomatoes, tmp_path / "here")

    with pen.drawn_beside(tomatoes, tmp_path / "there"):
        pass
    first = pen._SHELF.pen
    with pen.drawn_beside(garden, tmp_path / "again"):
        pass

    assert drawn_in(tmp_path / "there") == drawn_in(tmp_path / "here")
    assert set(drawn_in(tmp_path / "here")) == set(pictures_of(tomatoes))
    assert len(pictures_of(tomatoes)) == 6
    assert set(drawn_in(tmp_path / "again")) == set(pictures_of(garden)) == {"season.png", "programme.png"}
    assert pen._SHELF.pen is first is not None


@pytest.mark.usefixtures("beside")
def test_what_a_killed_process_did_not_draw_is_drawn_here(garden, tmp_path):
    pen.lay_out()
    started = pen._SHELF.pen

    with pen.drawn_beside(garden, tmp_path):
        started.kill()

    assert set(drawn_in(tmp_path)) == set(pictures_of(garden))
    assert pen._SHELF.pen is None


@pytest.mark.usefixtures("beside")
def test_one_that_has_waited_too_long_is_replaced(garden, tmp_path):
    pen.lay_out()
    gone = pen._SHELF.pen
    gone.terminate()
    gone.wait()

    with pen.drawn_beside(garden, tmp_path):
        pass

    assert set(drawn_in(tmp_path)) == set(pictures_of(garden))
    assert pen._SHELF.pen is not gone
    assert gone.stdin.closed
    assert gone.stdout.closed


@pytest.mark.usefixtures("beside")
def test_an_error_meanwhile_is_raised_and_ends_the_process(garden, tmp_path):
    pen.lay_out()
    started = pen._SHELF.pen

    with pytest.raises(KeyboardInterrupt), pen.drawn_beside(garden, tmp_path):
        raise KeyboardInterrupt

    assert started.returncode == -signal.SIGKILL
    assert pen._SHELF.pen is None


@pytest.mark.usefixtures("beside")
def test_what_cannot_be_drawn_there_fails_here_with_its_own_error(garden, tmp_path):
    with pytest.raises(FileNotFoundError), pen.drawn_beside(garden, tmp_path / "none"):
        pass


def test_the_process_ends_with_the_one_that_started_it(tmp_path):
    started = subprocess.run(
        [sys.executable, "-c", "import os; from zonemap.report import pen; pen._BESIDE = True; pen.lay_out(); "
         "print(pen._SHELF.pen.pid, flush=True); os._exit(0)"],
        capture_output=True, text=True, check=True, cwd=tmp_path,
    )  # fmt: skip
    process, end = Path("/proc") / started.stdout.strip(), time.monotonic() + 60
    while time.monotonic() < end and process.exists():
        time.sleep(0.1)

    assert not process.exists()


def test_names_with_signs_of_formulas_are_drawn_as_they_stand(tomatoes, tmp_path):
    named = replace(tomatoes.case, field=replace(tomatoes.case.field, name=FORMULA))
    applications = tuple(
        replace(each, product=replace(each.product, name=FORMULA)) for each in tomatoes.prescription.applications
    )
    plan = replace(tomatoes, case=named, prescription=replace(tomatoes.prescription, applications=applications))

    draw_pictures(plan, tmp_path)

    assert set(drawn_in(tmp_path)) == set(pictures_of(plan))
