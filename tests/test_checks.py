"""Style, types and layers are tests too, so that one command tells the whole truth."""

import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
TOOLS = Path(sys.executable).parent


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=lambda command: " ".join(command),
)
def test_the_code_passes(command):
    tool, *arguments = command
    done = subprocess.run([TOOLS / tool, *arguments], cwd=TOP, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
