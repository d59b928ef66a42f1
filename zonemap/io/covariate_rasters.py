"""Covariates from GeoTIFF: cut to the field, gaps filled, brought to square pixels in the working CRS."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.boundaries import Boundary, source_crs
from zonemap.io.covariate_checks import constant_note, field_lattice, is_constant, outlier_notes
from zonemap.io.field_file import CovariateTable
from zonemap.io.located import far_from_field_m
from zonemap.io.rasters import RasterHeader, read_raster_header, read_raster_window
from zonemap.io.sources import FieldFolder
from zonemap.io.vectors import Layer
from zonemap.values.arrays import BoolArray, FloatArray
from zonemap.values.covariate import RasterCovariate
from zonemap.values.note import Note

if TYPE_CHECKING:
    from pyproj import CRS

#: pixels kept over a field and its margin; more are averaged
MOST_PIXELS = 4_000_000
#: pixels over the field that are read at all: about 20 s
_MOST_READ = 400_000_000
#: share of the field that may be filled from the nearest pixels
_MOST_MISSING = 0.2
#: points along each side of a box that show how far it reaches in another CRS
_SIDE_POINTS = 21
#: pixels of the working CRS placed at a time
_PLACED_TOGETHER = 500_000


@dataclass(frozen=True, slots=True)
class _Source:
    """A raster as it lies to the field.

    Attributes
    ----------
    crs, target
        Of the raster, and the working CRS.
    """

    header: RasterHeader
    crs: CRS
    target: str

    @property
    def in_target(self) -> bool:
        """Whether the raster is in the working CRS already."""
        from pyproj import CRS

        target = CRS.from_user_input(self.target)
        return self.crs.equals(target, ignore_axis_order=True) or self.crs.to_epsg() == target.to_epsg()

    def pixels(self, easting: FloatArray, northing: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Columns and rows of places in the working CRS; not finite where the raster's CRS does not reach."""
        if self.in_target:
            return self.header.to_pixels(easting, northing)
        first, second = coordinates.transform_points(easting, northing, source=self.target, target=self.crs)
        if self.crs.is_geographic:  # some rasters count longitudes from 0 to 360
            middle = self.header.to_coordinates(np.array([self.header.width / 2]), np.array([self.header.height / 2]))
            first = first + 360.0 * np.round((middle[0] - first) / 360.0)
        return self.header.to_pixels(first, second)

    def pixel_sides_m(self, column: float, row: float) -> tuple[float, float]:
        """Length in the working CRS of a pixel's side along a row and along a column, about a place."""
        first, second = self.header.to_coordinates(np.array([0.0, 1.0, 0.0]) + column, np.array([0.0, 0.0, 1.0]) + row)
        at = np.column_stack(coordinates.transform_points(first, second, source=self.crs, target=self.target))
        across, down = np.hypot(*(at[1] - at[0])), np.hypot(*(at[2] - at[0]))
        return float(across), float(down)


