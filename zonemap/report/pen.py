"""The pictures of a plan, drawn by another process while this one goes on.

A pen is a child process that has the library for figures ready. It is handed a plan, draws what it is asked for, and
waits a minute for the next plan; it ends with the process that started it. Whatever goes wrong with it, the pictures
are drawn here, so that an error is told where it arose.
"""

from __future__ import annotations

import atexit
import io
import os
import pickle
import signal
import struct
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from zonemap.child import command, import_line, pickled
from zonemap.report.pictures import draw_pictures, pictures_of
from zonemap.values.plan import Plan

_Pen = subprocess.Popen[bytes]

_CALL = "from zonemap.report.pen import serve; serve()"
_LENGTH = struct.Struct("<Q")
#: seconds that a pen waits for another plan, and that it is waited for
_PATIENCE, _MOST_SECONDS = 60, 120
#: Drawing beside the rest takes a second core.
_BESIDE = (os.cpu_count() or 1) > 1


@dataclass(slots=True)
class _Shelf:
    """Where a pen waits for work."""

    pen: _Pen | None
    lock: threading.Lock


_SHELF = _Shelf(None, threading.Lock())


def _forget() -> None:
    """Leave the pen to the process that started it."""
    _SHELF.pen, _SHELF.lock = None, threading.Lock()


if sys.platform != "win32":
    os.register_at_fork(after_in_child=_forget)


def lay_out() -> None:
    """Start a pen, if none waits: it gets ready while the plan is made."""
    if not _BESIDE:
        return
    with _SHELF.lock:
        if _SHELF.pen is not None and _SHELF.pen.poll() is not None:
            _end(_SHELF.pen)  # it has waited for too long
            _SHELF.pen = None
        if _SHELF.pen is None:
            _SHELF.pen = _started()


@contextmanager
def drawn_beside(plan: Plan, folder: Path, *, beside: bool = True) -> Iterator[None]:
    """Draw the pictures of a plan into a folder while the body runs; at its end they are there.

    What is not drawn yet then is drawn by both processes. An error of the body is raised without waiting for any.

    Parameters
    ----------
    beside
        Whether there is a process to spare; else they are drawn here, after the body.
    """
    pen = _taken_up() if beside else None
    if pen is None:
        yield
        draw_pictures(plan, folder)
        return
    pictures, drawn = pictures_of(plan), False
    left = deque(pictures)
    try:
        with ThreadPoolExecutor(1, thread_name_prefix="pen") as thread:
            drawing = thread.submit(_draw_beside, pen, plan, folder, left)
            try:
                yield
                while (name := _taken(left.pop)) is not None:
                    pictures[name](plan, folder / name)
                drawn = _well(drawing)
            finally:
                if not drawn:
                    pen.kill()
    finally:
        _put_back(pen) if drawn else _end(pen)
    if not drawn:
        draw_pictures(plan, folder)


def _taken_up() -> _Pen | None:
    """Pen for one plan; none where nothing is drawn beside."""
    if not _BESIDE:
        return None
    lay_out()
    with _SHELF.lock:
        pen, _SHELF.pen = _SHELF.pen, None
    return pen


def _taken(take: Callable[[], str]) -> str | None:
    """What is taken from what is left; nothing when the other side was faster."""
    try:
        return take()
    except IndexError:
        return None


def _draw_beside(pen: _Pen, plan: Plan, folder: Path, left: deque[str]) -> bool:
    """Have a pen draw one picture after another while any is left; whether it drew all it was asked for."""
    _send(_pipe(pen.stdin), pickled(plan))
    while (name := _taken(left.popleft)) is not None:
        _send(_pipe(pen.stdin), name.encode())
        picture = _received(_pipe(pen.stdout))
        if not picture:
            return False
        # by this process: what is written ends with it
        (folder / name).write_bytes(picture)
    return True


def _well(beside: Future[bool]) -> bool:
    try:
        return beside.result(timeout=_MOST_SECONDS)
    except Exception:  # noqa: BLE001 -- a pen may fail in any way; what matters shows when the pictures are drawn here
        return False


def _put_back(pen: _Pen) -> None:
    """Keep a pen for the next plan, unless one waits already."""
    with _SHELF.lock:
        if _SHELF.pen is None:
            _SHELF.pen = pen
            return
    _end(pen)


def _end(pen: _Pen) -> None:
    pen.kill()
    pen.communicate()


@atexit.register
def _clear() -> None:
    """Leave nothing behind."""
    pen, _SHELF.pen = _SHELF.pen, None
    if pen is not None:
        _end(pen)


def _started() -> _Pen | None:
    try:
        # a session of its own: an interrupt at the keyboard is for this process, with which the pen ends
        pen = subprocess.Popen(
            command(_CALL),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        _pipe(pen.stdin).write(import_line())
        _pipe(pen.stdin).flush()
    except OSError:
        return None
    return pen


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    if pipe is None:
        raise EOFError
    return pipe


def serve() -> None:
    """Draw what is named of one plan after another: what the child does.

    It ends with its input, or when nobody asks for a minute.
    """
    reply_to = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not mix with the reply
    import matplotlib.backends.backend_agg
    import matplotlib.figure  # noqa: F401 -- so that it is ready

    plan: Plan | None = None
    with suppress(EOFError, BrokenPipeError):
        while True:
            _end_after(_PATIENCE)
            request = _received(sys.stdin.buffer)
            _end_after(0)
            if request.startswith(pickle.PROTO):
                plan = pickle.loads(request)
            elif plan is not None:
                _send(reply_to, _drawn(plan, request.decode()))


def _drawn(plan: Plan, name: str) -> bytes:
    """Content of a picture; nothing where it cannot be drawn."""
    picture = io.BytesIO()
    try:
        pictures_of(plan)[name](plan, picture)
    except Exception:  # noqa: BLE001 -- the other side draws again, and tells what is wrong
        return b""
    return picture.getvalue()


def _end_after(seconds: int) -> None:
    """End this process after so many seconds, where the system can; 0 is not at all."""
    if sys.platform != "win32":
        signal.alarm(seconds)


def _send(pipe: IO[bytes], content: bytes) -> None:
    pipe.write(_LENGTH.pack(len(content)))
    pipe.write(content)
    pipe.flush()


def _received(pipe: IO[bytes]) -> bytes:
    """Next message.

    Raises
    ------
    EOFError
        When the other side has ended.
    """
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (length,) = _LENGTH.unpack(head)
    content = pipe.read(length)
    if len(content) < length:
        raise EOFError
    return content
