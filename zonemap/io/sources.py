"""The folder somebody handed in: only plain files inside it are opened, and every one read is hashed."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterable
from pathlib import Path

from zonemap.errors import InputError

#: no file of one field is larger; what is larger is another kind of file
MOST_BYTES = 64 * 2**20
_READ_ONLY = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
_VIRTUAL = re.compile(r"vsi[a-z0-9_]+", re.IGNORECASE)
_ADDRESS = re.compile(r"^[A-Za-z][A-Za-z0-9+.-]*:")
# Names that are devices on some systems whatever their suffix: Microsoft, "Naming Files, Paths, and Namespaces".
_DEVICE = re.compile(r"^(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(\.|$)", re.IGNORECASE)
_MEND_INSIDE = "Put the file into the field folder and give its plain name."


class FieldFolder:
    """A field folder, and the hashes of what was read from it.

    Parameters
    ----------
    root
        The folder.

    Raises
    ------
    InputError
        When it is not a folder that can be listed.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._hashes: dict[str, str] = {}
        try:
            self._resolved = root.resolve(strict=True)
            self._names = sorted(entry.name for entry in root.iterdir())
        except (OSError, ValueError, RuntimeError) as error:
            raise InputError(
                shown(str(root)), f"is not a folder that can be read ({_reason(error)})", "Name a field folder."
            ) from error

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all entries, sorted."""
        return tuple(self._names)

    def find(self, name: str, *, where: str) -> Path:
        """Path of a file or folder that a key names, checked to lie inside.

        Raises
        ------
        InputError
            For an absolute path, a way up, an address, a device, a link that leads outside, or nothing there.
        """
        _refuse_odd_name(name, where=where)
        path = self.root / name
        try:
            resolved = path.resolve(strict=True)
        except FileNotFoundError as error:
            near = one_line(", ".join(self._names[:12])) or "nothing"
            raise InputError(
                where, f"there is no {shown(name)} in the folder", f"Name a file that is there: {near}."
            ) from error
        except (OSError, ValueError, RuntimeError) as error:
            raise InputError(where, f"{shown(name)} cannot be opened ({_reason(error)})", _MEND_INSIDE) from error
        if not resolved.is_relative_to(self._resolved):
            raise InputError(where, f"{shown(name)} is a link that leads out of the field folder", _MEND_INSIDE)
        return path

    def only(self, stem: str, suffixes: Iterable[str], *, where: str, key: str) -> str:
        """Name of the one entry called `stem` with one of the `suffixes`.

        Raises
        ------
        InputError
            When there is none, or more than one.
        """
        suffixes = tuple(suffixes)
        found = [n for n in self._names if Path(n).stem.lower() == stem and Path(n).suffix.lower() in suffixes]
        if len(found) == 1:
            return found[0]
        what = one_line(f"{' and '.join(found)} are both there") if found else f"there is no {stem} file in the folder"
        raise InputError(where, what, f'Name the file: {key} = "{found[0] if found else stem + suffixes[0]}".')

    def read(self, path: Path, *, most: int = MOST_BYTES) -> bytes:
        """Bytes of a file inside the folder, at most `most`.

        Raises
        ------
        InputError
            When it is not a plain file inside the folder, is too large or cannot be read.
        """
        label = self.label(path)
        self.find(label, where=label)
        content = _read_plain(path.resolve(), label=label, most=most)
        self._hashes[label] = hashlib.sha256(content).hexdigest()
        return content

    def label(self, path: Path) -> str:
        """Name of a file as the user sees it: relative to the folder, with forward slashes."""
        return path.relative_to(self.root).as_posix()

    def sha256(self) -> tuple[tuple[str, str], ...]:
        """(name, hash) of every file read so far, sorted by name."""
        return tuple(sorted(self._hashes.items()))


def folder_name(folder: Path) -> str:
    """Name of a folder, on one line, however its path is written."""
    return one_line(folder.resolve().name) or "field"


def shown(text: object, *, most: int = 60) -> str:
    """A stranger's text for a message: quoted, on one line, not too long.

    >>> shown("a" * 200, most=10)
    "'aaaaaaaaaa...'"
    """
    plain = str(text)
    return repr(plain if len(plain) <= most else plain[:most] + "...")


def one_line(text: str) -> str:
    r"""A stranger's text without line breaks and control characters, white space collapsed.

    >>> one_line(" K\n(ppm)\x1b[31m ")
    'K (ppm) [31m'
    """
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def _refuse_odd_name(name: str, *, where: str) -> None:
    """Refuse whatever is not a plain relative path."""
    parts = name.replace("\\", "/").split("/")
    if not name.strip() or any(ord(letter) < 32 for letter in name):
        raise InputError(where, f"{shown(name)} is not a file name", _MEND_INSIDE)
    if (
        _ADDRESS.match(name)
        or (len(parts) > 1 and _VIRTUAL.fullmatch(parts[0]))
        or (parts[:1] == [""] and len(parts) > 1)
    ):
        raise InputError(where, f"{shown(name)} is an address or a path outside the field folder", _MEND_INSIDE)
    if ".." in parts:
        raise InputError(where, f"{shown(name)} leads out of the field folder", _MEND_INSIDE)
    if any(_DEVICE.match(part.strip()) for part in parts):
        raise InputError(where, f"{shown(name)} is the name of a device on some systems", "Rename the file.")


def _read_plain(path: Path, *, label: str, most: int) -> bytes:
    """Read a regular file without ever waiting for a pipe or a device."""
    try:
        descriptor = os.open(path, _READ_ONLY)
        with os.fdopen(descriptor, "rb") as stream:
            status = os.fstat(stream.fileno())
            if not stat.S_ISREG(status.st_mode):
                raise InputError(label, "is not a plain file", _MEND_INSIDE)
            content = stream.read(most + 1) if status.st_size <= most else b""
    except OSError as error:
        raise InputError(
            label, f"cannot be read ({_reason(error)})", "Put a file that you may read in its place."
        ) from error
    if status.st_size > most or len(content) > most:
        size = max(status.st_size, len(content)) / 2**20
        raise InputError(
            label, f"is {size:,.0f} MB, more than the {most / 2**20:,.0f} MB allowed", "Cut the file down to one field."
        )
    return content


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()