@dataclass(frozen=True, slots=True)
class _Cut:
    """Pixels about the field: window (first column, first row, columns, rows), averaging, and their side in metres."""

    window: tuple[int, int, int, int]
    factors: tuple[int, int]
    cell_m: float

    def indices(self, column: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Column and row, in fractions, among the averaged pixels: whole numbers are their centres."""
        return (
            (column - self.window[0]) / self.factors[0] - 0.5,
            (row - self.window[1]) / self.factors[1] - 0.5,
        )


def raster_covariate(
    folder: FieldFolder, path: Path, table: CovariateTable, *, where: str, boundary: Boundary
) -> tuple[RasterCovariate | None, tuple[Note, ...]]:
    """Read a covariate from one band of a GeoTIFF.

    Parameters
    ----------
    where
        The table in field.toml, for messages about its keys.

    Returns
    -------
    RasterCovariate or None
        Over the field and a margin, at about the file's own resolution, never finer; ``None`` where it is constant.
    notes
        What was filled, resampled and looks wrong.

    Raises
    ------
    InputError
        When the file cannot be used; names it, or the key.
    """
    content = folder.read(path)
    label = folder.label(path)
    header = read_raster_header(content, where=label)
    band = _band(header, table, where=where)
    source = _Source(header, _crs(header, table), boundary.crs)
    lattice = field_lattice(boundary)
    cut = _cut(source, boundary, lattice)
    raw, few = read_raster_window(content, where=label, band=band, window=cut.window, factors=cut.factors)
    filled, notes = _without_gaps(raw, source, cut, lattice, boundary)
    column, row = cut.indices(*source.pixels(*lattice.T))
    in_field = _bilinear(filled, column, row)
    if is_constant(in_field):
        return None, (*notes, constant_note(label, table.name, in_field))
    if few or band in header.palettes:
        notes.append(Note("warning", f"{label}: band {band} looks like classes; they are treated as numbers."))
    notes += outlier_notes(in_field, where=label, name=table.name)
    covariate = _in_working_crs(filled, source, cut, boundary, name=table.name)
    return covariate, (*notes, *_resampled_note(covariate, source, cut))


def _band(header: RasterHeader, table: CovariateTable, *, where: str) -> int:
    listed = ", ".join(map(str, header.bands[:20]))
    if table.band is None and len(header.bands) > 1:
        raise InputError(header.name, f"holds {len(header.bands)} bands", f"Say which under {where}: band = 1.")
    band = header.bands[0] if table.band is None else table.band
    if band not in header.bands:
        raise InputError(f"{where}, band", f"{header.name} has no band {band} of values", f"Use one of {listed}.")
    if band in header.complex_bands:
        mend = "Export the part that is meant, or its size, as plain numbers."
        raise InputError(header.name, f"band {band} holds complex numbers", mend)
    return band


def _crs(header: RasterHeader, table: CovariateTable) -> CRS:
    key = f'crs = "EPSG:..." under [[covariate]] {table.name}'
    if not header.crs and table.crs is None:
        mend = f"Export it with its CRS, or set {key}."
        raise InputError(header.name, "does not say which CRS its pixels are in", mend)
    crs = source_crs(Layer(header.name, header.crs, assumed=False, features=()), table.crs, where=header.name, key=key)
    corners = header.to_coordinates(
        np.array([0.0, header.width, header.width, 0.0]), np.array([0.0, 0.0, header.height, header.height])
    )
    swap = "Export it with longitude first"
    coordinates.refuse_wrong_scale(*corners, crs, where=header.name, key=key, swap=swap)
    return crs


def _cut(source: _Source, boundary: Boundary, lattice: FloatArray) -> _Cut:
    """Pixels to read, and how many of them to average."""
    header = source.header
    column, row = source.pixels(*np.vstack([_box_edge(boundary), lattice]).T)
    known = np.isfinite(column) & np.isfinite(row)
    field_column, field_row = column[-len(lattice) :], row[-len(lattice) :]
    on_it = (field_column >= 0) & (field_column <= header.width) & (field_row >= 0) & (field_row <= header.height)
    if not on_it.any():
        raise _elsewhere(source, boundary)
    west, north = (max(math.floor(axis[known].min()) - 1, 0) for axis in (column, row))
    east = min(math.ceil(column[known].max()) + 1, header.width)
    south = min(math.ceil(row[known].max()) + 1, header.height)
    first = int(np.argmax(on_it))
    sides = source.pixel_sides_m(float(field_column[first]), float(field_row[first]))
    if not all(math.isfinite(side) and side > 0 for side in sides):
        raise _elsewhere(source, boundary)
    window = (west, north, east - west, south - north)
    if window[2] * window[3] > _MOST_READ:
        side = max(sides) * math.sqrt(window[2] * window[3] / MOST_PIXELS)
        what = f"holds {window[2] * window[3] / 1e6:,.0f} million pixels over the field"
        raise InputError(header.name, what, f"Resample it to about {side:.2g} m.")
    return _Cut(window, *_averaging(sides, window[2], window[3]))


def _box_edge(boundary: Boundary) -> FloatArray:
    """Points along the box about the field and its margin, m."""
    west, south, east, north = shapely.box(*boundary.area.bounds).buffer(far_from_field_m(boundary)).bounds
    along = np.linspace(0.0, 1.0, _SIDE_POINTS)
    easting, northing = np.meshgrid(west + along * (east - west), south + along * (north - south))
    return np.column_stack([easting.ravel(), northing.ravel()])


def _averaging(sides: tuple[float, float], width: int, height: int) -> tuple[tuple[int, int], float]:
    """Columns and rows that become one, so that pixels are about square and not too many, and the side in metres."""
    longest = max(sides)
    for times in range(1, 1_000):
        across, down = (max(round(times * longest / side), 1) for side in sides)
        if (width // across) * (height // down) <= MOST_PIXELS:
            break
    across, down = min(across, width), min(down, height)
    return (across, down), max(across * sides[0], down * sides[1], longest)


def _elsewhere(source: _Source, boundary: Boundary) -> InputError:
    """What to say of a raster that does not reach the field: where each of them is."""
    header = source.header
    corners = header.to_coordinates(
        np.array([0.0, header.width, header.width, 0.0]), np.array([0.0, 0.0, header.height, header.height])
    )
    longitude, latitude = coordinates.transform_points(*corners, source=source.crs, target=coordinates.WGS84)
    middle = boundary.area.representative_point()
    field = coordinates.transform_points([middle.x], [middle.y], source=boundary.crs, target=coordinates.WGS84)
    at = f"the field is at longitude {field[0][0]:.4f}, latitude {field[1][0]:.4f}"
    covers = "its pixels lie where its CRS does not reach"
    if np.isfinite([longitude, latitude]).all():
        west, east, south, north = longitude.min(), longitude.max(), latitude.min(), latitude.max()
        covers = f"it covers longitudes {west:.4f} to {east:.4f} and latitudes {south:.4f} to {north:.4f}"
    mend = "Is it the wrong file or the wrong CRS? Give a raster of this field, with the CRS its pixels are in."
    return InputError(header.name, f"does not reach the field: {covers}, {at}", mend)


def _without_gaps(
    raw: FloatArray, source: _Source, cut: _Cut, lattice: FloatArray, boundary: Boundary
) -> tuple[FloatArray, list[Note]]:
    """Values with gaps filled from the nearest pixel; much of the field missing is refused."""
    label, gap = source.header.name, np.isnan(raw)
    share = _missing_share(gap, source, cut, lattice)
    if gap.all() or share > _MOST_MISSING:
        mend = "Give a raster that covers the field, or leave the covariate out."
        raise InputError(label, f"has no value over {1.0 if gap.all() else share:.0%} of the field", mend)
    if not gap.any():
        return raw, _filled_note(label, share, seen=share > 0)
    from scipy.ndimage import distance_transform_edt

    nearest = distance_transform_edt(gap, return_distances=False, return_indices=True)
    seen = share > 0 or _gap_in_field(gap, source, cut, boundary)
    return np.asarray(raw[tuple(nearest)]), _filled_note(label, share, seen=seen)


def _missing_share(gap: BoolArray, source: _Source, cut: _Cut, lattice: FloatArray) -> float:
    """Share of the field whose pixel has no value or is not there."""
    column, row = (np.floor(index + 0.5) for index in cut.indices(*source.pixels(*lattice.T)))
    there = (column >= 0) & (column < gap.shape[1]) & (row >= 0) & (row < gap.shape[0])
    known = np.zeros(len(lattice), dtype=np.bool_)
    known[there] = ~gap[row[there].astype(int), column[there].astype(int)]
    return float(1.0 - known.mean())


def _gap_in_field(gap: BoolArray, source: _Source, cut: _Cut, boundary: Boundary) -> bool:
    """Whether any gap, however small, has its middle in the field."""
    row, column = (np.asarray(axis, dtype=float) for axis in np.nonzero(gap))
    column = cut.window[0] + (column + 0.5) * cut.factors[0]
    row = cut.window[1] + (row + 0.5) * cut.factors[1]
    first, second = source.header.to_coordinates(column, row)
    at = coordinates.transform_points(first, second, source=source.crs, target=boundary.crs)
    return bool(shapely.intersects_xy(boundary.area, *at).any())


def _filled_note(label: str, share: float, *, seen: bool) -> list[Note]:
    if not seen:
        return []
    part = f"{share:.1%}" if share >= 0.001 else "under 0.1%"
    return [Note("repair", f"{label}: has no value over {part} of the field; filled from the nearest pixels.")]


def _in_working_crs(
    filled: FloatArray, source: _Source, cut: _Cut, boundary: Boundary, *, name: str
) -> RasterCovariate:
    """Pixels as they are where they are square and in the working CRS, else resampled between their centres."""
    a, b, _, d, e, _ = source.header.affine
    square = math.isclose(a * cut.factors[0], -e * cut.factors[1], rel_tol=1e-9) and a > 0
    if source.in_target and b == d == 0 and square:
        first, second = source.header.to_coordinates(np.array([cut.window[0]]), np.array([cut.window[1]]))
        return RasterCovariate(name, float(first[0]), float(second[0]), a * cut.factors[0], filled)
    corners = _box_edge(boundary)
    west, south = np.floor(corners.min(axis=0) / cut.cell_m) * cut.cell_m
    east, north = np.ceil(corners.max(axis=0) / cut.cell_m) * cut.cell_m
    columns, rows = (max(round(float(side) / cut.cell_m), 1) for side in (east - west, north - south))
    value = np.empty((rows, columns))
    easting = west + (np.arange(columns) + 0.5) * cut.cell_m
    step = max(_PLACED_TOGETHER // columns, 1)
    for start in range(0, rows, step):
        northing = north - (np.arange(start, min(start + step, rows)) + 0.5) * cut.cell_m
        at = (axis.ravel() for axis in np.meshgrid(easting, northing))
        column, row = cut.indices(*source.pixels(*at))
        value[start : start + step] = _bilinear(filled, column, row).reshape(-1, columns)
    return RasterCovariate(name, float(west), float(north), cut.cell_m, value)


def _bilinear(values: FloatArray, column: FloatArray, row: FloatArray) -> FloatArray:
    """Values between pixel centres; beyond the outermost those of the edge."""
    from scipy.ndimage import map_coordinates

    return np.asarray(map_coordinates(values, [row, column], order=1, mode="nearest"))


def _resampled_note(covariate: RasterCovariate, source: _Source, cut: _Cut) -> tuple[Note, ...]:
    averaged = f"averaged over {cut.factors[0]} x {cut.factors[1]} pixels" if max(cut.factors) > 1 else ""
    moved = "" if source.in_target else f"brought from {coordinates.code_of(source.crs)} to {source.target}"
    done = " and ".join(part for part in (averaged, moved) if part)
    if not done:
        return ()
    return (Note("repair", f"{source.header.name}: {done}; pixels are {covariate.cell_m:.3g} m now."),)
