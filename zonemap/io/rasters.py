"""GeoTIFF files of strangers: header and one band's values, read in a child process from a private copy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.errors import InputError
from zonemap.io.apart import private_copy, read_apart
from zonemap.values.arrays import FloatArray

RASTER_SUFFIXES = (".tif", ".tiff")
# TIFF 6.0 (Aldus 1992), section 2: byte order and 42; BigTIFF has 43.
_MARKS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_MEND_FORMAT = "Save it as GeoTIFF."


@dataclass(frozen=True, slots=True)
class RasterHeader:
    """What a GeoTIFF says of itself.

    Attributes
    ----------
    name
        File name.
    bands, palettes, complex_bands
        Numbers, from 1, of the bands that hold values (transparency is none), of those with a table of colours, and of
        those with complex numbers.
    crs
        WKT; empty when the file has none.
    affine
        a, b, c, d, e, f of x = a column + b row + c, y = d column + e row + f; columns and rows count from the outer
        corner of the first pixel.
    """

    name: str
    width: int
    height: int
    bands: tuple[int, ...]
    palettes: tuple[int, ...]
    complex_bands: tuple[int, ...]
    crs: str
    affine: tuple[float, float, float, float, float, float]

    def to_coordinates(self, column: FloatArray, row: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Coordinates in the raster's CRS, easting or longitude first."""
        a, b, c, d, e, f = self.affine
        return a * column + b * row + c, d * column + e * row + f

    def to_pixels(self, first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Columns and rows, in fractions, of coordinates in the raster's CRS."""
        a, b, c, d, e, f = self.affine
        determinant = a * e - b * d
        east, north = first - c, second - f
        return (e * east - b * north) / determinant, (a * north - d * east) / determinant


def read_raster_header(content: bytes, *, where: str) -> RasterHeader:
    """Header of the bytes of a GeoTIFF.

    Raises
    ------
    InputError
        When it is no GeoTIFF by its first bytes, is damaged, or does not say where its pixels lie.
    """
    if not content.startswith(_MARKS):
        raise InputError(where, "is not a GeoTIFF, whatever its name says", _MEND_FORMAT)
    with private_copy({"raster.tif": content}) as private:
        read = read_apart("raster_header", where=where, path=str(private / "raster.tif"))
    if read["affine"] is None:
        mend = "Export it again as a GeoTIFF with its georeference."
        raise InputError(where, "does not say where its pixels lie", mend)
    if not read["bands"]:
        raise InputError(where, "holds no band of values", _MEND_FORMAT)
    a, b, c, d, e, f = read["affine"]
    return RasterHeader(
        name=where,
        width=int(read["width"]),
        height=int(read["height"]),
        bands=tuple(read["bands"]),
        palettes=tuple(read["palettes"]),
        complex_bands=tuple(read["complex"]),
        crs=str(read["crs"]),
        affine=(a, b, c, d, e, f),
    )


def read_raster_window(
    content: bytes, *, where: str, band: int, window: tuple[int, int, int, int], factors: tuple[int, int]
) -> tuple[FloatArray, bool]:
    """Values of one band in a window.

    Parameters
    ----------
    window
        First column, first row, columns, rows; inside the raster.
    factors
        How many columns and rows are averaged into one.

    Returns
    -------
    values
        (rows, columns) after averaging, NaN where the file has no value; its scale and offset are applied.
    few
        Whether all of them are whole numbers, and under eight different ones.

    Raises
    ------
    InputError
        When the file is damaged, or would take too much time or memory.
    """
    with private_copy({"raster.tif": content}) as private:
        out = private / "window.npy"
        read = read_apart(
            "raster_window",
            where=where,
            path=str(private / "raster.tif"),
            band=band,
            window=list(window),
            factors=list(factors),
            out=str(out),
        )
        values = np.asarray(np.load(out, allow_pickle=False), dtype=np.float64)
    return values, bool(read["few_whole_numbers"])
