"""Fewer polygons for a controller: small pieces of zones join the neighbour with the longest common edge."""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import Polygon

from zonemap.errors import InputError
from zonemap.values.arrays import IntArray
from zonemap.zoning.arrangement import common_edges, in_order

_WHERE = "field.toml, prescription, most_polygons"


def join_small(
    polygons: Sequence[Polygon], zone: IntArray, *, minimum_ha: float = 0.0, most: int | None = None, besides: int = 0
) -> tuple[tuple[Polygon, ...], IntArray]:
    """Join small pieces to neighbours, smallest first; no-spread pieces (zone 0) stay as they are.

    Parameters
    ----------
    polygons, zone
        A valid coverage and its zone numbers.
    minimum_ha
        Pieces below it join, even the last of their zone; one that borders on no other zone stays.
    most
        Largest number of polygons. For it the smallest pieces join, whatever their size, but no zone's last.
    besides
        How many of that number are taken by polygons elsewhere.

    Returns
    -------
    polygons
        A valid coverage of the same place, in the order of `single_parts`.
    zone
        Their zone numbers.

    Raises
    ------
    InputError
        When `most` is too few even for one polygon a zone, the no-spread pieces and what stands alone.
    """
    pieces = _Pieces(polygons, zone)
    pieces.join_below(minimum_ha * 10_000)
    if most is not None:
        pieces.join_until(most, besides)
    return pieces.joined()


class _Pieces:
    """Pieces, their areas and common edges, while they are joined one by one."""

    def __init__(self, polygons: Sequence[Polygon], zone: IntArray) -> None:
        self.polygon = np.array(polygons, dtype=object)
        self.zone: list[int] = zone.tolist()
        self.area_m2: list[float] = shapely.area(self.polygon).tolist()
        self.members = {number: [number] for number in range(len(self.zone))}
        self.count_of_zone = Counter(self.zone)
        self.edges: list[dict[int, float]] = [{} for _ in self.zone]
        for one, other, length in zip(*common_edges(self.polygon), strict=True):
            self.edges[one][int(other)] = float(length)

    def join_below(self, least_m2: float) -> None:
        queue = [(area, n) for n, area in enumerate(self.area_m2) if self.zone[n] > 0 and area < least_m2]
        heapq.heapify(queue)
        while queue:
            area, small = heapq.heappop(queue)
            neighbour = self._neighbour(small) if self._current(small, area) else None
            if neighbour is not None:
                self._join(small, neighbour)
                if self.area_m2[neighbour] < least_m2:
                    heapq.heappush(queue, (self.area_m2[neighbour], neighbour))

    def join_until(self, most: int, besides: int) -> None:
        queue = [(self.area_m2[n], n) for n in self.members if self.zone[n] > 0]
        heapq.heapify(queue)
        while len(self.members) + besides > most:
            if not queue:
                raise self._too_few(most, besides)
            area, small = heapq.heappop(queue)
            if not self._current(small, area) or self.count_of_zone[self.zone[small]] == 1:
                continue  # counts of zones only fall: the last of a zone stays the last
            neighbour = self._neighbour(small)
            if neighbour is not None:
                self._join(small, neighbour)
                heapq.heappush(queue, (self.area_m2[neighbour], neighbour))

    def joined(self) -> tuple[tuple[Polygon, ...], IntArray]:
        union = [
            self.polygon[n] if len(members) == 1 else shapely.coverage_union_all(self.polygon[members])
            for n, members in self.members.items()
        ]
        part, index = shapely.get_parts(np.array(union, dtype=object), return_index=True)
        part = shapely.normalize(part)
        zone = np.array([self.zone[n] for n in self.members], dtype=np.int64)[index]
        order = in_order(part, zone)
        return tuple(part[order]), zone[order]

    def _current(self, piece: int, area_m2: float) -> bool:
        return piece in self.members and self.area_m2[piece] == area_m2

    def _neighbour(self, piece: int) -> int | None:
        """Neighbour of another zone with the longest common edge, the first of equals."""
        beside = [(-length, other) for other, length in self.edges[piece].items() if self.zone[other] > 0]
        return min(beside)[1] if beside else None

    def _join(self, piece: int, into: int) -> None:
        """Join a piece to another, and with it what it kept apart from others of that zone."""
        self._absorb(piece, into)
        while (same := min((n for n in self.edges[into] if self.zone[n] == self.zone[into]), default=None)) is not None:
            self._absorb(same, into)

    def _absorb(self, piece: int, into: int) -> None:
        self.members[into] += self.members.pop(piece)
        self.area_m2[into] += self.area_m2[piece]
        self.count_of_zone[self.zone[piece]] -= 1
        for other, length in self.edges[piece].items():
            del self.edges[other][piece]
            if other != into:
                self.edges[into][other] = self.edges[other][into] = self.edges[into].get(other, 0.0) + length

    def _too_few(self, most: int, besides: int) -> InputError:
        left, closed = len(self.members) + besides, self.count_of_zone[0] + besides
        what = f"{most} polygons are too few: {left} are left when every zone has one"
        what += f", {closed} of them no-spread areas" if closed else ""
        mend = f"Write most_polygons = {left} or more, or plan with fewer zones."
        return InputError(_WHERE, what, mend)
