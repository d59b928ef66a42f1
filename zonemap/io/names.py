"""Names that every file system and every controller can hold."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Collection

from zonemap.errors import OutputError

#: characters of a slug, its hash included
SLUG_LENGTH = 40
_HASH_LENGTH = 8
#: names that Windows keeps for devices, whatever the extension (Microsoft, Windows App Development, "Naming Files,
#: Paths, and Namespaces", section Naming Conventions; from memory)
_DEVICES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789")]
)
#: Unicode categories of controls, surrogates and separators of lines; and classes of embeddings, overrides and isolates
_UNFAITHFUL = frozenset({"Cc", "Cs", "Zl", "Zp"})
_TURNING = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})


def slug(text: str, *, taken: Collection[str] = ()) -> str:
    """Turn a name into one that is safe as a file name everywhere.

    A name of 1 to 40 characters of ``A-Z a-z 0-9 _ -`` stays as it is, a space becomes ``_``. Where anything else had
    to be changed or cut, or the result is in use, a hash of the whole name follows, so that two names never meet in
    one file.

    Parameters
    ----------
    text
        As the user wrote it; compared after Unicode normalisation form C.
    taken
        Names in use; upper and lower case count as the same, as on Windows and macOS.

    Raises
    ------
    OutputError
        When the name is blank or holds a control character.

    Examples
    --------
    >>> slug("North-40")
    'North-40'
    >>> slug("North Forty")
    'North_Forty'
    >>> slug("Señor/../Río")
    'Senor_Rio-745e6a09'
    """
    name = plain_text(text)
    used = {other.casefold() for other in taken}
    ascii_letters = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    base = re.sub(r"[^A-Za-z0-9_-]+", "_", ascii_letters)
    # A leading hyphen would be read as an option by command-line programs.
    base = re.sub(r"^-+", "_", base)[:SLUG_LENGTH]
    if base == name.replace(" ", "_") and base.casefold() not in used | _DEVICES:
        return base
    return _with_hash(base.strip("_-") or "name", name, used)


def cut_text(text: str, *, octets: int, taken: Collection[str] = ()) -> str:
    """Shorten a text to a number of UTF-8 octets; a hash ends it where it would meet another one.

    Raises
    ------
    OutputError
        When the text is blank or holds a control character.

    Examples
    --------
    >>> cut_text("sulphate of potash", octets=8)
    'sulphate'
    >>> cut_text("sulphate of potash", octets=18, taken=("Sulphate of potash",))
    'sulphate-b0fb915b'
    """
    name = plain_text(text)
    used = {other.casefold() for other in taken}
    short = _first_octets(name, octets)
    if short.casefold() not in used:
        return short
    return _with_hash(_first_octets(name, octets - _HASH_LENGTH - 1), name, used, length=octets)


def plain_text(text: str) -> str:
    """Return the text in Unicode normalisation form C, without blanks around it.

    Raises
    ------
    OutputError
        When it is blank, or holds a control character, a line separator or a lone surrogate, which no file can carry
        faithfully, or one that turns the direction of the text behind it.
    """
    name = unicodedata.normalize("NFC", text).strip(" ")
    if not name:
        raise OutputError("field.toml", "a name is blank", "Give every field and product a name.")
    for character in name:
        if unicodedata.category(character) in _UNFAITHFUL or unicodedata.bidirectional(character) in _TURNING:
            what = f"the name {name!r} holds the control character U+{ord(character):04X}"
            raise OutputError("field.toml", what, "Remove that character from the name.")
    return name


def _first_octets(name: str, octets: int) -> str:
    """Cut between characters, never inside one."""
    return name.encode("utf-8")[:octets].decode("utf-8", "ignore").rstrip(" ")


def _with_hash(base: str, name: str, used: Collection[str], *, length: int = SLUG_LENGTH) -> str:
    """Append the hash of the whole name; further hashes where even that is in use."""
    text = name
    while True:
        digest = hashlib.sha256(text.encode("utf-8")).hexdigest()[:_HASH_LENGTH]
        candidate = f"{_first_octets(base, length - _HASH_LENGTH - 1)}-{digest}"
        if candidate.casefold() not in used:
            return candidate
        text += "+"
