"""The journal of a review: what was changed by hand, a line of JSON each, beside the field.

A line is on the disk before its change counts. A line cut short by a crash is dropped; anything else that cannot be
read is an error, because changes after it would mean something else.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from shapely import LineString, MultiPolygon, Polygon, get_parts, make_valid

from zonemap.errors import InputError, OutputError
from zonemap.values.field import NoSpread
from zonemap.values.hand import MergeZones, MoveCells, SplitZone
from zonemap.values.review import AssuranceByHand, RateByHand, Step, ZoneCount

JOURNAL = "review.journal"
_VERSION = 1

_Metre = Annotated[float, Field(ge=-1e8, le=1e8)]
_Place = Annotated[list[_Metre], Field(min_length=2, max_length=2)]
_Ring = Annotated[list[_Place], Field(min_length=3, max_length=2000)]
_Zone = Annotated[int, Field(ge=1, le=9999)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class _Change(_Table):
    why: Annotated[str, Field(max_length=500)] = ""


class AssuranceChange(_Change):
    """Another assurance."""

    kind: Literal["assurance"]
    assurance: Annotated[float, Field(ge=0.01, le=0.99)]

    def step(self) -> Step:
        """Return it as a value."""
        return AssuranceByHand(self.assurance, self.why)


class ZonesChange(_Change):
    """Another number of zones; null for the plan's own."""

    kind: Literal["zones"]
    count: Annotated[int, Field(ge=1, le=99)] | None

    def step(self) -> Step:
        """Return it as a value."""
        return ZoneCount(self.count, self.why)


class RateChange(_Change):
    """A rate by hand, kg/ha; null gives it back to the plan."""

    kind: Literal["rate"]
    zone: _Zone
    product: Annotated[str, Field(max_length=200)]
    on: date | None
    rate_kg_ha: Annotated[float, Field(ge=0, le=1e6)] | None

    def step(self) -> Step:
        """Return it as a value."""
        return RateByHand(self.zone, self.product, self.on, self.rate_kg_ha, self.why)


class MergeChange(_Change):
    """Zones made one."""

    kind: Literal["merge"]
    zones: Annotated[list[_Zone], Field(min_length=2, max_length=99)]

    def step(self) -> Step:
        """Return it as a value."""
        return MergeZones(tuple(self.zones), self.why)


class SplitChange(_Change):
    """A zone cut along a line, metres in the working CRS."""

    kind: Literal["split"]
    zone: _Zone
    line: Annotated[list[_Place], Field(min_length=2, max_length=500)]

    def step(self) -> Step:
        """Return it as a value."""
        places = [place for place, before in zip(self.line, [None, *self.line], strict=False) if place != before]
        if len(places) < 2:
            raise InputError("split, line", "is a single point", "Draw it through the zone.")
        return SplitZone(self.zone, LineString(places), self.why)


class MoveChange(_Change):
    """An area given to a zone."""

    kind: Literal["move"]
    to: _Zone
    polygon: _Ring

    def step(self) -> Step:
        """Return it as a value."""
        return MoveCells(_area(self.polygon), self.to, self.why)


class CloseChange(_Change):
    """An area where nothing is spread; the reason is told to the operator."""

    kind: Literal["close"]
    polygon: _Ring
    why: Annotated[str, Field(min_length=1, max_length=500)]

    def step(self) -> Step:
        """Return it as a value."""
        return NoSpread(self.why, _area(self.polygon))


class Undo(_Table):
    """The last change that stands is taken back."""

    kind: Literal["undo"]


class Redo(_Table):
    """The last change that was taken back is made again."""

    kind: Literal["redo"]


class Published(_Table):
    """The result was written, with the hash of its manifest."""

    kind: Literal["published"]
    folder: str
    manifest_sha256: str


Edit: TypeAlias = AssuranceChange | ZonesChange | RateChange | MergeChange | SplitChange | MoveChange | CloseChange
Change: TypeAlias = Edit | Undo | Redo
_ANY: TypeAdapter[Change | Published] = TypeAdapter(Annotated[Change | Published, Field(discriminator="kind")])


