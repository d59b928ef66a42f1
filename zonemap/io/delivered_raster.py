"""What the simulated spreader lays down for one product on one day as a GeoTIFF, on the grid of the surfaces."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from zonemap.io.geotiff import Layers, spread_tags
from zonemap.io.names import plain_text
from zonemap.io.rate_raster import require_total
from zonemap.io.shapefile import shapefile_stems
from zonemap.io.verify import verify_layers
from zonemap.values.delivery import Delivery
from zonemap.values.file_units import file_units
from zonemap.values.grid import Grid
from zonemap.values.prescription import Prescription

#: a folder of its own: what falls is no order to a controller
DELIVERED = "delivered"
_TOLERANCES = (0.05, 0.10)


def delivered_rasters(
    field_name: str, prescription: Prescription, deliveries: Sequence[Delivery], grid: Grid
) -> dict[str, Layers]:
    """Path in the result -> what it is to hold, one raster for each simulated application; none without a simulation.

    Parameters
    ----------
    deliveries
        One for each application of the prescription, in its order; or none.
    """
    if not deliveries:
        return {}
    stems = shapefile_stems(field_name, prescription)
    return {
        f"{DELIVERED}/{stem}.tif": delivered_layers(prescription, delivery, grid)
        for stem, delivery in zip(stems, deliveries, strict=True)
    }


def delivered_layers(prescription: Prescription, delivery: Delivery, grid: Grid) -> Layers:
    """Rate that falls on each cell, and by how much it is off; the latter NaN where nothing is meant to fall."""
    product, on = delivery.application.product, delivery.application.on
    units = file_units(prescription.units, product)
    tags = {
        **spread_tags(plain_text(product.name), on, units.rate_unit),
        "heading_deg": f"{delivery.heading_deg:g}",
        "swath_m": f"{delivery.swath_m:.3f}",
        "total_meant": f"{delivery.intended_kg / units.kg_per_amount:.6f}",
        "total_delivered": f"{delivery.delivered_kg / units.kg_per_amount:.6f}",
        "total_unit": units.amount_unit,
        **{f"share_within_{100 * each:.0f}_percent": f"{delivery.share_within(each):.6f}" for each in _TOLERANCES},
    }
    vectors = (delivery.delivered_kg_ha / units.kg_ha_per_rate, 100 * delivery.relative_error)
    bands = np.stack([grid.raster(vector.astype(np.float32), outside=np.nan) for vector in vectors])
    return Layers(bands, ("delivered", "off by"), (units.rate_unit, "%"), tags)


def verify_delivered_raster(path: Path, layers: Layers, prescription: Prescription, grid: Grid) -> None:
    """Check the raster as every raster is checked, and that its cells add up to the total it states.

    Raises
    ------
    OutputError
        When the file does not hold what it should.
    """
    import rasterio

    verify_layers(path, layers, grid)
    with rasterio.open(path.absolute(), driver="GTiff") as raster:
        rate, stated = raster.read(1), float(raster.tags()["total_delivered"])
    require_total(path, rate, prescription, grid, stated=stated)
