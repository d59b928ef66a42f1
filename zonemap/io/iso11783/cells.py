"""The grid of task data: cells in degrees, from the south-west corner, east first, then north."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Polygon

from zonemap.io.prescription_rows import DEGREE_DECIMALS, WGS84
from zonemap.values.arrays import FloatArray

Index = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Cells:
    """Cells of equal size in degrees (WGS 84).

    Attributes
    ----------
    south_deg, west_deg
        Corner of the first cell.
    height_deg, width_deg
        Size of a cell northward and eastward.
    rows, columns
        How many, northward and eastward.
    """

    south_deg: float
    west_deg: float
    height_deg: float
    width_deg: float
    rows: int
    columns: int

    @property
    def count(self) -> int:
        """How many cells there are."""
        return self.rows * self.columns

    def centres(self) -> tuple[FloatArray, FloatArray]:
        """Longitude and latitude of the centres, two vectors in the order of the file."""
        east = self.west_deg + (np.arange(self.columns) + 0.5) * self.width_deg
        north = self.south_deg + (np.arange(self.rows) + 0.5) * self.height_deg
        return np.tile(east, self.rows), np.repeat(north, self.columns)

    def ground_m2(self, crs: str) -> FloatArray:
        """Area of each cell in a projected CRS, a vector in the order of the file."""
        from pyproj import Transformer

        east = self.west_deg + np.arange(self.columns + 1) * self.width_deg
        north = self.south_deg + np.arange(self.rows + 1) * self.height_deg
        to_metres = Transformer.from_crs(WGS84, crs, always_xy=True)
        easting, northing = to_metres.transform(*np.meshgrid(east, north))
        # half the cross product of the diagonals: area of a quadrilateral
        up_e, up_n = easting[1:, 1:] - easting[:-1, :-1], northing[1:, 1:] - northing[:-1, :-1]
        down_e, down_n = easting[1:, :-1] - easting[:-1, 1:], northing[1:, :-1] - northing[:-1, 1:]
        return np.asarray(0.5 * np.abs(up_e * down_n - up_n * down_e)).ravel()

    def polygon_at_centre(self, polygons: Sequence[Polygon]) -> Index:
        """Number of the polygon (from 0) at each centre, -1 outside; a vector in the order of the file.

        A centre on a common edge belongs to exactly one of the two polygons (scan line filling).
        """
        from rasterio import Affine
        from rasterio.features import rasterize

        north = self.south_deg + self.rows * self.height_deg
        raster = rasterize(
            [(polygon, number) for number, polygon in enumerate(polygons)],
            out_shape=(self.rows, self.columns),
            fill=-1,
            transform=Affine(self.width_deg, 0.0, self.west_deg, 0.0, -self.height_deg, north),
            dtype="int32",
        )
        return np.ascontiguousarray(raster[::-1]).ravel()  # rasters begin in the north


def covering_cells(polygons: Sequence[Polygon], *, cell_m: float) -> Cells:
    """The cells that cover polygons in degrees, `cell_m` wide and high on the ground.

    Sizes and corner are rounded to what the file states, so that writer and reader see one grid.
    """
    from pyproj import Geod

    west, south, east, north = (float(bound) for bound in shapely.total_bounds(np.array(polygons, dtype=object)))
    longitude, latitude = (west + east) / 2, (south + north) / 2
    ellipsoid = Geod(ellps="WGS84")
    _, northward, _ = ellipsoid.fwd(longitude, latitude, 0.0, cell_m)
    eastward, _, _ = ellipsoid.fwd(longitude, latitude, 90.0, cell_m)
    height, width = round(northward - latitude, DEGREE_DECIMALS), round(eastward - longitude, DEGREE_DECIMALS)
    rows, columns = int(np.ceil((north - south) / height)), int(np.ceil((east - west) / width))
    return Cells(south, west, height, width, max(rows, 1), max(columns, 1))
