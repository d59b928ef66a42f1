"""Ctrl-C within a stage: one line, exit code 130 (128 + SIGINT, as POSIX shells give it), and the old result stays."""

import shutil
import subprocess
import sys
from pathlib import Path

FIELD = Path(__file__).resolve().parents[2] / "sample_fields" / "irrigated_corn"
STOPPED_IN_A_STAGE = """
import os, signal, sys
from zonemap.machine import heading
from zonemap.cli import main
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job begins with it ignored
score, tried = heading._score, []
def stopped(*arguments):
    tried.append(arguments)
    if len(tried) == 2:
        os.kill(os.getpid(), signal.SIGINT)
    return score(*arguments)
heading._score = stopped
sys.argv = ["zonemap", "plan", sys.argv[1], "--pipeline", sys.argv[2]]
main()
"""


def test_ctrl_c_within_a_stage_leaves_the_old_result(tmp_path, outcomes, coarse):
    field = shutil.copytree(FIELD, tmp_path / "field")
    shutil.copytree(outcomes["irrigated_corn"].folder, field / "plan")
    manifest = (field / "plan" / "manifest.json").read_bytes()
    before = sorted(path.relative_to(field) for path in field.rglob("*"))
    command = [sys.executable, "-c", STOPPED_IN_A_STAGE, str(field), str(coarse)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stderr == "zonemap: stopped; the last published result is as it was.\n"
    assert (done.returncode, done.stdout) == (130, "")
    assert sorted(path.relative_to(field) for path in field.rglob("*")) == before
    assert (field / "plan" / "manifest.json").read_bytes() == manifest
