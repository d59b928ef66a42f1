"""Open a review: read and plan the field, play the journal back, answer on a loopback address until stopped."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette

from zonemap.errors import OutputError
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.io.folder import read_folder
from zonemap.io.formats import chosen_formats
from zonemap.io.journal import JOURNAL, Journal, set_aside
from zonemap.io.lock import locked
from zonemap.io.publish import check_target
from zonemap.job import Progress, default_pipeline
from zonemap.pipeline.parse import read_pipeline
from zonemap.pipeline.review import Desk
from zonemap.reviewed import inputs_hash
from zonemap.web import shown
from zonemap.web.app import application
from zonemap.web.session import Session

if TYPE_CHECKING:
    import uvicorn

_LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Page:
    """An open review.

    Attributes
    ----------
    address
        What to open in a browser; the part behind the hash is the key of this run and is never sent as an address.
    """

    session: Session
    app: Starlette
    socket: socket.socket
    address: str


@contextmanager
def opened(
    folder: Path,
    *,
    pipeline: str | None,
    out: Path | None,
    formats: str | None,
    port: int,
    fresh: bool,
    progress: Progress,
) -> Iterator[Page]:
    """Open the review of a field folder; one at a time.

    Parameters
    ----------
    port
        0 for any that is free.
    fresh
        Begin a new journal, and keep the old one under another name.

    Raises
    ------
    InputError
        As `zonemap.job.plan_field`, or for a journal of other inputs.
    OutputError
        When another review of the folder is open, or the port is taken.
    """
    chosen_formats(formats)
    target = folder / "plan" if out is None else out
    progress("reading the folder")
    case = read_folder(folder)
    chosen = read_pipeline(pipeline or default_pipeline(case))
    check_target(target)
    listening = _listening(port)
    journal_path = folder / JOURNAL
    try:
        # for all threads that answer, from first to last: the limit is the whole process's
        with one_linear_algebra_thread(), locked(journal_path):
            if fresh:
                set_aside(journal_path)
            journal = Journal(journal_path, inputs=inputs_hash(case, chosen.sha256), crs=case.field.crs)
            try:
                desk = Desk(case, chosen, progress)
                shown.field_json(desk)  # what is long in it is kept: the first page need not wait for it
                session = Session(desk, journal, target, formats=formats, now=_now)
                key, bound = secrets.token_urlsafe(24), int(listening.getsockname()[1])
                hosts = [f"{_LOOPBACK}:{bound}", f"localhost:{bound}"]
                app = application(session, hosts=hosts, key=key)
                yield Page(session, app, listening, f"http://{hosts[0]}/#{key}")
                session.cancel()
                session.wait()
            finally:
                journal.close()
    finally:
        listening.close()


def serve(page: Page, *, ready: Callable[[], None]) -> None:
    """Answer until the process is told to stop."""
    server_of(page, ready=ready).run(sockets=[page.socket])


def server_of(page: Page, *, ready: Callable[[], None]) -> uvicorn.Server:
    """Return the server of a page, not yet running."""
    import uvicorn

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            ready()

    config = uvicorn.Config(
        page.app,
        log_level="error",
        access_log=False,
        server_header=False,
        ws="none",
        lifespan="off",
        timeout_graceful_shutdown=2,
    )
    return Server(config)


def _listening(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((_LOOPBACK, port))
    except OSError as error:
        listening.close()
        mend = "Name another with --port, or leave it out for one that is free."
        raise OutputError(f"port {port}", f"cannot be opened ({error.strerror})", mend) from error
    return listening


def _now() -> str:
    return datetime.now(tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