class Posted(_Table):
    """A change asked for by the page, with the revision the page knows."""

    revision: Annotated[int, Field(ge=0)]
    change: Annotated[Change, Field(discriminator="kind")]


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: its number, the time it was written, and what was done."""

    number: int
    at: str
    change: Change | Published


@dataclass(frozen=True, slots=True)
class Standing:
    """Entries that count, in order, and those that could be made again, the next one last."""

    made: tuple[Entry, ...]
    undone: tuple[Entry, ...]

    @property
    def steps(self) -> tuple[Step, ...]:
        """What was decided."""
        return tuple(entry.change.step() for entry in self.made if isinstance(entry.change, _Change))


def standing(entries: Sequence[Entry]) -> Standing:
    """Play entries back: undo takes the last one that stands, redo gives it back, any other change ends redoing."""
    made: list[Entry] = []
    undone: list[Entry] = []
    for entry in entries:
        match entry.change:
            case Published():
                continue
            case Undo():
                if made:
                    undone.append(made.pop())
            case Redo():
                if undone:
                    made.append(undone.pop())
            case _:
                made.append(entry)
                undone = []
    return Standing(tuple(made), tuple(undone))


class Journal:
    """The open journal of one field.

    Parameters
    ----------
    path
        Made when it is not there, readable by its owner only.
    inputs
        Hash of what the review starts from: a journal of other inputs is refused.
    crs
        Working CRS that its coordinates are in.

    Raises
    ------
    InputError
        When it was made for other inputs, or holds a line that cannot be read.
    OutputError
        When it cannot be made or mended.
    """

    def __init__(self, path: Path, *, inputs: str, crs: str) -> None:
        self.path = path
        self.entries: tuple[Entry, ...] = ()
        head = _head(inputs, crs)
        try:
            whole, lines = _whole_lines(path)
            if lines:
                _refuse_other(path, lines[0], head)
                self.entries = tuple(_entry(path, number, line) for number, line in enumerate(lines[1:], start=1))
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
            os.ftruncate(self._file, whole)
            os.lseek(self._file, 0, os.SEEK_END)
            if not lines:
                self._write(head)
        except OSError as error:
            raise _refused(path, error) from error

    @property
    def lines(self) -> int:
        """How many entries there are."""
        return len(self.entries)

    @property
    def standing(self) -> Standing:
        """What counts now."""
        return standing(self.entries)

    def append(self, change: Change | Published, *, at: str) -> Entry:
        """Write one line and have it on the disk.

        Raises
        ------
        OutputError
            When the disk refuses; the journal is then as it was.
        """
        entry = Entry(self.lines + 1, at, change)
        try:
            self._write({"number": entry.number, "at": at, "change": change.model_dump(mode="json")})
        except OSError as error:
            raise _refused(self.path, error) from error
        self.entries = (*self.entries, entry)
        return entry

    def close(self) -> None:
        """Let the file go."""
        os.close(self._file)

    def _write(self, content: dict[str, object]) -> None:
        line = json.dumps(content, ensure_ascii=True, allow_nan=False) + "\n"
        before = os.fstat(self._file).st_size
        try:
            left = line.encode()
            while left:
                left = left[os.write(self._file, left) :]
            os.fsync(self._file)
        except OSError:
            with suppress(OSError):
                os.ftruncate(self._file, before)
                os.lseek(self._file, 0, os.SEEK_END)
            raise


def read_journal(path: Path, *, inputs: str, crs: str) -> tuple[Entry, ...]:
    """Read a journal without opening it for changes; none where there is no journal.

    Raises
    ------
    InputError
        When a line cannot be read, or changes stand that were made for other inputs; what does not stand is let be.
    """
    try:
        _, lines = _whole_lines(path)
    except OSError as error:
        raise InputError(path.name, f"cannot be read ({error.strerror})", "Mend its permissions.") from error
    entries = tuple(_entry(path, number, line) for number, line in enumerate(lines[1:], start=1))
    try:
        if lines:
            _refuse_other(path, lines[0], _head(inputs, crs))
    except InputError:
        if standing(entries).made:
            raise
        return ()
    return entries


def _head(inputs: str, crs: str) -> dict[str, object]:
    return {"journal": "zonemap review", "version": _VERSION, "inputs": inputs, "crs": crs}


def set_aside(path: Path) -> Path | None:
    """Give a journal another name, so that a new one can begin; its new name, ``None`` where there is none."""
    if not path.exists():
        return None
    number = next(n for n in range(1, 10_000) if not path.with_name(f"{path.name}.{n}").exists())
    return path.rename(path.with_name(f"{path.name}.{number}"))


def _whole_lines(path: Path) -> tuple[int, list[bytes]]:
    """Bytes up to the last line that was written whole, and the lines."""
    if not path.exists():
        return 0, []
    if path.is_symlink() or not path.is_file():
        raise InputError(str(path), "this is no plain file", "Move it away.")
    content = path.read_bytes()
    whole = content.rfind(b"\n") + 1
    return whole, content[:whole].splitlines()


def _refuse_other(path: Path, line: bytes, head: dict[str, object]) -> None:
    try:
        found = json.loads(line)
    except ValueError:
        found = None
    mend = "Run with --fresh: the journal is kept under another name, and a new one begins."
    if not isinstance(found, dict) or found.get("journal") != head["journal"] or found.get("version") != _VERSION:
        raise InputError(path.name, "its first line is not that of a review", mend)
    if any(found.get(key) != head[key] for key in ("inputs", "crs")):
        raise InputError(path.name, "the field's files have changed since this review began", mend)


def _entry(path: Path, number: int, line: bytes) -> Entry:
    try:
        content = json.loads(line)
        entry = Entry(int(content["number"]), str(content["at"]), _ANY.validate_json(json.dumps(content["change"])))
    except (ValueError, KeyError, TypeError, ValidationError, RecursionError) as error:
        mend = "Run with --fresh: the journal is kept under another name, and a new one begins."
        raise InputError(f"{path.name}, line {number + 1}", "cannot be read", mend) from error
    if entry.number != number:
        raise InputError(f"{path.name}, line {number + 1}", "a line before it is missing", "Restore it, or --fresh.")
    return entry


def _area(ring: Sequence[Sequence[float]]) -> MultiPolygon:
    made = make_valid(Polygon(ring), method="structure", keep_collapsed=False)
    return MultiPolygon([part for part in get_parts(made) if isinstance(part, Polygon) and part.area > 0])


def _refused(path: Path, error: OSError) -> OutputError:
    what = f"the journal cannot be written ({error.strerror})"
    return OutputError(str(path), what, "Free some space or mend the permissions, then change it again.")
