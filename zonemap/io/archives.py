"""Zip archives: looked through before anything is unpacked, and only the parts asked for are ever read."""

from __future__ import annotations

import io
import lzma
import stat
import struct
import zipfile
import zlib
from pathlib import PurePosixPath

from zonemap.errors import InputError
from zonemap.io.sources import shown

MOST_MEMBERS = 500
MOST_UNPACKED = 256 * 2**20
#: a drawing or a sheet packs to a fiftieth at best; zeros pack to a thousandth
MOST_RATIO = 250
_RATIO_MATTERS_ABOVE = 2**20
_NESTED = {".zip", ".kmz", ".gz", ".bz2", ".xz", ".7z", ".rar", ".tar", ".tgz", ".jar"}
_BROKEN = (
    zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError, struct.error, zlib.error,
    lzma.LZMAError, UnicodeError,
)  # fmt: skip
#: what to do about an archive that is not as it should be
PLAIN_ZIP = "Pack the shapefile's parts (.shp .shx .dbf .prj) into a plain new zip."


def open_archive(content: bytes, *, where: str, mend: str = PLAIN_ZIP) -> zipfile.ZipFile:
    """Archive of which every entry has been checked by its header.

    Raises
    ------
    InputError
        When it is damaged, locked, too large, or holds links, archives or names that lead out of it.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
        members = archive.infolist()
    except _BROKEN as error:
        raise InputError(where, "is not a zip archive, or a damaged one", mend) from error
    if len(members) > MOST_MEMBERS:
        raise InputError(where, f"holds {len(members):,} entries, more than {MOST_MEMBERS}", mend)
    for member in members:
        _check_member(member, where=where, mend=mend)
    _check_size(sum(m.file_size for m in members), packed=len(content), where=where)
    return archive


def read_member(archive: zipfile.ZipFile, name: str, *, where: str) -> bytes:
    """Bytes of one entry, counted while they are unpacked.

    Raises
    ------
    InputError
        When it is damaged, or larger than its header says or than is allowed.
    """
    try:
        with archive.open(name) as stream:
            content = stream.read(MOST_UNPACKED + 1)
    except _BROKEN as error:
        raise InputError(where, f"{shown(name)} in it is damaged", PLAIN_ZIP) from error
    _check_size(len(content), packed=archive.getinfo(name).compress_size, where=where)
    return content


def _check_size(unpacked: int, *, packed: int, where: str) -> None:
    ratio = unpacked / max(packed, 1)
    if unpacked > MOST_UNPACKED or (unpacked > _RATIO_MATTERS_ABOVE and ratio > MOST_RATIO):
        what = f"unpacks to {unpacked / 2**20:,.0f} MB ({ratio:,.0f} times its size), more than is allowed"
        raise InputError(where, what, "Cut the file down to one field.")


def _check_member(member: zipfile.ZipInfo, *, where: str, mend: str) -> None:
    """Refuse an entry that is locked, a link, an archive, or named so that it would land elsewhere."""
    name = member.orig_filename
    path = PurePosixPath(name.replace("\\", "/"))
    if member.flag_bits & 0x1:
        raise InputError(where, f"{shown(name)} in it is locked with a password", "Pack it without a password.")
    if stat.S_ISLNK(member.external_attr >> 16):
        raise InputError(where, f"{shown(name)} in it is a link", mend)
    if path.is_absolute() or ".." in path.parts or ":" in name or any(ord(letter) < 32 for letter in name):
        raise InputError(where, f"{shown(name)} in it is named to land outside the archive", mend)
    if path.suffix.lower() in _NESTED:
        raise InputError(where, f"{shown(name)} in it is an archive again", mend)
