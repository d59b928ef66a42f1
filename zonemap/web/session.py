"""One review: a desk, its journal, and at most one result being written."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from zonemap.errors import InputError, ZonemapError
from zonemap.io.journal import Change, Entry, Journal, Published, RateChange, Redo, Undo, standing
from zonemap.io.manifest import MANIFEST
from zonemap.job import publish
from zonemap.pipeline.review import Desk
from zonemap.reviewed import decided, planned, record_of, revision_of
from zonemap.values.review import AssuranceByHand, Decisions, RateByHand, decisions_of

#: what the page is told of a result that is being written
IDLE, RUNNING, DONE, FAILED, CANCELLED = "idle", "running", "done", "failed", "cancelled"


class StaleError(Exception):
    """The page asked for a change to something it had not seen."""


class _CancelledError(ZonemapError):
    """The user stopped it."""


@dataclass(frozen=True, slots=True)
class Publishing:
    """How far the writing of a result is."""

    state: str = IDLE
    stage: str = ""
    stages: int = 0
    message: str = ""
    revision: int = 0


class Session:
    """What the page talks to; every change is tried first, then written to the journal, then counts.

    Parameters
    ----------
    target
        Folder of the result.
    formats
        Formats of the prescription, as for the command line; ``None`` for those of field.toml.
    now
        Time of a journal line, as text.
    """

    def __init__(
        self, desk: Desk, journal: Journal, target: Path, *, formats: str | None, now: Callable[[], str]
    ) -> None:
        self.desk, self.journal, self.target = desk, journal, target
        self._formats, self._now = formats, now
        self._one_at_a_time = threading.Lock()
        self._cancel = threading.Event()
        self._publishing = Publishing()
        self._writer: threading.Thread | None = None
        self._warmer: threading.Thread | None = None
        self._now_at = (revision_of(journal.entries), decided(desk, journal.entries))

    @property
    def at(self) -> tuple[int, Decisions]:
        """Revision, and what is decided in it: read together, so that they belong together."""
        return self._now_at

    @property
    def publishing(self) -> Publishing:
        """How far the writing of a result is."""
        return self._publishing

    def change(self, change: Change, *, revision: int) -> None:
        """Make a change, or none.

        Raises
        ------
        StaleError
            When the page that asks shows another revision.
        InputError
            When the change cannot be made.
        OutputError
            When the journal cannot be written.
        """
        with self._one_at_a_time:
            now, decisions = self._now_at
            if revision != now:
                raise StaleError
            self._refuse_idle(change)
            change = self._limited(change, decisions)
            after = self._tried((*self.journal.entries, Entry(self.journal.lines + 1, "", change)))
            self.journal.append(change, at=self._now())
            self._now_at = (revision_of(self.journal.entries), after)

    def warm(self) -> None:
        """Answer for every number of zones in the background, once, so that choosing one shows at once."""

        def work() -> None:
            for count in self.desk.counts:
                if not self._cancel.is_set():
                    self.desk.loss_as_spread(Decisions(count=count))

        with self._one_at_a_time:
            if self._warmer is None and not self._cancel.is_set():
                self._warmer = threading.Thread(target=work, name="warm", daemon=True)
                self._warmer.start()

    def preview(self, assurance: float) -> Decisions:
        """Decisions as they stand, with another assurance, which is not kept."""
        return replace(self.at[1], assurance=AssuranceByHand(assurance).assurance)

    def publish(self, *, revision: int) -> None:
        """Begin to write the result of a revision.

        Raises
        ------
        StaleError
            When the page that asks shows another revision.
        InputError
            While a result is being written.
        """
        with self._one_at_a_time:
            now, decisions = self._now_at
            if revision != now:
                raise StaleError
            if self._publishing.state == RUNNING:
                raise InputError("publish", "a result is being written", "Wait for it, or cancel it.")
            self._cancel.clear()
            self._publishing = Publishing(RUNNING, "putting the plan together", 1, "", now)
            entries = self.journal.entries
            self._writer = threading.Thread(target=self._write, args=(decisions, entries), name="publish", daemon=True)
            self._writer.start()

    def cancel(self) -> None:
        """Stop at the next heading tried or stage of writing; the result that was there stays."""
        self._cancel.set()

    def wait(self) -> None:
        """Wait until nothing is being written or made ready: a process that ends meanwhile would be aborted."""
        for thread in (self._writer, self._warmer):
            if thread is not None:
                thread.join()

    def _refuse_idle(self, change: Change) -> None:
        now = self.journal.standing
        if isinstance(change, Undo) and not now.made:
            raise InputError("undo", "there is nothing to undo", "Change something first.")
        if isinstance(change, Redo) and not now.undone:
            raise InputError("redo", "there is nothing to redo", "Undo something first.")

    def _limited(self, change: Change, decisions: Decisions) -> Change:
        """Return a rate as the spreader can do it: the journal holds what is spread."""
        if not isinstance(change, RateChange) or change.rate_kg_ha is None:
            return change
        step = RateByHand(change.zone, change.product, change.on, change.rate_kg_ha)
        return change.model_copy(update={"rate_kg_ha": self.desk.limited(step, decisions)})

    def _tried(self, entries: tuple[Entry, ...]) -> Decisions:
        """Decisions after some entries, every one of them found to work."""
        decisions = decisions_of(standing(entries).steps)
        self.desk.decided(decisions)
        return decisions

    def _write(self, decisions: Decisions, entries: tuple[Entry, ...]) -> None:
        def going() -> None:
            if self._cancel.is_set():
                raise _CancelledError("publish", "cancelled", "The last published result is as it was.")

        def progress(stage: str) -> None:
            going()
            now = self._publishing
            self._publishing = replace(now, stage=stage, stages=now.stages + 1)

        try:
            plan = planned(self.desk, decisions, entries, going=going)
            outcome = publish(
                plan,
                self.desk.prepared.pipeline,
                self.target,
                formats=self._formats,
                progress=progress,
                changes=record_of(entries),
            )
            digest = hashlib.sha256((outcome.folder / MANIFEST).read_bytes()).hexdigest()
            with self._one_at_a_time:
                self.journal.append(
                    Published(kind="published", folder=str(self.target.name), manifest_sha256=digest), at=self._now()
                )
                self._end(DONE, f"Written to {self.target.name} and read back.")
        except _CancelledError:
            self._end(CANCELLED, "Cancelled; the last published result is as it was.")
        except (ZonemapError, OSError) as error:
            self._end(FAILED, str(error))

    def _end(self, state: str, message: str) -> None:
        self._publishing = replace(self._publishing, state=state, message=message)
