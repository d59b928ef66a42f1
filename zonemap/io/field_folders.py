"""Many field folders, named one by one or by a pattern."""

from __future__ import annotations

from collections.abc import Iterable
from glob import glob, has_magic
from pathlib import Path

from zonemap.errors import InputError
from zonemap.io.field_file import NAME
from zonemap.io.sources import shown


def field_folders(named: Iterable[str]) -> tuple[Path, ...]:
    """Field folders in the order named, those of a pattern or of a folder that holds several by name; none twice.

    Parameters
    ----------
    named
        Field folders, folders that hold field folders, or patterns with ``*``, ``?``, ``[...]`` and ``**``. What a
        pattern matches beside field folders is passed over.

    Raises
    ------
    InputError
        When one of them leads to no field folder.
    """
    found: dict[Path, Path] = {}
    for text in named:
        for folder in _folders_of(text):
            found.setdefault(folder.resolve(), folder)
    return tuple(found.values())


def _folders_of(text: str) -> list[Path]:
    path = Path(text)
    if path.exists() or not has_magic(text):
        folders = [path] if _is_field(path) else _within(path, where=shown(text))
    else:
        matches = glob(text, recursive=True)  # noqa: PTH207 -- a pattern may begin anywhere
        folders = [each for each in sorted(map(Path, matches)) if _is_field(each)]
    if not folders:
        raise InputError(shown(text), f"leads to no folder with a {NAME}", "Name field folders, or quote a pattern.")
    return folders


def _is_field(path: Path) -> bool:
    return (path / NAME).is_file()


def _within(path: Path, *, where: str) -> list[Path]:
    if not path.is_dir():
        raise InputError(where, "is no folder", "Name field folders, a folder that holds them, or a pattern.")
    return sorted(each for each in path.iterdir() if _is_field(each))
