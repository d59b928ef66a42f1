"""A field: its outline in metres and the places where nothing may be spread."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from shapely import MultiPolygon


@dataclass(frozen=True, slots=True)
class NoSpread:
    """An area that gets nothing, with the reason the operator reads."""

    reason: str
    area: MultiPolygon


@dataclass(frozen=True, slots=True)
class Field:
    """One field in its working coordinate reference system.

    Attributes
    ----------
    name
        As the user wrote it.
    boundary
        Valid, 2-D, holes and parts kept, coordinates in metres.
    crs
        Projected working CRS, e.g. ``"EPSG:32614"``.
    no_spread
        Areas that get rate 0, clipped to the boundary.
    no_spread_around
        The same areas and those that lie outside altogether, as far as they reach past the boundary.
    """

    name: str
    boundary: MultiPolygon
    crs: str
    no_spread: tuple[NoSpread, ...] = ()
    no_spread_around: MultiPolygon = dataclasses.field(default_factory=MultiPolygon)

    @property
    def area_ha(self) -> float:
        """Planar area in the working CRS, ha."""
        return float(self.boundary.area) / 10_000
