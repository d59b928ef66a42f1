"""A whole result or none: runs that are killed, and disks that fill.

`pytest --hypothesis-profile=thorough` kills 200 times and tries 100 sizes.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import settings

SCRIPT = Path(__file__).with_name("faults.py")
FIELD = Path(__file__).resolve().parents[2] / "sample_fields" / "home_garden"
THOROUGH = settings.default.max_examples >= 1000
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="forks, mounts and limits as Linux does")


def outcomes_of(way, target, times, *, inside=()):
    """What became of each run; in the end a run in peace has published, and nothing is left over."""
    target.parent.mkdir()
    command = [*inside, sys.executable, str(SCRIPT), way, str(FIELD), str(target), str(times)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    told = json.loads(run.stdout)
    assert told["last"]
    assert told["names"] == ["out", "out.previous"]
    return told["outcomes"]


@linux_only
def test_a_run_killed_at_random_moments_leaves_the_old_result_or_the_new_one(tmp_path):
    times = 200 if THOROUGH else 12

    outcomes = outcomes_of("killed", tmp_path / "there" / "out", times)

    assert outcomes["killed, old"] + outcomes.get("killed, new", 0) == times
    assert set(outcomes) <= {"killed, old", "killed, new", "survived, new"}


def small_disks():
    """Whether a disk can be mounted that nobody else sees."""
    command = ["unshare", "-rm", "mount", "-t", "tmpfs", "tmpfs", "/mnt"]
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


@linux_only
@pytest.mark.skipif(not small_disks(), reason="no small disk can be mounted here (unshare, tmpfs)")
def test_a_disk_that_fills_leaves_the_old_result_or_the_new_one(tmp_path):
    times = 100 if THOROUGH else 10

    outcomes = outcomes_of("full", tmp_path / "there" / "out", times, inside=("unshare", "-rm"))

    assert set(outcomes) == {"refused, old", "published, new"}
    assert sum(outcomes.values()) == times
    assert outcomes["refused, old"] >= times // 2


@linux_only
def test_files_that_cannot_grow_leave_the_old_result_or_the_new_one(tmp_path):
    times = 100 if THOROUGH else 10

    outcomes = outcomes_of("cut", tmp_path / "there" / "out", times)

    assert set(outcomes) == {"refused, old", "published, new"}
    assert sum(outcomes.values()) == times
    assert outcomes["refused, old"] >= times // 2
