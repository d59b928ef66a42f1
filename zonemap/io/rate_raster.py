"""Rates of one product on one day as a GeoTIFF, on the grid of the surfaces."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.geotiff import Bands, Layers, spread_tags
from zonemap.io.prescription_rows import application_rows, exact_area_in
from zonemap.io.shapefile import shapefile_stems
from zonemap.io.verify import verify_layers
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.grid import Grid
from zonemap.values.note import Note
from zonemap.values.prescription import Application, Prescription

RATES = "rates"
#: difference from the plan's total above which a raster says so
_NOTED_DIFFERENCE = 0.001
# TIFF tags: GeoTIFF 1.1 (OGC 19-008r4), annex on tags, and the text tags of the library that writes
_PIXEL_SCALE, _TIE_POINT, _TEXT, _NO_DATA = 33550, 33922, 42112, 42113


def rate_rasters(field_name: str, prescription: Prescription, grid: Grid) -> dict[str, Layers]:
    """Path in the result -> what it is to hold, one raster for each product and day.

    Raises
    ------
    OutputError
        When a rate is no rate, or two applications put one product on one day.
    """
    stems = shapefile_stems(field_name, prescription)
    polygon = polygon_of_cells(prescription, grid)
    return {
        f"{RATES}/{stem}.tif": rate_layers(prescription, application, grid, polygon)
        for stem, application in zip(stems, prescription.applications, strict=True)
    }


def polygon_of_cells(prescription: Prescription, grid: Grid) -> IntArray:
    """Number of the polygon at the centre of each cell; of the nearest where the centre lies outside of the field.

    A cell vector, from 0: every cell that holds some of the field has a polygon.
    """
    tree = shapely.STRtree(prescription.polygon)
    centre = shapely.points(*grid.centres())
    polygon = np.asarray(tree.nearest(centre))
    cell, holder = tree.query(centre, predicate="intersects")
    # on a common edge the first polygon, whatever order the tree answers in
    order = np.lexsort((holder, cell))[::-1]
    polygon[cell[order]] = holder[order]
    return np.asarray(polygon, dtype=np.int64)


def rate_layers(prescription: Prescription, application: Application, grid: Grid, polygon: IntArray) -> Layers:
    """Rates of the cells; 0 where nothing may be spread, NaN outside of the field.

    Parameters
    ----------
    polygon
        From `polygon_of_cells`, the same for all applications.
    """
    rows = application_rows(prescription, application, where=RATES)
    rate = rows.rate[polygon]
    total = float(rate @ _cell_areas(prescription, grid))
    tags = {
        **spread_tags(rows.product, rows.on, rows.rate_unit),
        "total_planned": f"{rows.total:.6f}",
        "total_of_cells": f"{total:.6f}",
        "total_unit": rows.rate_unit.split("/")[0],
    }
    raster = grid.raster(rate.astype(np.float32), outside=np.nan)
    return Layers(raster[np.newaxis], ("rate",), (rows.rate_unit,), tags)


def difference_note(name: str, layers: Layers) -> tuple[Note, ...]:
    """A warning where the cells change the total by more than a thousandth."""
    planned, cells = (float(layers.tags[tag]) for tag in ("total_planned", "total_of_cells"))
    if abs(cells - planned) <= _NOTED_DIFFERENCE * planned:
        return ()
    unit, share = layers.tags["total_unit"], (cells - planned) / planned if planned else float("inf")
    text = (
        f"{name}: the cells of {layers.tags['product']} add up to {cells:,.1f} {unit}, the plan to"
        f" {planned:,.1f} {unit} ({share:+.2%}): cells follow the outlines in steps. Take the polygons where that"
        " is too much."
    )
    return (Note("warning", text),)


def verify_rate_raster(path: Path, layers: Layers, prescription: Prescription, grid: Grid) -> None:
    """Check the raster as every raster is checked, and its cells, place and total by another reader than wrote it.

    Raises
    ------
    OutputError
        When the file does not hold what it should.
    """
    from PIL import Image

    verify_layers(path, layers, grid)
    try:
        with Image.open(path, formats=["TIFF"]) as picture:
            tags = dict(picture.tag_v2)  # type: ignore[attr-defined]
            values = np.asarray(picture, dtype=np.float32)
    except (OSError, ValueError, SyntaxError) as error:  # the reader answers a broken header with a SyntaxError
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    _require(path, np.array_equal(values, layers.bands[0], equal_nan=True), "the rate of every cell")
    scale, tie = tags.get(_PIXEL_SCALE, ())[:2], tags.get(_TIE_POINT, ())
    _require(path, scale == (grid.cell_m, grid.cell_m), "the size of a cell")
    _require(path, tie == (0.0, 0.0, 0.0, grid.west_m, grid.north_m, 0.0), "the corner of the grid")
    _require(path, str(tags.get(_NO_DATA, "")).strip("\0 ") == "nan", "the mark of cells outside of the field")
    _require(path, f">{layers.unit[0]}<" in str(tags.get(_TEXT, "")), f"the unit {layers.unit[0]}")
    require_total(path, values, prescription, grid, stated=float(layers.tags["total_of_cells"]))


def require_total(path: Path, rate: Bands, prescription: Prescription, grid: Grid, *, stated: float) -> None:
    """Check that the (rows, columns) rates read from a raster add up to the total it states.

    Raises
    ------
    OutputError
        When they do not.
    """
    total = float(rate[grid.inside].astype(np.float64) @ _cell_areas(prescription, grid))
    # single precision keeps a rate to 6e-8 of itself
    _require(path, abs(total - stated) <= 1e-6 * stated + 1e-6, f"the total {stated:.3f} (it adds up to {total:.3f})")


def _cell_areas(prescription: Prescription, grid: Grid) -> FloatArray:
    return exact_area_in(prescription.units, grid.cell_area_ha)


def _require(path: Path, holds: bool, what: str) -> None:  # noqa: FBT001 - reads as a sentence at every call
    if not holds:
        raise OutputError(path.name, f"read back, the file does not hold {what}", NOT_PUBLISHED)
