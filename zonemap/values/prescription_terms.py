"""What the file for a controller is to be like: how far past the boundary, how small and how many its polygons."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PrescriptionTerms:
    """Terms of the file; as they stand here they change nothing.

    Attributes
    ----------
    extend_edge_m
        How far the outer zones reach past the boundary.
    minimum_polygon_ha
        Smaller pieces join a neighbour.
    most_polygons
        Most that the controller takes, no-spread pieces among them; ``None`` for any number.
    outside_rate_kg_ha, position_lost_rate_kg_ha
        Rate where no polygon lies, and while the machine does not know where it is.
    formats
        Names of the formats it is to be written in; empty where nobody says.
    """

    extend_edge_m: float = 0.0
    minimum_polygon_ha: float = 0.0
    most_polygons: int | None = None
    outside_rate_kg_ha: float = 0.0
    position_lost_rate_kg_ha: float = 0.0
    formats: tuple[str, ...] = ()
