"""Five thousand polygons into every format and back: the package beside a plain script, in one run.

    python tests/benchmarks/formats.py [RUNS] [POLYGONS]

The corn field is planned once and its prescription redrawn as a coverage of POLYGONS (default 5000) squares with wavy
edges, 32 vertices each, in its own zones. Then, RUNS (default 3) times in turn, medians printed:

- package: every format is written, read back and compared with the plan, the manifest is written, all is swapped in;
- plain script: the same files of the prescription by geopandas, rasterio, pandas and xml.etree, each read back by the
  library that wrote it and only its total added up.

The ratio is plain script over package. The seconds of each format, writing and reading back, follow.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas
import numpy as np
import pandas as pd
import rasterio
import rasterio.features
import shapely
from pyproj import Transformer

from zonemap import job
from zonemap.io.folder import read_folder
from zonemap.io.formats import FORMATS, GEOPACKAGE, ISO, SHAPEFILE, verify_formats, write_formats
from zonemap.io.manifest import write_manifest
from zonemap.io.publish import private_folder, swap_in
from zonemap.io.verify import verify_result
from zonemap.pipeline.parse import read_pipeline
from zonemap.pipeline.run import run
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application, Prescription

FIELD = Path(__file__).resolve().parents[2] / "sample_fields" / "irrigated_corn"
#: pieces of a side, and the height of its wave as a share of its length
PIECES, WAVE = 8, 0.1


def redrawn(plan: Plan, polygons: int) -> Plan:
    """The same plan with a prescription of many wavy squares, in two applications."""
    side = round(polygons**0.5)
    west, south, east, north = plan.case.field.boundary.bounds
    drawn = wavy_squares(west, south, (east - west) / side, (north - south) / side, side)
    first = plan.prescription.applications[0]
    rates = np.linspace(120.0, 240.0, first.rate_kg_ha.size)
    zone = 1 + np.arange(len(drawn)) * 7 % rates.size
    product = replace(first.product, name="another product")
    applications = (
        Application(first.product, first.on, rates, rates),
        Application(product, first.on, rates[::-1] / 3, rates[::-1] / 3),
    )
    prescription = Prescription(plan.prescription.units, plan.prescription.crs, drawn, zone, applications)
    boundary = shapely.MultiPolygon([shapely.coverage_union_all(np.array(drawn, dtype=object))])
    case = replace(plan.case, field=replace(plan.case.field, boundary=boundary))
    return replace(plan, case=case, prescription=prescription)


def wavy_squares(west: float, south: float, width: float, height: float, side: int) -> tuple[shapely.Polygon, ...]:
    """Squares that share every vertex of their edges."""
    along = np.arange(PIECES) / PIECES
    wave = WAVE * np.sin(2 * np.pi * along)

    def edge(column: int, row: int, *, upright: bool) -> list[tuple[float, float]]:
        across, up = (wave, along) if upright else (along, wave)
        return list(zip(west + (column + across) * width, south + (row + up) * height, strict=True))

    drawn = []
    for row in range(side):
        for column in range(side):
            bottom, top = edge(column, row, upright=False), edge(column, row + 1, upright=False)
            left, right = edge(column, row, upright=True), edge(column + 1, row, upright=True)
            corner = edge(column + 1, row + 1, upright=False)[:1]
            drawn.append(shapely.Polygon([*bottom, *right, *corner, *top[:0:-1], *top[:1], *left[:0:-1]]))
    return tuple(drawn)


# --- the package


def package(plan: Plan, target: Path) -> None:
    """What a run does between planning and the end, pictures and summary left out."""
    with private_folder(target) as build:
        job._write_geopackage(plan, build)
        job._write_shapefiles(plan, build)
        write_formats(build, plan, FORMATS)
        verified(plan, build, FORMATS)
        write_manifest(build, {})
        swap_in(build, target)


def verified(plan: Plan, build: Path, formats: tuple[str, ...]) -> None:
    """Read back GeoPackage and shapefiles, then the rest."""
    verify_result(
        build,
        field=plan.case.field,
        samples=plan.case.samples,
        outlines=plan.outlines,
        prescription=plan.prescription,
        rasters={},
        grid=plan.grid,
        formats=formats,
    )
    verify_formats(build, plan, formats)


def by_format(plan: Plan) -> dict[str, tuple[float, float]]:
    """Format -> seconds of writing and of reading back, each alone."""
    seconds = {}
    for name in FORMATS:
        with tempfile.TemporaryDirectory() as folder:
            build = Path(folder)
            seconds[name] = timed(write_one, plan, build, name), timed(verified, plan, build, (name,))
    return seconds


def write_one(plan: Plan, build: Path, name: str) -> None:
    if name == GEOPACKAGE:
        job._write_geopackage(plan, build)
    elif name == SHAPEFILE:
        job._write_shapefiles(plan, build)
    else:
        write_formats(build, plan, (name,))


# --- the plain script


def plain(plan: Plan, target: Path) -> None:
    """The same formats by general libraries, read back by the same."""
    target.mkdir()
    prescription = plan.prescription
    frame = geopandas.GeoDataFrame({"zone": prescription.zone}, geometry=list(prescription.polygon), crs=plan.grid.crs)
    degrees = frame.to_crs(4326)
    parts = []
    for number, application in enumerate(prescription.applications):
        rate = np.concatenate([[0.0], application.rate_kg_ha])[prescription.zone]
        rows = degrees.assign(rate=rate, product=application.product.name, area=frame.area / 10_000)
        parts.append(rows)
        _plain_vector(rows, target / f"rates_{number}.shp")
        _plain_raster(frame, rate, plan, target / f"rates_{number}.tif")
    _plain_vector(pd.concat(parts), target / "prescription.gpkg")
    table = frame.assign(area=frame.area / 10_000).groupby("zone")["area"].sum()
    table.to_csv(target / "zones.csv")
    pd.read_csv(target / "zones.csv").sum()
    for name, (version, kind) in ISO.items():
        _plain_task(degrees, parts, target / name, version=version, kind=kind)


def _plain_vector(rows: geopandas.GeoDataFrame, path: Path) -> None:
    rows.to_file(path, engine="pyogrio")
    again = geopandas.read_file(path, engine="pyogrio")
    total = float((again["rate"] * again["area"]).sum())
    if not np.isclose(total, float((rows["rate"] * rows["area"]).sum()), rtol=1e-6):
        raise SystemExit(path.name)


def _plain_raster(frame: geopandas.GeoDataFrame, rate: np.ndarray, plan: Plan, path: Path) -> None:
    grid = plan.grid
    transform = rasterio.Affine(grid.cell_m, 0, grid.west_m, 0, -grid.cell_m, grid.north_m)
    pixels = rasterio.features.rasterize(
        zip(frame.geometry, rate, strict=True),
        out_shape=grid.shape,
        transform=transform,
        fill=np.nan,
        dtype="float32",
    )
    profile = {"height": grid.shape[0], "width": grid.shape[1], "count": 1, "dtype": "float32", "transform": transform}
    with rasterio.open(path, "w", driver="GTiff", crs=grid.crs, compress="deflate", **profile) as raster:
        raster.write(pixels, 1)
    with rasterio.open(path) as raster:
        np.nansum(raster.read(1))


def _plain_task(
    degrees: geopandas.GeoDataFrame, parts: list[geopandas.GeoDataFrame], folder: Path, *, version: int, kind: str
) -> None:
    folder.mkdir()
    root = ET.Element("ISO11783_TaskData", {"VersionMajor": str(version)})
    for number, rows in enumerate(parts, start=1):
        task = ET.SubElement(root, "TSK", {"A": f"TSK{number}"})
        for zone, of_zone in rows.groupby("zone"):
            element = ET.SubElement(task, "TZN", {"A": str(zone)})
            for polygon in of_zone.geometry if kind == "zones" else ():
                outline = ET.SubElement(ET.SubElement(element, "PLN", {"A": "2"}), "LSG", {"A": "1"})
                for east, north in polygon.exterior.coords:
                    ET.SubElement(outline, "PNT", {"A": "2", "C": f"{north:.9f}", "D": f"{east:.9f}"})
            ET.SubElement(element, "PDV", {"A": "0006", "B": str(round(100 * of_zone["rate"].iloc[0]))})
        if kind != "zones":
            _plain_grid(degrees, rows, folder / f"GRD{number:05d}.BIN", kind=kind)
    ET.indent(root, space=" ")
    ET.ElementTree(root).write(folder / "TASKDATA.XML", encoding="UTF-8", xml_declaration=True)
    to_metres = Transformer.from_crs(4326, 32614, always_xy=True)
    for task in ET.parse(folder / "TASKDATA.XML").getroot():
        for ring in task.iter("LSG"):
            vertices = np.array([(float(point.attrib["D"]), float(point.attrib["C"])) for point in ring])
            shapely.Polygon(np.column_stack(to_metres.transform(*vertices.T))).area  # noqa: B018


def _plain_grid(degrees: geopandas.GeoDataFrame, rows: geopandas.GeoDataFrame, path: Path, *, kind: str) -> None:
    west, south, east, north = degrees.total_bounds
    shape = (250, 250)
    values = rows["zone"] if kind == "grid_1" else np.rint(100 * rows["rate"])
    pixels = rasterio.features.rasterize(
        zip(degrees.geometry, values.astype(int), strict=True),
        out_shape=shape,
        transform=rasterio.transform.from_bounds(west, south, east, north, *shape),
        dtype="int32",
    )
    path.write_bytes(pixels[::-1].astype("u1" if kind == "grid_1" else "<i4").tobytes())


# --- both


def timed(function: Callable[..., None], *arguments: object) -> float:
    start = time.perf_counter()
    function(*arguments)
    return time.perf_counter() - start


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    polygons = int(sys.argv[2]) if len(sys.argv) > 2 else 5000
    plan = redrawn(run(read_folder(FIELD), read_pipeline("season_supply"), lambda _: None), polygons)
    vertices = int(shapely.get_num_coordinates(np.array(plan.prescription.polygon, dtype=object)).sum())
    print(f"{len(plan.prescription.polygon)} polygons, {vertices} vertices, two products")
    seconds: dict[str, list[float]] = {"plain script": [], "package": []}
    for _ in range(runs):
        for name, function in (("plain script", plain), ("package", package)):
            with tempfile.TemporaryDirectory() as folder:
                seconds[name].append(timed(function, plan, Path(folder) / "out"))
    middle = {name: statistics.median(each) for name, each in seconds.items()}
    sides = "   ".join(f"{name} {each:6.2f} s" for name, each in middle.items())
    print(f"all formats   {sides}   ratio {middle['plain script'] / middle['package']:.2f}")
    for name, (write, verify) in by_format(plan).items():
        print(f"{name:14} written {write:6.2f} s   read back {verify:6.2f} s")


if __name__ == "__main__":
    main()
