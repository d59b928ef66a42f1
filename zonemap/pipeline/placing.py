"""Places put into cells that may be sampled, brought into walking order and named."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.coverage import beside
from zonemap.geostat.walk import path_length_m, short_path
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.note import Note
from zonemap.values.sampling import PlaceKind, Places, Purpose, Sampling, SamplingField, Worth
from zonemap.zoning.sampleable import Sampleable

#: a pair stands this share of the spacing apart; our choice
_PAIR_OF_SPACING = 0.2


def all_of(kind: PlaceKind, count: int) -> tuple[PlaceKind, ...]:
    """(count) of one kind."""
    return (kind,) * count


@dataclass(frozen=True, slots=True)
class Draft:
    """Places in any order.

    Attributes
    ----------
    xy
        (n, 2) in the working CRS.
    kind, rank, saves
        (n) as in `Places`; none where nothing was weighed.
    beside
        (n) what a pair stands beside: a sample's name, or the number of one of these places; empty for the others.
    """

    xy: FloatArray
    kind: tuple[PlaceKind, ...]
    beside: tuple[str | int, ...] = ()
    rank: tuple[int, ...] = ()
    saves: tuple[float, ...] = ()


def there(about: SamplingField) -> FloatArray:
    """(n, 2) places of the samples that are there."""
    return np.column_stack([about.easting_m, about.northing_m])


def refuse_too_many(count: int, room: int, where: Sampleable) -> None:
    """Refuse more samples than cells.

    Raises
    ------
    InputError
        Naming the most there can be.
    """
    if count > room:
        what = f"{count:,} samples are more than the {room:,} cells of {where.grid.cell_m:g} m that may be sampled"
        raise InputError("--count", what, f"Ask for {room:,} or fewer." if room else "Correct the boundary.")


def walked(
    about: SamplingField,
    purpose: Purpose,
    draft: Draft,
    *,
    spacing_m: float,
    notes: tuple[Note, ...],
    pair_m: float = 0.0,
    worth: Worth | None = None,
) -> Sampling:
    """Bring places into walking order and name them."""
    order = short_path(draft.xy).tolist()
    xy, nothing = draft.xy[order], (0,) * len(order)
    names = _names(len(order), purpose, taken=about.sampled)
    new_name = {old: names[new] for new, old in enumerate(order)}
    others = [draft.beside[old] if draft.beside else "" for old in order]
    places = Places(
        name=names,
        kind=tuple(draft.kind[old] for old in order),
        easting_m=xy[:, 0],
        northing_m=xy[:, 1],
        beside=tuple(other if isinstance(other, str) else new_name[other] for other in others),
        rank=tuple((draft.rank or nothing)[old] for old in order),
        saves=np.array([(draft.saves or nothing)[old] for old in order], dtype=float),
    )
    return Sampling(about, purpose, places, path_length_m(xy), spacing_m, pair_m, worth, (*notes, *about.notes))


def _names(count: int, purpose: Purpose, *, taken: tuple[str, ...]) -> tuple[str, ...]:
    """Names as long as one another, none of which a sample has already."""
    used = {name.casefold() for name in taken}
    letter = {"first": "S", "composite": "C"}.get(purpose, "N")
    digits = max(len(str(count)), 2)
    series = (letter if again == 1 else f"{letter}{again}-" for again in itertools.count(1))
    several = (tuple(f"{stem}{number:0{digits}}" for number in range(1, count + 1)) for stem in series)
    return next(names for names in several if not used & {name.casefold() for name in names})


def where_allowed(centres: FloatArray, where: Sampleable) -> FloatArray:
    """Each centre where its cell may be sampled, else the middle of the nearest cell that may, none twice."""
    cell = where.cell_at(centres)
    stays = (cell >= 0) & (where.allowed & where.whole)[cell]
    free = where.allowed.copy()
    free[cell[stays]] = False
    places = centres.copy()
    for number in np.flatnonzero(~stays).tolist():
        open_cells = np.flatnonzero(free)
        chosen = open_cells[np.square(where.centres[open_cells] - centres[number]).sum(axis=1).argmin()]
        free[chosen] = False
        places[number] = where.centres[chosen]
    return places


def pairs_beside(
    bases: FloatArray, taken: FloatArray, where: Sampleable, count: int, spacing_m: float, seed: int
) -> tuple[FloatArray, IntArray, float]:
    """(count, 2) places close beside some of the bases, whose numbers are given, in cells that are not taken."""
    if count == 0:
        return np.empty((0, 2)), np.empty(0, dtype=np.int64), 0.0
    wanted = max(_PAIR_OF_SPACING * spacing_m, where.grid.cell_m)
    free = where.allowed.copy()
    held = where.cell_at(taken)
    free[held[held >= 0]] = False
    open_cells = where.centres[free]
    refuse_too_many(count, len(open_cells), where)
    base, chosen = beside(bases, open_cells, distance_m=wanted, count=count, seed=seed)
    return open_cells[chosen], base, wanted
