"""Seconds for a prescription of 5,040 wavy polygons: joined, extended, written and read back."""

import math
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
import shapely
from shapely import MultiPolygon

from zonemap.io.geopackage import write_geopackage
from zonemap.io.shapefile import write_shapefiles
from zonemap.io.verify import verify_geopackage, verify_shapefiles
from zonemap.values.basis import Basis
from zonemap.values.field import Field
from zonemap.values.prescription import Application, Prescription
from zonemap.values.samples import Column, Samples
from zonemap.values.season import Product
from zonemap.values.zones import Outlines
from zonemap.zoning.edges import reach_past
from zonemap.zoning.pieces import join_small

EAST, NORTH, SIDE = 500_000.0, 4_650_000.0, 40.0


def wavy(column, row):
    """Square whose edges bulge by up to 3 m, the same for both that share one."""
    corners = [(column, row), (column + 1, row), (column + 1, row + 1), (column, row + 1)]
    ring = []
    for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
        bulge = 3 * math.sin(min(start[0], end[0]) + 2 * min(start[1], end[1]))
        for step in range(10):
            share = step / 10
            x, y = (SIDE * (a + share * (b - a)) for a, b in zip(start, end, strict=True))
            aside = bulge * math.sin(math.pi * share)
            ring.append((EAST + x + aside * (start[0] == end[0]), NORTH + y + aside * (start[1] == end[1])))
    return shapely.Polygon(np.round(ring, 6))


def timed(name, function):
    start = time.perf_counter()
    result = function()
    print(f"{name:24s} {time.perf_counter() - start:6.2f} s")
    return result


def main():
    polygons = tuple(wavy(column, row) for column in range(72) for row in range(70))
    zone = np.array([1 + (7 * number) % 5 for number in range(len(polygons))])
    whole = shapely.coverage_union_all(np.array(polygons, dtype=object))
    field = Field("wavy", MultiPolygon(shapely.get_parts(whole).tolist()), "EPSG:32614")
    timed("join below 1 ha", lambda: join_small(polygons, zone, minimum_ha=1.0))
    timed("reach 10 m past", lambda: reach_past(polygons, zone, by_m=10.0))
    rates = np.array([100.0, 200.0, 300.0, 400.0, 500.0])
    applications = tuple(Application(Product(name, {}), date(2026, 5, 20), rates, rates) for name in ("one", "two"))
    prescription = Prescription("us", field.crs, polygons, zone, applications)
    columns = {"K": Column("kg/ha/day", np.ones(1), np.zeros(1, dtype=bool))}
    samples = Samples(("1",), np.array([EAST]), np.array([NORTH]), Basis("resin", burial_days=4.0), columns, 0.15)
    given = {
        "field": field,
        "samples": samples,
        "outlines": Outlines((1,), (field.boundary,)),
        "prescription": prescription,
    }
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        timed("write GeoPackage", lambda: write_geopackage(folder / "p.gpkg", **given))
        timed("write shapefiles", lambda: write_shapefiles(folder, field_name="wavy", prescription=prescription))
        timed("read GeoPackage back", lambda: verify_geopackage(folder / "p.gpkg", **given))
        timed("read shapefiles back", lambda: verify_shapefiles(folder, field_name="wavy", prescription=prescription))


if __name__ == "__main__":
    main()
