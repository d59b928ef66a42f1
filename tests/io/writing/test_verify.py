import itertools
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from zonemap.errors import OutputError
from zonemap.io.geopackage import write_geopackage
from zonemap.io.geotiff import surface_layers, surface_names, write_layers
from zonemap.io.shapefile import shapefile_stems, write_shapefiles
from zonemap.io.verify import CONTROLLER, GEOPACKAGE, SURFACES, verify_result, verify_shapefiles
from zonemap.units import KG_PER_LB, UnitSystem
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.prescription import Application, Prescription
from zonemap.values.season import Product
from zonemap.values.surface import Evidence, Surface, Transform

QUANTILE = 0.25


def write_result(folder: Path, plan: Any) -> Path:
    (folder / CONTROLLER).mkdir(parents=True)
    (folder / SURFACES).mkdir()
    write_geopackage(
        folder / GEOPACKAGE,
        field=plan.field,
        samples=plan.samples,
        outlines=plan.outlines,
        prescription=plan.prescription,
    )
    write_shapefiles(folder / CONTROLLER, field_name=plan.field.name, prescription=plan.prescription)
    for name, layers in rasters_of(plan).items():
        write_layers(folder / name, layers, plan.grid)
    return folder


def rasters_of(plan: Any) -> dict[str, Any]:
    return {
        f"{SURFACES}/{name}": surface_layers(plan.surfaces[quantity], plan.grid, probability=QUANTILE)
        for quantity, name in surface_names(plan.surfaces).items()
    }


def verify(folder: Path, plan: Any) -> None:
    verify_result(
        folder,
        field=plan.field,
        samples=plan.samples,
        outlines=plan.outlines,
        prescription=plan.prescription,
        rasters=rasters_of(plan),
        grid=plan.grid,
    )


def test_what_was_written_is_found_again(tmp_path: Path, plan: Any) -> None:
    verify(write_result(tmp_path / "out", plan), plan)


def test_reading_back_leaves_the_bytes_alone(tmp_path: Path, plan: Any) -> None:
    folder = write_result(tmp_path / "out", plan)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    verify(folder, plan)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


@given(
    st.lists(st.tuples(st.floats(1, 500), st.integers(0, 3)), min_size=1, max_size=12),
    st.lists(st.floats(0, 4_000), min_size=3, max_size=3),
    st.sampled_from(["us", "metric"]),
)
@settings(max_examples=25, deadline=None)
def test_every_format_returns_rate_times_area_as_the_product_total(
    strips: list[tuple[float, int]], rates: list[float], units: UnitSystem
) -> None:
    edges = np.concatenate([[0.0], np.cumsum([width for width, _ in strips])]) + 500_000.0
    polygons = [shapely.box(west, 4.65e6, east, 4.65e6 + 100.0) for west, east in itertools.pairwise(edges)]
    application = Application(Product("urea", {}), None, rates, rates)
    zones = np.array([zone for _, zone in strips])
    prescription = Prescription(units, "EPSG:32614", tuple(polygons), zones, (application,))
    total_kg = sum([0.0, *rates][zone] * width * 100.0 / 10_000 for width, zone in strips)
    with tempfile.TemporaryDirectory() as name:
        (path,) = write_shapefiles(Path(name), field_name="strips", prescription=prescription)
        verify_shapefiles(Path(name), field_name="strips", prescription=prescription)
        with fiona.open(path) as source:
            rows = [row.properties for row in source]
    kg = KG_PER_LB if units == "us" else 1.0
    rounding = sum(0.005 * row["AREA"] + 0.0000005 * row["RATE"] + 1e-6 for row in rows) * kg
    assert sum(row["RATE"] * row["AREA"] for row in rows) * kg == pytest.approx(total_kg, rel=1e-9, abs=rounding)


def other_rate(plan: Any) -> Any:
    first, second = plan.prescription.applications
    changed = replace(first, rate_kg_ha=first.rate_kg_ha + np.array([0.02, 0.0]))
    return replace(plan, prescription=replace(plan.prescription, applications=(changed, second)))


def other_zone(plan: Any) -> Any:
    return replace(plan, prescription=replace(plan.prescription, zone=np.array([2, 1, 0])))


def other_outline(plan: Any) -> Any:
    def moved(corner: Any) -> Any:
        return corner + np.array([0.03, 0.0])

    polygons = tuple(shapely.transform(polygon, moved) for polygon in plan.prescription.polygon)
    return replace(plan, prescription=replace(plan.prescription, polygon=polygons))


def other_day(plan: Any) -> Any:
    first, second = plan.prescription.applications
    changed = replace(first, on=first.on.replace(day=21))
    return replace(plan, prescription=replace(plan.prescription, applications=(changed, second)))


def other_surface(plan: Any) -> Any:
    said = plan.surfaces["k"].distribution
    changed = replace(said, centre=said.centre + 0.001 * (np.arange(said.cells) == 17))
    return replace(plan, surfaces={**plan.surfaces, "k": replace(plan.surfaces["k"], distribution=changed)})


def other_place(plan: Any) -> Any:
    return replace(plan, grid=replace(plan.grid, west_m=plan.grid.west_m + 10.0))


def other_samples(plan: Any) -> Any:
    few = replace(plan.samples, sample=("1",), easting_m=[0.0], northing_m=[0.0], columns={})
    return replace(plan, samples=few)


