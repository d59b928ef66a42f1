"""Covariates: what is known all over a field, or nearly so, and may tell where a nutrient is high or low."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from zonemap.errors import InputError
from zonemap.values.arrays import FloatArray, frozen_floats

_MEND = "Read it with the package's reader, which fills gaps and drops rows without a value."


@dataclass(frozen=True, slots=True)
class RasterCovariate:
    """A covariate on square pixels in the field's working CRS, rows from north to south.

    Attributes
    ----------
    name
        As the user wrote it.
    west_m, north_m
        Outer corner of the north-west pixel.
    cell_m
        Side of a pixel.
    value
        (rows, columns), finite everywhere, in the file's own unit.

    Raises
    ------
    InputError
        For a pixel without a value, no pixel at all, or pixels without a size.
    """

    name: str
    west_m: float
    north_m: float
    cell_m: float
    value: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None, None)))
        _refuse_gaps(self.name, self.value)
        if not (np.isfinite([self.west_m, self.north_m, self.cell_m]).all() and self.cell_m > 0):
            what = f"pixels of {self.cell_m} m at {self.west_m}, {self.north_m} are nowhere"
            raise InputError(f"covariate '{self.name}'", what, "Give its corner and a positive side in metres.")


@dataclass(frozen=True, slots=True)
class PointCovariate:
    """A covariate logged at points, in the field's working CRS.

    Attributes
    ----------
    name
        As the user wrote it.
    easting_m, northing_m, value
        (n,) finite; the value in the file's own unit. Points may coincide.

    Raises
    ------
    InputError
        For a row that is not finite, or no row at all.
    """

    name: str
    easting_m: FloatArray
    northing_m: FloatArray
    value: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", frozen_floats(self.value, shape=(None,)))
        for axis in ("easting_m", "northing_m"):
            object.__setattr__(self, axis, frozen_floats(getattr(self, axis), shape=self.value.shape))
            _refuse_gaps(self.name, getattr(self, axis))
        _refuse_gaps(self.name, self.value)


Covariate: TypeAlias = RasterCovariate | PointCovariate


def _refuse_gaps(name: str, values: FloatArray) -> None:
    if values.size == 0 or not np.isfinite(values).all():
        what = "has no value" if values.size == 0 else "has numbers that are not finite"
        raise InputError(f"covariate '{name}'", what, _MEND)
