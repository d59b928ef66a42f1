"""Surfaces as GeoTIFF: mean, standard deviation and one quantile of every cell (OGC 19-008r4 GeoTIFF 1.1)."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from zonemap.errors import OutputError
from zonemap.io.names import slug
from zonemap.values.grid import Grid
from zonemap.values.surface import Surface

Bands: TypeAlias = npt.NDArray[np.float32]

#: side of a tile; overviews are added until the whole picture fits one
TILE = 256


def write_surface(path: Path, surface: Surface, grid: Grid, *, probability: float) -> None:
    """Write a surface as a tiled, compressed float32 GeoTIFF with three bands; NaN outside the field.

    Bands are the mean, the standard deviation and the `probability` quantile, in ``surface.unit``; tags name quantity,
    unit, transform and probability. The same values give the same bytes.

    Raises
    ------
    OutputError
        When the file cannot be written.
    """
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.errors import RasterioError

    bands = surface_bands(surface, grid, probability=probability)
    descriptions = band_names(probability)
    try:
        with rasterio.open(path.absolute(), "w", **_profile(grid)) as raster:
            raster.write(bands)
            raster.descriptions = descriptions
            raster.units = (surface.unit,) * len(descriptions)
            raster.update_tags(**surface_tags(surface, probability=probability))
        factors = overview_factors(grid)
        if factors:
            with rasterio.open(path.absolute(), "r+", driver="GTiff") as raster:
                raster.build_overviews(factors, Resampling.average)
    except (RasterioError, OSError) as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(path.name, f"the surface cannot be written ({error})", mend) from error


def surface_bands(surface: Surface, grid: Grid, *, probability: float) -> Bands:
    """(3, rows, columns): mean, standard deviation and quantile; NaN outside the field."""
    vectors = (surface.mean(), surface.standard_deviation(), surface.quantile(probability))
    return np.stack([grid.raster(vector.astype(np.float32), outside=np.nan) for vector in vectors])


def band_names(probability: float) -> tuple[str, str, str]:
    """What each band is."""
    return ("mean", "standard deviation", f"quantile {probability:g}")


def surface_tags(surface: Surface, *, probability: float) -> dict[str, str]:
    """What the numbers are, as text tags of the file."""
    return {
        "quantity": surface.quantity,
        "unit": surface.unit,
        "transform": surface.transform.name,
        "transform_exponent": f"{surface.transform.exponent:.12g}",
        "probability": f"{probability:g}",
        "structure": surface.evidence.structure,
        "samples": str(surface.evidence.samples),
    }


def surface_names(quantities: Collection[str]) -> dict[str, str]:
    """Quantity -> file name, distinct also where upper and lower case are one."""
    names: dict[str, str] = {}
    for quantity in quantities:
        names[quantity] = slug(quantity, taken=names.values())
    return {quantity: f"{name}.tif" for quantity, name in names.items()}


def overview_factors(grid: Grid) -> list[int]:
    """Powers of two by which the picture is thinned until it fits one tile."""
    factors: list[int] = []
    while max(grid.shape) > TILE * 2 ** len(factors):
        factors.append(2 ** (len(factors) + 1))
    return factors


def _profile(grid: Grid) -> dict[str, object]:
    from rasterio import Affine

    rows, columns = grid.shape
    return {
        "driver": "GTiff",
        "height": rows,
        "width": columns,
        "count": 3,
        "dtype": "float32",
        "crs": grid.crs,
        "transform": Affine(grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m),
        "nodata": float("nan"),
        "compress": "deflate",
        "predictor": 3,  # floating point differences (TIFF Technical Note 3, Adobe 2005)
        "tiled": True,
        "blockxsize": TILE,
        "blockysize": TILE,
        "interleave": "band",
    }
