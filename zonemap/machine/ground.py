"""What the controller has in its memory: the zones of the prescription's polygons, past the boundary too."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from zonemap.values.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.prescription import Prescription

#: zone of what lies in no polygon: the last of the rates, which is the one outside
BEYOND = -1


@dataclass(frozen=True, slots=True)
class Ground:
    """Zones to drive over.

    Attributes
    ----------
    grid
        Of the cells.
    zone
        Cell vector of zone numbers, 0 where its place lies in an area that gets nothing.
    raster
        Zone numbers on the grid and `margin` cells more on every side, `BEYOND` in no polygon.
    margin
        Cells.
    easting_m, northing_m
        Cell vectors of the place that stands for each cell: its centre, or a place inside the field where the centre
        lies beyond it.
    """

    grid: Grid
    zone: IntArray
    raster: IntArray
    margin: int
    easting_m: FloatArray
    northing_m: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "zone", frozen_ints(self.zone, shape=(self.grid.cells,)))
        object.__setattr__(self, "raster", frozen_ints(self.raster, shape=self._shape))
        for name in ("easting_m", "northing_m"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=self.zone.shape))

    @property
    def _shape(self) -> tuple[int, int]:
        rows, columns = self.grid.shape
        return rows + 2 * self.margin, columns + 2 * self.margin

    def zone_at(self, easting_m: FloatArray, northing_m: FloatArray) -> IntArray:
        """Zone number at places, `BEYOND` in no polygon."""
        rows, columns = self._shape
        row = np.floor((self.grid.north_m - northing_m) / self.grid.cell_m).astype(np.int64) + self.margin
        column = np.floor((easting_m - self.grid.west_m) / self.grid.cell_m).astype(np.int64) + self.margin
        there = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        found = self.raster[np.where(there, row, 0), np.where(there, column, 0)]
        return np.asarray(np.where(there, found, BEYOND))


def ground_of(prescription: Prescription, grid: Grid, field: Field) -> Ground:
    """Zones that a controller reads from the polygons of a prescription, and those of the cells."""
    past_m = max((_reach_m(polygon.bounds, grid) for polygon in prescription.polygon), default=0.0)
    margin = math.ceil(past_m / grid.cell_m)
    raster = _rasterized(prescription, grid, margin)
    easting, northing = _places(grid, field)
    ground = Ground(grid, np.zeros(grid.cells, dtype=np.int64), raster, margin, easting, northing)
    zone = ground.zone_at(easting, northing)
    lost = np.flatnonzero(zone == BEYOND)
    if lost.size and prescription.polygon:
        nearest = shapely.STRtree(prescription.polygon).nearest(shapely.points(easting[lost], northing[lost]))
        zone[lost] = prescription.zone[nearest]
    return replace(ground, zone=np.maximum(zone, 0))


def _reach_m(bounds: tuple[float, float, float, float], grid: Grid) -> float:
    """How far bounds reach past the grid."""
    rows, columns = grid.shape
    west, south, east, north = bounds
    right, bottom = grid.west_m + columns * grid.cell_m, grid.north_m - rows * grid.cell_m
    return max(grid.west_m - west, bottom - south, east - right, north - grid.north_m, 0.0)


def _rasterized(prescription: Prescription, grid: Grid, margin: int) -> IntArray:
    """Zone at the centre of every cell of a grid and its margin."""
    from rasterio import Affine
    from rasterio.features import rasterize

    rows, columns = (side + 2 * margin for side in grid.shape)
    if not prescription.polygon:
        return np.full((rows, columns), BEYOND, dtype=np.int64)
    west, north = grid.west_m - margin * grid.cell_m, grid.north_m + margin * grid.cell_m
    return np.asarray(
        rasterize(
            zip(prescription.polygon, prescription.zone.tolist(), strict=True),
            out_shape=(rows, columns),
            fill=BEYOND,
            transform=Affine(grid.cell_m, 0.0, west, 0.0, -grid.cell_m, north),
            dtype="int32",
        ),
        dtype=np.int64,
    )


def _places(grid: Grid, field: Field) -> tuple[FloatArray, FloatArray]:
    """Cell vectors of centres, moved into the field where they lie beyond it."""
    easting, northing = grid.centres()
    cut = np.flatnonzero(grid.cell_area_ha < (1 - 1e-9) * grid.cell_m**2 / 10_000)
    shapely.prepare(field.boundary)
    cut = cut[~shapely.contains_xy(field.boundary, easting[cut], northing[cut])]
    half = grid.cell_m / 2
    boxes = shapely.box(easting[cut] - half, northing[cut] - half, easting[cut] + half, northing[cut] + half)
    inside = shapely.point_on_surface(shapely.intersection(boxes, field.boundary))
    there = ~shapely.is_empty(inside)
    easting[cut[there]], northing[cut[there]] = shapely.get_x(inside[there]), shapely.get_y(inside[there])
    return easting, northing


def axes(heading_deg: float) -> tuple[FloatArray, FloatArray]:
    """Unit vectors (easting, northing) along travel and to the right of it.

    >>> [axis.round(9).tolist() for axis in axes(90.0)]
    [[1.0, 0.0], [0.0, -1.0]]
    """
    turn = math.radians(heading_deg)
    return np.array([math.sin(turn), math.cos(turn)]), np.array([math.cos(turn), -math.sin(turn)])
