"""Publish a result folder whole: a reader sees the old one or the new one, never a mixture.

Everything is written into a private folder beside the target and swapped in when it is complete. A run that dies, by
whatever cause, leaves the target as it was; the next run sweeps what is left over.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import secrets
import shutil
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from zonemap.errors import OutputError
from zonemap.io.lock import locked
from zonemap.io.manifest import files_of, is_ours

#: linux/fs.h
_RENAME_EXCHANGE = 2
_AT_FDCWD = -100
_SYNCED_AT_ONCE = 8
#: answers of a kernel or file system that cannot exchange two names
_NO_EXCHANGE = {errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EPERM}
#: failures of the disk or its permissions, which the user can mend
_DISK_FAILURES = {
    errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO, errno.EACCES, errno.EPERM, errno.EBUSY, errno.EXDEV
}  # fmt: skip


def check_target(target: Path, *, needed_bytes: int = 0) -> None:
    """Refuse a target that could not be published, before anything is computed.

    Parameters
    ----------
    needed_bytes
        Rough size of the result; the file system must have as much free.

    Raises
    ------
    OutputError
        When the parent is missing, read-only or a symbolic link; when the target (or the folder that keeps the
        previous result) is a symbolic link, a file, or a folder that is neither empty nor a result of ours; when there
        is too little space.
    """
    path = target.absolute()
    where = str(target)
    if path.name in {"", ".."}:
        raise OutputError(where, "this is no name for a new folder", "Name a folder to be made, e.g. out.")
    with _disk_failures_named(target, needed_bytes):
        _check_parent(path.parent, where)
        for folder in (path, _previous(path)):
            _check_folder(folder)
        free = shutil.disk_usage(path.parent).free
    if free < needed_bytes:
        what = f"about {needed_bytes:,} bytes are needed and {free:,} are free"
        raise OutputError(where, what, "Free some space, or write to another disk.")


@contextmanager
def private_folder(target: Path, *, needed_bytes: int = 0) -> Iterator[Path]:
    """Lock the target, sweep leftovers of dead runs, and lend a private folder beside it to build in.

    The folder is gone afterwards: swapped in by `swap_in`, or removed when an exception ends the block.

    Raises
    ------
    OutputError
        As `check_target`; when another run holds the target; when the disk fails inside the block.
    """
    path = target.absolute()
    check_target(target, needed_bytes=needed_bytes)
    with _disk_failures_named(target, needed_bytes), locked(path):
        _sweep(path)
        build = path.parent / _private_name(path, "building")
        build.mkdir(mode=0o700)
        try:
            yield build
        finally:
            shutil.rmtree(build, ignore_errors=True)


def swap_in(build: Path, target: Path) -> None:
    """Put a complete folder in the target's place; the result that stood there becomes ``<name>.previous``.

    Parameters
    ----------
    build
        From `private_folder`, its manifest written (`write_manifest`).

    Raises
    ------
    OutputError
        When the manifest is missing, or the target has become something that must not be replaced.
    OSError
        When the disk refuses; the target is then as it was, unless the exchange itself had already been made.
    """
    path = target.absolute()
    if not is_ours(build):
        raise OutputError(str(target), "the result holds no manifest", "Write the manifest last, then publish.")
    _check_folder(path)  # again: the computing in between may have taken long
    build.chmod(0o755)
    _sync_tree(build)
    if path.exists() and any(path.iterdir()):
        _replace(build, path)
    else:
        if path.exists():
            path.rmdir()
        build.rename(path)
    _sync(path.parent)


# --- what may be written to


def _check_parent(parent: Path, where: str) -> None:
    if parent.is_symlink():
        what = f"the folder '{parent.name}' is a symbolic link, which is not followed for output"
        raise OutputError(where, what, f"Name the place it points to: {parent.resolve()}.")
    if not parent.is_dir():
        what = f"there is no folder {parent}"
        raise OutputError(where, what, "Make that folder first, or put the disk back in.")
    if not os.access(parent, os.W_OK | os.X_OK):
        raise OutputError(
            where, f"the folder {parent} cannot be written to", "Change its permissions, or name another."
        )


def _check_folder(folder: Path) -> None:
    """Refuse what must not be replaced or removed."""
    where = str(folder)
    if folder.is_symlink():
        raise OutputError(where, "this is a symbolic link, which is not followed for output", "Name a real folder.")
    if not folder.exists():
        return
    if not folder.is_dir():
        raise OutputError(where, "this is a file", "Name a folder, or move the file away.")
    if any(folder.iterdir()) and not is_ours(folder):
        what = "the folder holds files that are no result of zonemap"
        raise OutputError(where, what, "Name a new or empty folder, or move the files away.")


# --- names beside the target


def _previous(path: Path) -> Path:
    return path.with_name(f"{path.name}.previous")


def _private_name(path: Path, purpose: str) -> str:
    return f".{path.name}.{purpose}-{os.getpid()}-{secrets.token_hex(4)}"


def _leftovers(path: Path, purpose: str) -> list[Path]:
    """Private folders of dead runs: only under the lock is it sure that their owners are dead."""
    ours = re.compile(re.escape(f".{path.name}.{purpose}-") + r"\d+-[0-9a-f]{8}")
    return [each for each in path.parent.iterdir() if ours.fullmatch(each.name) and not each.is_symlink()]


def _sweep(path: Path) -> None:
    """Give back the names that a dead run had taken, and remove what it had built."""
    builds = _leftovers(path, "building")
    if builds and not os.path.lexists(path) and is_ours(_previous(path)):
        _previous(path).rename(path)  # died between the two renames of `_swap_names`
    for aside in _leftovers(path, "previous"):
        if not os.path.lexists(_previous(path)):
            aside.rename(_previous(path))
        shutil.rmtree(aside, ignore_errors=True)
    for build in builds:
        shutil.rmtree(build, ignore_errors=True)


# --- the swap


def _exchange(build: Path, path: Path) -> bool:
    """Exchange two folders in one step (renameat2, Linux); false where that cannot be done."""
    if sys.platform != "linux":
        return False
    renameat2 = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if renameat2 is None:
        return False
    failed = renameat2(_AT_FDCWD, os.fsencode(build), _AT_FDCWD, os.fsencode(path), ctypes.c_uint(_RENAME_EXCHANGE))
    if not failed:
        return True
    code = ctypes.get_errno()
    if code in _NO_EXCHANGE:
        return False
    raise OSError(code, os.strerror(code), str(path))


def _replace(build: Path, path: Path) -> None:
    """Swap and keep the old result; on a failure put every name back."""
    older = _set_previous_aside(path)
    try:
        _swap_names(build, path)
    except OSError:
        if older is not None:
            older.rename(_previous(path))
        raise
    if older is not None:
        shutil.rmtree(older, ignore_errors=True)


def _swap_names(build: Path, path: Path) -> None:
    """In one step where the system can; else in two, and `_sweep` mends a death between them."""
    if _exchange(build, path):
        try:
            build.rename(_previous(path))
        except OSError:
            _exchange(build, path)
            raise
        return
    path.rename(_previous(path))
    try:
        build.rename(path)
    except OSError:
        _previous(path).rename(path)
        raise


def _set_previous_aside(path: Path) -> Path | None:
    """Give the last previous result a private name, which `_sweep` gives back if this run dies."""
    if not os.path.lexists(_previous(path)):
        return None
    aside = path.parent / _private_name(path, "previous")
    _previous(path).rename(aside)
    return aside


# --- the disk


def _sync_tree(folder: Path) -> None:
    """Make the disk hold every file before its name is shown: for several it waits hardly longer than for one."""
    paths = [*files_of(folder), *(each for each in folder.rglob("*") if each.is_dir()), folder]
    with ThreadPoolExecutor(_SYNCED_AT_ONCE) as pool:
        for done in [pool.submit(_sync, path) for path in paths]:
            done.result()


def _sync(path: Path) -> None:
    if path.is_dir() and os.name == "nt":
        return  # folders cannot be opened there
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def _disk_failures_named(target: Path, needed_bytes: int) -> Iterator[None]:
    """Turn failures of the disk into a sentence with the bytes needed and free."""
    parent = target.absolute().parent
    try:
        yield
    except OSError as error:
        if parent.is_dir() and error.errno not in _DISK_FAILURES:
            raise
        free = shutil.disk_usage(parent).free if parent.is_dir() else 0
        needed = f"about {needed_bytes:,} bytes are needed, " if needed_bytes else ""
        what = f"the disk refuses ({error.strerror}; {needed}{free:,} bytes are free)"
        raise OutputError(str(target), what, "Free some space or mend the permissions, then run again.") from error
