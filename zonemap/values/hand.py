"""The specialist's hand: zones drawn elsewhere, and changes to zones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from shapely import LineString, MultiPolygon
from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True, slots=True)
class DrawnZones:
    """Zones from a file, in the working CRS.

    Attributes
    ----------
    label
        (zones) what the file calls each, in the order of the zones' numbers.
    area
        (zones) its polygons.
    """

    label: tuple[str, ...]
    area: tuple[BaseGeometry, ...]


@dataclass(frozen=True, slots=True)
class MergeZones:
    """Make zones one, which takes the lowest of their numbers."""

    zones: tuple[int, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SplitZone:
    """Cut a zone along a line, in the working CRS; what lies to the right of the line becomes the last zone."""

    zone: int
    line: LineString
    reason: str = ""


@dataclass(frozen=True, slots=True)
class MoveCells:
    """Give the cells within an area, in the working CRS, to a zone."""

    area: MultiPolygon
    to: int
    reason: str = ""


ZoneEdit: TypeAlias = MergeZones | SplitZone | MoveCells


@dataclass(frozen=True, slots=True)
class Hand:
    """What was drawn and changed by hand.

    Attributes
    ----------
    drawn
        ``None`` where zones are made from the surfaces.
    edits
        In order; zone numbers in each are those after the one before.
    """

    drawn: DrawnZones | None = None
    edits: tuple[ZoneEdit, ...] = ()
