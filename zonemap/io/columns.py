"""Which column of a table holds what: as field.toml says, or guessed from the headers and said so."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from zonemap.errors import InputError
from zonemap.io.measured_units import header_unit, same_unit
from zonemap.io.sources import one_line, shown
from zonemap.io.tables import Table
from zonemap.units import ELEMENTS, LABEL_FORMS
from zonemap.values.note import Note

GEOGRAPHIC, PROJECTED = ("longitude", "latitude"), ("easting", "northing")
ROLES = ("id", *GEOGRAPHIC, *PROJECTED)
#: how a row was measured, where the file says so
CONDITIONS = ("burial_days", "depth", "date")
_ROLE_WORDS = {
    "id": ("id", "sample", "sample_id", "sampleid", "sample_no", "name", "label"),
    "longitude": ("lon", "long", "lng", "longitude"),
    "latitude": ("lat", "latitude"),
    "easting": ("easting", "x", "east"),
    "northing": ("northing", "y", "north"),
}
_QUANTITY_WORDS = {
    **{element.lower(): element for element in ELEMENTS},
    "ph": "pH", "nitrate": "N", "nitrogen": "N", "no3": "N", "phosphorus": "P", "potassium": "K", "sulfur": "S",
    "sulphur": "S", "calcium": "Ca", "magnesium": "Mg", "zinc": "Zn", "boron": "B", "manganese": "Mn", "copper": "Cu",
    "iron": "Fe",
}  # fmt: skip
_QUANTITY_NAME = re.compile(r"[A-Za-z][A-Za-z0-9 _.-]{0,30}")


@dataclass(frozen=True, slots=True)
class Layout:
    """Headers by what their columns hold.

    Attributes
    ----------
    id
        Header of the identifiers, ``None`` for numbering.
    place
        Headers of the two coordinates, easting or longitude first; ``None`` without coordinates.
    geographic
        Whether `place` is longitude and latitude.
    quantities
        quantity -> header.
    conditions
        How rows were measured (one of `CONDITIONS`) -> header, where field.toml names one.
    """

    id: str | None
    place: tuple[str, str] | None
    geographic: bool
    quantities: Mapping[str, str]
    notes: tuple[Note, ...] = ()
    conditions: Mapping[str, str] = field(default_factory=dict)


def check_names(columns: Mapping[str, str], *, resin: bool, where: str) -> None:
    """Refuse keys of ``columns`` that are misspelt roles, oxides of a resin rate, or elements in the wrong case.

    Raises
    ------
    InputError
        Naming the key, and the one that is meant.
    """
    for key in columns:
        at = f"{where}, {key}"
        if key in ROLES or key in CONDITIONS or key in ELEMENTS or key == "pH":
            continue
        if resin and key in LABEL_FORMS:
            mend = f"Name the element, {LABEL_FORMS[key][0]}, and give its rate."
            raise InputError(at, f"a resin rate is of the element, not of {key}", mend)
        known = {name.lower(): name for name in (*ROLES, *CONDITIONS, *ELEMENTS, "pH")}
        near = known.get(key.lower()) or next(
            iter(difflib.get_close_matches(key.lower(), (*ROLES, *CONDITIONS), n=1, cutoff=0.75)), None
        )
        if near:
            raise InputError(at, f"{shown(key)} is not a known name", f"Write {near}.")
        if resin or not _QUANTITY_NAME.fullmatch(key):
            mend = f"Use one of {', '.join((*ELEMENTS, *ROLES))}."
            raise InputError(at, f"{shown(key)} is not something resin measures" if resin else "is an odd name", mend)


def lay_out(table: Table, columns: Mapping[str, str] | None, *, located: bool, resin: bool) -> Layout:
    """Find the columns of a samples table.

    Parameters
    ----------
    columns
        What field.toml says; where it leaves out coordinates or identifiers they are guessed, and where it is
        ``None`` so are the quantities.
    located
        Whether positions come from elsewhere (a vector file), so that no coordinate columns are looked for.

    Raises
    ------
    InputError
        When a column is not there, or a guess would be ambiguous.
    """
    stated = {key: one_line(header) for key, header in (columns or {}).items()}
    if located and set(stated) & {*GEOGRAPHIC, *PROJECTED}:
        what = f"{table.name} holds the positions itself"
        raise InputError("field.toml, samples, columns", what, "Remove the coordinates from columns.")
    for key, named in stated.items():
        require_column(table, named, where=f"field.toml, samples, columns, {key}")
    guesses: dict[str, str] = {}
    for role in ROLES:
        wanted = role == "id" or (not located and not set(stated) & {*GEOGRAPHIC, *PROJECTED})
        header = guess_role(table, role) if wanted and role not in stated else None
        if header is not None:
            guesses[role] = header
    if columns is None or not set(stated) - {*ROLES, *CONDITIONS}:
        guesses |= _guess_quantities(table, taken={*stated.values(), *guesses.values()}, resin=resin)
    found = stated | guesses
    _refuse_shared(found)
    place, geographic = (
        (None, True) if located else coordinate_headers(found, stated, where="field.toml, samples, columns")
    )
    quantities = {key: header for key, header in found.items() if key not in (*ROLES, *CONDITIONS)}
    if not quantities:
        mend = 'Say which column holds what: columns = { K = "..." } under [samples].'
        raise InputError(table.name, f"no column is known to hold a measured value ({_list(table)})", mend)
    notes = tuple(_guess_notes(table, guesses))
    conditions = {role: found[role] for role in CONDITIONS if role in found}
    return Layout(found.get("id"), place, geographic, quantities, notes, conditions)


def check_units(table: Table, quantities: Mapping[str, str], units: Mapping[str, str]) -> None:
    """Refuse headers whose unit is not the one field.toml states.

    Raises
    ------
    InputError
        Naming the column and both units.
    """
    for quantity, header in quantities.items():
        carried = header_unit(header)
        if carried is not None and not same_unit(carried, units[quantity]):
            what = f"the header says {carried}, field.toml says {units[quantity]}"
            mend = f'Set unit under [samples] to what is true, or per quantity: unit = {{ {quantity} = "{carried}" }}.'
            raise InputError(f"{table.name}, column {shown(header)}", what, mend)


def require_column(table: Table, header: str, *, where: str) -> None:
    """Refuse a header that the table does not have, naming the one that is meant."""
    if header in table.headers:
        return
    near = difflib.get_close_matches(header, table.headers, n=1, cutoff=0.5)
    mend = f"Did you mean {shown(near[0])}?" if near else f"Name one of its columns: {_list(table)}."
    raise InputError(where, f"{table.name} has no column {shown(header)}", mend)


def _list(table: Table) -> str:
    return ", ".join(table.headers[:20])


def guess_role(table: Table, role: str) -> str | None:
    """Header that names a role (one of `ROLES`), the more telling word first; ``None`` where none does."""
    words = {re.sub(r"\W+", "_", header.lower()).strip("_"): header for header in reversed(table.headers)}
    return next((words[word] for word in _ROLE_WORDS[role] if word in words), None)


def _guess_quantities(table: Table, *, taken: set[str], resin: bool) -> dict[str, str]:
    found: dict[str, list[str]] = {}
    for header in table.headers:
        word = re.split(r"[^a-z0-9]+", header.lower().strip())[0]
        quantity = _QUANTITY_WORDS.get(word)
        if quantity is not None and header not in taken and not (resin and quantity == "pH"):
            found.setdefault(quantity, []).append(header)
    for quantity, headers in found.items():
        if len(headers) > 1:
            what = f"{' and '.join(map(shown, headers))} may both be {quantity}"
            mend = f'Say which: columns = {{ {quantity} = "{headers[0]}" }} under [samples].'
            raise InputError(table.name, what, mend)
    return {quantity: headers[0] for quantity, headers in found.items()}


def _guess_notes(table: Table, guesses: Mapping[str, str]) -> Iterator[Note]:
    if guesses:
        taken = ", ".join(f"{key} from {shown(header)}" for key, header in guesses.items())
        yield Note("repair", f"{table.name}: columns were guessed from their headers: {taken}.")
    header = guesses.get("N", "")
    if re.match(r"(no3|nitrate)(?!.*[^a-z0-9]n\b)", header.lower()):
        text = "read as nitrogen in nitrate; if it is nitrate itself, divide by 4.43."
        yield Note("warning", f"{table.name}, column {shown(header)}: {text}")


def _refuse_shared(found: Mapping[str, str]) -> None:
    seen: dict[str, str] = {}
    for key, header in found.items():
        if header in seen:
            what = f"{key} and {seen[header]} are both to come from {shown(header)}"
            raise InputError("field.toml, samples, columns", what, "Give each its own column.")
        seen[header] = key


def coordinate_headers(
    found: Mapping[str, str], stated: Mapping[str, str], *, where: str
) -> tuple[tuple[str, str] | None, bool]:
    """Headers of a complete pair of coordinates, longitude and latitude first, and whether they are those.

    Parameters
    ----------
    found, stated
        role -> header: all that are known, and those of them that field.toml names in its key `where`.

    Raises
    ------
    InputError
        When one of a pair is missing, or two pairs are stated.
    """
    for pair in (GEOGRAPHIC, PROJECTED):
        there = [role for role in pair if role in found]
        if len(there) == 1:
            other = next(role for role in pair if role not in there)
            mend = f'Add {other} = "..." to columns.'
            raise InputError(where, f"there is {there[0]} but no {other}", mend)
        if there and set(found) >= {*GEOGRAPHIC, *PROJECTED} and set(stated) >= {*GEOGRAPHIC, *PROJECTED}:
            what = "longitude, latitude, easting and northing are all given"
            raise InputError(where, what, "Keep one pair.")
        if there:
            return (found[pair[0]], found[pair[1]]), pair == GEOGRAPHIC
    return None, True
