"""Python processes beside this one: the same code, found where this one found it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

_START = "import sys, json; sys.path[:] = json.loads(sys.stdin.buffer.readline()); "


def command(call: str) -> list[str]:
    """Command of a process that makes a call, once its standard input has begun with `import_line`.

    Parameters
    ----------
    call
        Python statements in one line, e.g. ``"from zonemap.io.apart_readers import answer; answer()"``.
    """
    # -P keeps the current folder, which may be a stranger's, from being imported from.
    return [sys.executable, "-P", "-c", _START + call]


def import_line() -> bytes:
    """First line of the standard input: where to import from, as here, without the current folder."""
    here = str(Path(__file__).resolve().parent.parent)
    return json.dumps([*(entry for entry in sys.path if entry), here]).encode() + b"\n"
