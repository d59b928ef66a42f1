"""One run at a time for one target: a lock file beside it that dies with its holder."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from zonemap.errors import OutputError


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the lock file ``.<name>.lock`` beside a path; it states process and host.

    The lock is the operating system's, so that a killed holder frees it; its file may stay and is taken over.

    Raises
    ------
    OutputError
        When another run holds it, on this machine or by its own word on another, or when it cannot be made.
    """
    lock = path.with_name(f".{path.name}.lock")
    try:
        descriptor = _open_lock(lock)
    except OSError as error:
        mend = "Change the permissions of its folder, or write to another."
        raise OutputError(str(lock), f"the lock cannot be made ({error.strerror})", mend) from error
    try:
        _state_holder(descriptor)
        yield
    finally:
        with suppress(OSError):
            lock.unlink()  # while it is still held, so that nobody else's is removed
        os.close(descriptor)


def _open_lock(lock: Path) -> int:
    """Open and lock, until the name is seen to lead to what was locked."""
    while True:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        try:
            _take(lock, descriptor)
            if _leads_to(lock, descriptor):
                return descriptor
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)


def _take(lock: Path, descriptor: int) -> None:
    """Lock an open lock file, or refuse in its holder's name."""
    holder = os.read(descriptor, 300).decode("utf-8", "replace").split()
    of_another_machine = len(holder) == 2 and holder[1] != socket.gethostname()
    # A lock taken on another machine may not be seen here (shared drives): its word is believed.
    if of_another_machine or not _try_lock(descriptor):
        pid, host = holder if len(holder) == 2 else ("unknown", "unknown")
        what = f"another run writes there (process {pid} on {host})"
        raise OutputError(str(lock), what, f"Wait for it to end; if none is running, delete {lock.name}.")


def _leads_to(lock: Path, descriptor: int) -> bool:
    """Whether the file was not removed by its last holder in between."""
    try:
        return os.path.samestat(os.fstat(descriptor), lock.stat())
    except FileNotFoundError:
        return False


def _state_holder(descriptor: int) -> None:
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.ftruncate(descriptor, 0)
    os.write(descriptor, f"{os.getpid()} {socket.gethostname()}\n".encode())


def _try_lock(descriptor: int) -> bool:
    """Whether this process now holds the lock."""
    if sys.platform == "win32":
        import msvcrt

        os.lseek(descriptor, 4096, os.SEEK_SET)  # beyond the text, which others must be able to read
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    import fcntl

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
