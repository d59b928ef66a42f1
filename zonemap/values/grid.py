"""The grid of square cells that carries surfaces and zones; rows run from north to south."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from zonemap.values.arrays import BoolArray, FloatArray, frozen_floats

Number = TypeVar("Number", np.float64, np.float32, np.int64, np.int32, np.uint8)


@dataclass(frozen=True, slots=True)
class Grid:
    """Square cells over a field.

    Attributes
    ----------
    crs
        The field's working CRS.
    west_m, north_m
        Outer corner of the north-west cell.
    cell_m
        Side of a cell.
    field_area_m2
        (rows, columns): area of the field inside each cell; 0 outside, ``cell_m**2`` where the cell lies wholly inside.

    Notes
    -----
    A *cell vector* is a 1-D array over the cells that hold some of the field, in row-major order.
    """

    crs: str
    west_m: float
    north_m: float
    cell_m: float
    field_area_m2: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "field_area_m2", frozen_floats(self.field_area_m2, shape=(None, None)))

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        rows, columns = self.field_area_m2.shape
        return rows, columns

    @property
    def inside(self) -> BoolArray:
        """(rows, columns): whether a cell holds some of the field."""
        return self.field_area_m2 > 0

    @property
    def cells(self) -> int:
        """How many cells hold some of the field."""
        return int(np.count_nonzero(self.field_area_m2))

    @property
    def cell_area_ha(self) -> FloatArray:
        """Cell vector: area of the field in each cell, ha."""
        return self.field_area_m2[self.inside] / 10_000

    def centres(self) -> tuple[FloatArray, FloatArray]:
        """Easting and northing of the cell centres, m; two cell vectors."""
        row, column = (index.astype(np.float64) for index in np.nonzero(self.inside))
        return self.west_m + (column + 0.5) * self.cell_m, self.north_m - (row + 0.5) * self.cell_m

    def raster(self, cell_vector: npt.NDArray[Number], *, outside: float) -> npt.NDArray[Number]:
        """Spread a cell vector over (rows, columns), `outside` elsewhere."""
        raster = np.full(self.shape, outside, dtype=cell_vector.dtype)
        raster[self.inside] = cell_vector
        return raster
