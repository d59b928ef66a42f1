"""What a change is called in the log of the page."""

from __future__ import annotations

from zonemap.amounts import Reader
from zonemap.io.journal import Change, Published, Redo, Undo
from zonemap.report.by_hand import step_words


def words_of(change: Change | Published, read: Reader) -> str:
    """Say a change in one line, in the units of a reader."""
    match change:
        case Published():
            return f"Published to {change.folder}"
        case Undo():
            return "Undone"
        case Redo():
            return "Made again"
        case _:
            return step_words(change.step(), read)
