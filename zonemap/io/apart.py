"""Binary files of strangers are read apart, in a child process with limits on time and memory.

A damaged file can crash, hang or fill the library that reads it; the child takes the blow and the user gets one line.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import zonemap
from zonemap.errors import InputError

#: seconds after which a reader is stopped
_MOST_SECONDS = 60
_START = (
    "import sys, json; request = json.load(sys.stdin); sys.path[:] = request['import_from'];"
    " from zonemap.io.apart_readers import answer; answer(request)"
)
_MEND = "Open it in the program that made it and save it again."


def read_apart(reader: str, *, where: str, **arguments: Any) -> Any:
    """Result of one of `apart_readers.READERS`.

    Parameters
    ----------
    reader
        Name of the reader.
    where
        File as the user knows it.
    **arguments
        What the reader takes, JSON-able.

    Raises
    ------
    InputError
        With the reader's own words, or when the reader crashed, took too long or wanted too much memory.
    """
    request = json.dumps({"reader": reader, "arguments": arguments, "import_from": _import_from()})
    try:
        # -P keeps the current folder, which may be a stranger's, from being imported from.
        done = subprocess.run(
            [sys.executable, "-P", "-c", _START],
            input=request.encode(),
            capture_output=True,
            timeout=_MOST_SECONDS,
            check=False,
        )
        reply = json.loads(done.stdout)
    except subprocess.TimeoutExpired as error:
        raise InputError(where, f"cannot be read: no end after {_MOST_SECONDS} s", _MEND) from error
    except (ValueError, RecursionError) as error:
        raise InputError(where, "is damaged: its reader gave up", _MEND) from error
    if "what" in reply:
        raise InputError(where, reply["what"], reply["mend"] or _MEND)
    return reply["result"]


def _import_from() -> list[str]:
    """Where the child imports from: as here, without the current folder, with the package itself."""
    here = str(Path(zonemap.__file__).resolve().parent.parent)
    return [*(entry for entry in sys.path if entry), here]
