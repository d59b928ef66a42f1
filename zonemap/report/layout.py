"""Lines of text on a terminal: folded paragraphs and columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

#: letters a line
WIDTH = 100


def folded(text: str, *, indent: int = 0) -> str:
    """Fold a text to the width of a page, what follows indented under its first line."""
    return textwrap.fill(
        text, WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2), break_on_hyphens=False
    )


def columns(rows: Sequence[Sequence[str]], *, left: Sequence[int] = ()) -> list[str]:
    """Lines of columns, each as wide as its widest cell, set to the right but for those named `left`."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if column in left else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
