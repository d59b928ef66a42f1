"""Plain text beside the files of a prescription."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from zonemap.errors import OutputError


def write_lines(path: Path, lines: Iterable[str]) -> None:
    """Write lines of UTF-8, each ended the same way on every system.

    Raises
    ------
    OutputError
        When the file cannot be written.
    """
    try:
        path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(path.name, f"the file cannot be written ({error.strerror})", mend) from error
