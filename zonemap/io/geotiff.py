"""Surfaces and zones as GeoTIFF (OGC 19-008r4 GeoTIFF 1.1)."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from zonemap.errors import OutputError
from zonemap.io.names import slug
from zonemap.values.arrays import FloatArray
from zonemap.values.grid import Grid
from zonemap.values.surface import Surface
from zonemap.values.zones import ZoneChoice

Bands: TypeAlias = npt.NDArray[np.float32]

#: side of a tile; overviews are added until the whole picture fits one
TILE = 256


@dataclass(frozen=True, slots=True)
class Layers:
    """What a GeoTIFF holds.

    Attributes
    ----------
    bands
        (bands, rows, columns), NaN outside the field.
    name, unit
        (bands) what each is, and in which unit.
    tags
        Text about the whole file.
    """

    bands: Bands
    name: tuple[str, ...]
    unit: tuple[str, ...]
    tags: Mapping[str, str]


def surface_layers(surface: Surface, grid: Grid, *, probability: float) -> Layers:
    """Mean, standard deviation and quantile of a surface, and what the numbers are."""
    vectors = (surface.mean(), surface.standard_deviation(), surface.quantile(probability))
    tags = {
        "quantity": surface.quantity,
        "unit": surface.unit,
        "transform": surface.transform.name,
        "transform_exponent": f"{surface.transform.exponent:.12g}",
        "probability": f"{probability:g}",
        "structure": surface.evidence.structure,
        "samples": str(surface.evidence.samples),
    }
    names = ("mean", "standard deviation", f"quantile {probability:g}")
    return Layers(_stacked(vectors, grid), names, (surface.unit,) * 3, tags)


def zone_layers(choice: ZoneChoice, grid: Grid) -> Layers:
    """Zone of every cell, how certain it is, and its grade in every zone where zones are fuzzy."""
    vectors: dict[str, FloatArray] = {"zone": choice.zones.number.astype(np.float64)}
    if choice.certainty is not None:
        vectors["certainty"] = choice.certainty
    if choice.memberships is not None:
        for group, grade in enumerate(choice.memberships.grade.T, start=1):
            vectors[f"grade in group {group}"] = grade
    tags = {"zones": str(choice.zones.count)}
    return Layers(_stacked(tuple(vectors.values()), grid), tuple(vectors), ("1",) * len(vectors), tags)


def _stacked(vectors: Sequence[FloatArray], grid: Grid) -> Bands:
    return np.stack([grid.raster(vector.astype(np.float32), outside=np.nan) for vector in vectors])


def spread_tags(product: str, on: date | None, unit: str) -> dict[str, str]:
    """Tags of a product that is spread on a day: none of the day where it has none, as an empty tag is not kept."""
    return {"product": product, **({} if on is None else {"date": on.isoformat()}), "unit": unit}


def write_layers(path: Path, layers: Layers, grid: Grid) -> None:
    """Write a tiled, compressed float32 GeoTIFF; NaN outside the field. The same values give the same bytes.

    Raises
    ------
    OutputError
        When the file cannot be written.
    """
    import rasterio
    from rasterio._err import CPLE_BaseError  # a full disk may raise it, and no public name leads to it
    from rasterio.enums import Resampling
    from rasterio.errors import RasterioError

    categories = layers.name[0] == "zone"
    try:
        with rasterio.open(path.absolute(), "w", **_profile(grid, bands=len(layers.name))) as raster:
            raster.write(layers.bands)
            raster.descriptions = layers.name
            raster.units = layers.unit
            raster.update_tags(**layers.tags)
        factors = overview_factors(grid)
        if factors:
            with rasterio.open(path.absolute(), "r+", driver="GTiff") as raster:
                # a mean of zone numbers is no zone
                raster.build_overviews(factors, Resampling.nearest if categories else Resampling.average)
    except (RasterioError, CPLE_BaseError, OSError) as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(path.name, f"the raster cannot be written ({error})", mend) from error


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


def _profile(grid: Grid, *, bands: int) -> dict[str, object]:
    from rasterio import Affine

    rows, columns = grid.shape
    return {
        "driver": "GTiff",
        "height": rows,
        "width": columns,
        "count": bands,
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
