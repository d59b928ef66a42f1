"""Sections, tables and pictures: texts already in the reader's units, free of any markup."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of texts under a caption.

    Attributes
    ----------
    caption
        What the table shows, with the units that its head does not state.
    head
        (columns) names of the columns.
    rows
        (rows, columns) texts; the first of a row names it.
    words
        Positions of columns that hold words rather than numbers; the first always does.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        if any(len(row) != len(self.head) for row in self.rows):
            msg = f"every row of '{self.caption}' must have {len(self.head)} cells"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture that was already drawn.

    Attributes
    ----------
    name
        Key under which its file is handed in.
    caption
        What it is.
    seen
        What can be seen on it, for those who cannot see it.
    """

    name: str
    caption: str
    seen: str


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it, in this order.

    Attributes
    ----------
    paragraphs, points
        Sentences; points are a list.
    """

    title: str
    paragraphs: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()

    @property
    def empty(self) -> bool:
        """Whether there is nothing to say."""
        return not (self.paragraphs or self.points or self.tables or self.pictures)
