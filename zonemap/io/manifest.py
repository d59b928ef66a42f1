"""The manifest of a result: what made it, and the SHA-256 of every file in it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from zonemap.errors import OutputError

MANIFEST = "manifest.json"
#: key by which a manifest is known as ours; its value is the version
OUR_KEY = "zonemap"


def write_manifest(folder: Path, content: Mapping[str, object]) -> None:
    """Write manifest.json, adding size and SHA-256 of every other file; keys sorted, so that equal runs are equal.

    Parameters
    ----------
    content
        What JSON can hold, without NaN; the key ``files`` is ours.

    Raises
    ------
    ValueError
        When `content` has the key ``files`` or a number that JSON cannot hold.
    """
    from zonemap import __version__

    if "files" in content:
        msg = "the manifest's key 'files' is written here"
        raise ValueError(msg)
    files = {
        file.relative_to(folder).as_posix(): {"bytes": file.stat().st_size, "sha256": sha256_of(file)}
        for file in files_of(folder)
        if file != folder / MANIFEST
    }
    manifest = {OUR_KEY: __version__, **content, "files": files}
    text = json.dumps(manifest, sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_text(text + "\n", encoding="utf-8", newline="\n")


def check_manifest(folder: Path) -> None:
    """Compare every file with the manifest.

    Raises
    ------
    OutputError
        When the manifest cannot be read, or a file is missing, added or changed.
    """
    mend = "Run zonemap again to write it anew."
    manifest = _read_manifest(folder)
    if manifest is None:
        raise OutputError(str(folder / MANIFEST), "this is no manifest of zonemap", mend)
    stated = manifest["files"]
    found = {file.relative_to(folder).as_posix(): file for file in files_of(folder) if file != folder / MANIFEST}
    for name in sorted(stated.keys() | found.keys()):
        if name not in found or name not in stated or sha256_of(found[name]) != stated[name]["sha256"]:
            raise OutputError(str(folder / name), "the file differs from the manifest", mend)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def is_ours(folder: Path) -> bool:
    """Whether a folder is a result that this package published."""
    return _read_manifest(folder) is not None


def files_of(folder: Path) -> list[Path]:
    """Regular files at any depth, sorted; symbolic links are none of ours."""
    return sorted(path for path in folder.rglob("*") if path.is_file() and not path.is_symlink())


def _read_manifest(folder: Path) -> dict[str, dict[str, dict[str, str]]] | None:
    try:
        content = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) and OUR_KEY in content else None
