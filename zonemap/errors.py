"""What can go wrong, said as **where: what. mend.** and nothing else."""

from __future__ import annotations

#: mend of a file that does not hold, read back, what was written
NOT_PUBLISHED = "Nothing was published: check free space and the disk, then run again."


class ZonemapError(Exception):
    """Something the user can mend.

    Parameters
    ----------
    where
        File with row or key, e.g. ``"samples.csv, line 14"``.
    what
        What is wrong, without a full stop.
    mend
        What to do about it, one sentence.

    Examples
    --------
    >>> print(ZonemapError("samples.csv, line 14", "'<0..5' is not a number", "Write <0.5 or drop the row."))
    samples.csv, line 14: '<0..5' is not a number. Write <0.5 or drop the row.
    """

    exit_code = 2

    def __init__(self, where: str, what: str, mend: str) -> None:
        super().__init__(f"{where}: {what}. {mend}")
        self.where, self.what, self.mend = where, what, mend


class InputError(ZonemapError):
    """The input cannot be used as it is (exit code 2)."""


class OutputError(ZonemapError):
    """The result cannot be written (exit code 3)."""

    exit_code = 3
