"""Binary files of strangers are read apart, in a child process with limits on time and memory.

A damaged file can crash, hang or fill the library that reads it; the child takes the blow and the user gets one line.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from zonemap.child import command, import_line
from zonemap.errors import InputError, OutputError
from zonemap.io.sources import one_line

#: seconds after which a reader is stopped
_MOST_SECONDS = 60
_CALL = "from zonemap.io.apart_readers import answer; answer(json.load(sys.stdin))"
_MEND_ROOM = "Make room on that disk, or set TMPDIR to another."
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
    request = json.dumps({"reader": reader, "arguments": arguments})
    try:
        done = subprocess.run(
            command(_CALL),
            input=import_line() + request.encode(),
            capture_output=True,
            timeout=_MOST_SECONDS,
            check=False,
        )
        reply = json.loads(done.stdout)
    except subprocess.TimeoutExpired as error:
        raise InputError(where, f"cannot be read: no end after {_MOST_SECONDS} s", _MEND) from error
    except OSError as error:
        mend = "Close other programs and try again."
        raise InputError(where, f"cannot be read: no process for it ({error.strerror})", mend) from error
    except (ValueError, RecursionError) as error:
        raise InputError(where, "is damaged: its reader gave up", _MEND) from error
    if "what" in reply:
        raise InputError(where, one_line(reply["what"]), one_line(reply["mend"]) or _MEND)
    return reply["result"]


@contextmanager
def private_copy(files: Mapping[str, bytes]) -> Iterator[Path]:
    """Folder that only this user can read, with the files in it, gone afterwards.

    Raises
    ------
    OutputError
        When there is no room for it.
    """
    try:
        private = tempfile.TemporaryDirectory(prefix="zonemap-", ignore_cleanup_errors=True)
    except OSError as error:
        raise OutputError("temporary folder", f"cannot be made ({error.strerror})", _MEND_ROOM) from error
    with private as name:
        try:
            for file, content in files.items():
                (Path(name) / file).write_bytes(content)
        except OSError as error:
            raise OutputError(name, f"cannot be written ({error.strerror})", _MEND_ROOM) from error
        yield Path(name)
