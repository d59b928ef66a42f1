"""What is asked of every covariate, raster or points: does it reach the field, does it vary, what looks wrong."""

from __future__ import annotations

import numpy as np
import shapely

from zonemap.io.boundaries import Boundary
from zonemap.values.arrays import FloatArray
from zonemap.values.note import Note

#: points along the longer side of the lattice that stands for the field
_LATTICE = 300
#: differences below this share of the values are rounding
_SAME = 1e-9
#: robust standard deviations from the median at which a value is named, as for samples
_OUTLIER_SCORE = 5.0


def field_lattice(boundary: Boundary) -> FloatArray:
    """(m, 2) points spread evenly over the field, m; at least one."""
    west, south, east, north = boundary.area.bounds
    step = max(east - west, north - south) / _LATTICE
    columns, rows = (max(round(side / step), 1) for side in (east - west, north - south))
    easting = west + (np.arange(columns) + 0.5) * (east - west) / columns
    northing = south + (np.arange(rows) + 0.5) * (north - south) / rows
    at = np.column_stack([axis.ravel() for axis in np.meshgrid(easting, northing)])
    shapely.prepare(boundary.area)
    inside = at[shapely.intersects_xy(boundary.area, at[:, 0], at[:, 1])]
    if len(inside):
        return np.asarray(inside)
    middle = boundary.area.representative_point()
    return np.array([[middle.x, middle.y]])


def is_constant(value: FloatArray) -> bool:
    """Whether values are all the same but for rounding."""
    return bool(np.ptp(value) <= _SAME * np.abs(value).max())


def constant_note(where: str, name: str, value: FloatArray) -> Note:
    """Say that a covariate is left out because it tells nothing."""
    text = f"{where}: {name} is {value.flat[0]:.6g} all over the field, which tells nothing; left out."
    return Note("warning", text)


def outlier_notes(value: FloatArray, *, where: str, name: str) -> tuple[Note, ...]:
    """Name values far from the median, all in one note; the score is the one of samples.

    Positive values must be far on their own scale and on that of their logarithms: a conductivity is skewed, and a
    height above any datum may come near 0.
    """
    from zonemap.geostat.screen import far_from_median

    median = float(np.median(value))
    if 2 * np.count_nonzero(value == median) >= value.size:
        return ()  # most are equal: every other one would be far
    far = far_from_median(value, outlier_score=_OUTLIER_SCORE, logarithmic=False)
    if value.min() > 0:
        far &= far_from_median(value, outlier_score=_OUTLIER_SCORE, logarithmic=True)
    if not far.any():
        return ()
    share, low, high = float(np.mean(far)), value[far].min(), value[far].max()
    part = f"{share:.2%}" if share >= 1e-4 else "under 0.01%"
    extreme = f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"
    text = (
        f"{where}: {part} of {name} over the field is far from the median {median:.4g} ({extreme}). "
        "Check the sensor, and the number it writes for 'nothing measured'; all values are kept."
    )
    return (Note("warning", text),)
