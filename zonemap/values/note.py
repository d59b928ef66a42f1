"""Notes ride in results, so that a plan made at night keeps its warnings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: repair: input was mended, and how; warning: look at this; caution: safety, law, agronomy;
#: refusal: the user must see it (exit code 1).
NoteKind = Literal["repair", "warning", "caution", "refusal"]


@dataclass(frozen=True, slots=True)
class Note:
    """One sentence for the user, naming the place and the mend where there is one.

    Attributes
    ----------
    text
        With amounts in the field's units, or as a file states them.
    other
        The same with amounts in the other system of units; empty where it holds none.
    """

    kind: NoteKind
    text: str
    other: str = ""