@pytest.mark.parametrize(
    ("other", "named"),
    [
        (other_rate, "prescription.gpkg: read back, the file does not hold the rates"),
        (other_zone, "prescription.gpkg: read back, the file does not hold 3 rows with their zones"),
        (other_outline, "prescription.gpkg: read back, the file does not hold the outlines"),
        (other_day, "prescription.gpkg: read back, the file does not hold unit, product and day"),
        (other_samples, "prescription.gpkg: read back, the file does not hold 1 rows in 'samples'"),
        (other_surface, "tif: read back, the file does not hold the values of every cell"),
        (other_place, "tif: read back, the file does not hold the place of the grid"),
    ],
)
def test_a_difference_is_named_with_its_file(
    tmp_path: Path, plan: Any, other: Callable[[Any], Any], named: str
) -> None:
    folder = write_result(tmp_path / "out", plan)
    with pytest.raises(OutputError, match=named):
        verify(folder, other(plan))


@pytest.mark.parametrize("other", [other_rate, other_zone, other_outline])
def test_a_difference_in_a_shapefile_is_found(tmp_path: Path, plan: Any, other: Callable[[Any], Any]) -> None:
    folder = write_result(tmp_path / "out", plan)
    (folder / GEOPACKAGE).unlink()
    write_geopackage(
        folder / GEOPACKAGE,
        field=plan.field,
        samples=plan.samples,
        outlines=plan.outlines,
        prescription=other(plan).prescription,
    )
    with pytest.raises(OutputError, match=r"\.shp: read back"):
        verify(folder, other(plan))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 0.95])
def test_a_cut_file_is_found_whichever_it_is(tmp_path: Path, plan: Any, share: float) -> None:
    folder = write_result(tmp_path / "out", plan)
    stem = shapefile_stems(plan.field.name, plan.prescription)[0]
    cut = [GEOPACKAGE, *(f"{CONTROLLER}/{stem}{each}" for each in (".shp", ".dbf")), f"{SURFACES}/K.tif"]
    for name in cut:
        damaged = tmp_path / "damaged"
        shutil.copytree(folder, damaged)
        whole = (damaged / name).read_bytes()
        (damaged / name).write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(OutputError, match="Nothing was published"):
            verify(damaged, plan)
        shutil.rmtree(damaged)


def test_a_missing_part_of_a_shapefile_is_named(tmp_path: Path, plan: Any) -> None:
    folder = write_result(tmp_path / "out", plan)
    next((folder / CONTROLLER).glob("*potash.prj")).unlink()
    with pytest.raises(OutputError, match=r"potash\.prj: .* Nothing was published"):
        verify(folder, plan)


def test_a_spatial_index_that_lost_its_entries_is_found(tmp_path: Path, plan: Any) -> None:
    folder = write_result(tmp_path / "out", plan)
    with closing(sqlite3.connect(folder / GEOPACKAGE)) as database, database:
        database.execute("DELETE FROM rtree_zones_geom WHERE id = 1")
    with pytest.raises(OutputError, match="2 rows in 'rtree_zones_geom_rowid'"):
        verify(folder, plan)


def written_over(column: str, value: Any) -> Callable[[Path], None]:
    """Replace a value in the first row of the prescription."""

    def edit(path: Path) -> None:
        with closing(sqlite3.connect(path)) as database, database:
            for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                database.execute(f'DROP TRIGGER "{trigger}"')  # they need functions that only GeoPackage readers have
            new = value
            if callable(value):
                new = value(*database.execute(f"SELECT {column} FROM prescription WHERE fid = 1").fetchone())
            database.execute(f"UPDATE prescription SET {column} = ? WHERE fid = 1", (new,))

    return edit


@pytest.mark.parametrize(
    "fault",
    [
        written_over("geom", lambda blob: blob[:4] + b"\x61\x7f\0\0" + blob[8:]),  # EPSG:32609
        written_over("geom", lambda blob: blob[:3] + bytes([blob[3] | 0b10000]) + blob[4:]),  # said to be empty
        written_over("geom", lambda blob: b"XX" + blob[2:]),
        written_over("geom", lambda blob: blob[:-9]),
        written_over("geom", b"GP"),
        written_over("rate", None),
        written_over("zone", 7),
        written_over("area", "wide"),
        written_over("product", "another"),
    ],
)
def test_a_row_of_the_database_that_is_broken_is_found(
    tmp_path: Path, plan: Any, fault: Callable[[Path], None]
) -> None:
    folder = write_result(tmp_path / "out", plan)
    fault(folder / GEOPACKAGE)
    with pytest.raises(OutputError, match="Nothing was published"):
        verify(folder, plan)


def test_a_hundred_polygons_and_seven_surfaces_are_read_back_in_a_blink(tmp_path: Path, plan: Any) -> None:
    side = 10
    squares = [shapely.box(5e5 + 60 * i, 4.65e6 + 40 * j, 5e5 + 60 * i + 60, 4.65e6 + 40 * j + 40)
               for i in range(side) for j in range(side)]  # fmt: skip
    grid = Grid("EPSG:32614", 5e5, 4_650_400.0, 3.1, np.full((129, 194), 9.61))
    evidence = Evidence(12, "found", 0.01, None, None, None)
    said = Distribution.normal(*[np.linspace(0.5, 1.5, grid.cells)] * 2)
    surfaces = {str(i): Surface(str(i), "kg/ha/day", Transform("log"), said, evidence) for i in range(7)}
    prescription = replace(plan.prescription, polygon=tuple(squares), zone=np.arange(100) % 3)
    large = replace(plan, prescription=prescription, grid=grid, surfaces=surfaces)
    folder = write_result(tmp_path / "out", large)
    verify(folder, large)
    start = time.process_time()
    verify(folder, large)
    spent = time.process_time() - start
    assert spent < 3.0  # ten times what it takes, for slow and shared machines
