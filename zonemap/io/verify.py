"""Read everything back before it is published: a full disk can leave a cut file that was reported as written."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Polygon
from shapely.errors import GEOSException

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.formats import DEFAULT
from zonemap.io.geotiff import Bands, Layers, overview_factors
from zonemap.io.prescription_rows import ADVICE, WGS84, ApplicationRows, application_rows, polygons_in_degrees
from zonemap.io.shapefile import COLUMNS, EXTENSIONS, NUMBERS, product_texts, shapefile_stems
from zonemap.io.shapefile_text import verify_readme
from zonemap.values.arrays import FloatArray
from zonemap.values.field import Field
from zonemap.values.file_units import ROW_DECIMALS
from zonemap.values.grid import Grid
from zonemap.values.prescription import Prescription
from zonemap.values.samples import Samples
from zonemap.values.zones import Outlines

GEOPACKAGE = "prescription.gpkg"
CONTROLLER = "controller"
SURFACES = "surfaces"
#: bytes of the envelope by its code in the flags of a geometry: none, then two to four axes of two numbers
_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}


def verify_result(
    folder: Path,
    *,
    field: Field,
    samples: Samples,
    outlines: Outlines,
    prescription: Prescription,
    rasters: Mapping[str, Layers],
    grid: Grid,
    formats: Collection[str] = DEFAULT,
) -> None:
    """Read back a whole result folder: GeoPackage, shapefiles and rasters, each by another library than wrote it.

    Parameters
    ----------
    rasters
        path in the folder -> what it should hold.
    formats
        Those of the GeoPackage and the shapefiles that were asked for; other formats are checked where they are made.

    Raises
    ------
    OutputError
        Naming the first file that does not hold what it should.
    """
    if "geopackage" in formats:
        path = folder / GEOPACKAGE
        verify_geopackage(path, field=field, samples=samples, outlines=outlines, prescription=prescription)
    if "shapefile" in formats:
        verify_shapefiles(folder / CONTROLLER, field_name=field.name, prescription=prescription)
    for name, layers in rasters.items():
        verify_layers(folder / name, layers, grid)


def verify_geopackage(
    path: Path, *, field: Field, samples: Samples, outlines: Outlines, prescription: Prescription
) -> None:
    """Check the database, the rows of every layer with their spatial index, and the prescription itself.

    Raises
    ------
    OutputError
        When the file does not hold what it should.
    """
    polygons = len(prescription.polygon)
    check_database(
        path,
        rows={
            "prescription": polygons * len(prescription.applications),
            "zones": len(outlines.zone),
            "samples": samples.count,
            "boundary": 1,
            "no_spread": len(field.no_spread),
        },
    )
    _check_styles(path, {"zones": 1, "prescription": len(prescription.applications)})
    written = _read_prescription(path)
    outlines_in_degrees = polygons_in_degrees(prescription, clockwise=False, where=path.name)
    for number, application in enumerate(prescription.applications):
        expected = application_rows(prescription, application, where=path.name)
        rows = written.rows(slice(number * polygons, (number + 1) * polygons))
        _check_rows(path, rows, expected, rate_decimals=ROW_DECIMALS, area_decimals=ROW_DECIMALS)
        _check_labels(path, rows, (expected.rate_unit, expected.product, _iso(application.on)))
        _check_outlines(path, rows, outlines_in_degrees)


def verify_shapefiles(folder: Path, *, field_name: str, prescription: Prescription) -> None:
    """Check every shapefile's parts, CRS, columns, rows, outlines and total, and the text beside them.

    Raises
    ------
    OutputError
        When a file is missing or does not hold what it should.
    """
    products = product_texts(prescription)
    for stem, application in zip(shapefile_stems(field_name, prescription), prescription.applications, strict=True):
        path = folder / f"{stem}.shp"
        for extension in EXTENSIONS:
            part = path.with_suffix(extension)
            _require(part, part.is_file() and part.stat().st_size > 0, "the file")
        written = _read_shapefile(path)
        expected = application_rows(prescription, application, where=path.name)
        _check_rows(path, written, expected, rate_decimals=NUMBERS["RATE"][1], area_decimals=NUMBERS["AREA"][1])
        _check_labels(path, written, (expected.rate_unit, products[application.product.name], ""))
        _check_outlines(path, written, polygons_in_degrees(prescription, clockwise=True, where=path.name))
    verify_readme(folder, prescription=prescription)


def verify_layers(path: Path, layers: Layers, grid: Grid) -> None:
    """Check place, CRS, tags, overviews and every cell of every band of a raster.

    Raises
    ------
    OutputError
        When the file does not hold what it should.
    """
    from rasterio._err import CPLE_BaseError
    from rasterio.errors import RasterioError

    try:
        bands = _read_bands(path, grid, layers)
    except (RasterioError, CPLE_BaseError, OSError) as error:
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    _require(path, np.array_equal(bands, layers.bands, equal_nan=True), "the values of every cell")


def _read_bands(path: Path, grid: Grid, layers: Layers) -> Bands:
    """Read all bands of a raster whose labels are right."""
    import rasterio

    corner = (grid.cell_m, 0.0, grid.west_m, 0.0, -grid.cell_m, grid.north_m)
    factors = overview_factors(grid)
    with rasterio.open(path.absolute(), driver="GTiff") as raster:
        _require(path, raster.crs == rasterio.CRS.from_string(grid.crs), f"the CRS {grid.crs}")
        _require(path, tuple(raster.transform)[:6] == corner, "the place of the grid")
        _require(path, layers.tags.items() <= raster.tags().items(), f"the tags {', '.join(layers.tags)}")
        _require(path, raster.descriptions == layers.name, f"the bands {', '.join(layers.name)}")
        _require(path, all(raster.overviews(band) == factors for band in raster.indexes), "its overviews")
        values: Bands = raster.read()
    for level in range(len(factors)):
        with rasterio.open(path.absolute(), driver="GTiff", overview_level=level) as overview:
            _require(path, bool(np.isfinite(overview.read()).any(axis=(1, 2)).all()), f"numbers in overview {level}")
    return values


@dataclass(frozen=True, slots=True)
class _Written:
    """Rows as another library sees them; labels are unit, product and day."""

    zone: npt.NDArray[np.float64]
    rate: npt.NDArray[np.float64]
    area: npt.NDArray[np.float64]
    labels: tuple[tuple[str, str, str], ...]
    outline: npt.NDArray[np.object_]

    def rows(self, part: slice) -> _Written:
        return _Written(self.zone[part], self.rate[part], self.area[part], self.labels[part], self.outline[part])


def _read_prescription(path: Path) -> _Written:
    """The layer as another library opens it, its rows and outlines straight from the database."""
    import fiona
    from fiona._err import CPLE_BaseError
    from fiona.errors import FionaError

    try:
        with fiona.open(str(path.absolute()), layer="prescription", enabled_drivers=["GPKG"]) as layer:
            _require(path, layer.crs.to_epsg() == 4326, f"the CRS {WGS84}")
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
            text = 'SELECT zone, rate, area, unit, product, date, geom FROM "prescription" ORDER BY fid'
            rows = database.execute(text).fetchall()
        zone, rate, area = np.array([row[:3] for row in rows], dtype=np.float64).reshape(-1, 3).T
        outline = np.asarray(shapely.from_wkb([_well_known_binary(row[6]) for row in rows]), dtype=object)
    except (FionaError, CPLE_BaseError, OSError, RuntimeError, ValueError, sqlite3.Error, GEOSException) as error:
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    _require(path, None not in outline, "an outline for each row")
    return _Written(zone, rate, area, tuple((row[3], row[4], row[5] or "") for row in rows), outline)


def _well_known_binary(blob: bytes) -> bytes | None:
    """What stands behind the head of a geometry (OGC 12-128r18, 2.1.3): magic, version, flags, CRS, envelope."""
    if len(blob) < 8 or blob[:3] != b"GP\0" or blob[3] & 0b110000:
        return None  # another head than of a plain geometry that is not empty
    crs = int.from_bytes(blob[4:8], "little" if blob[3] & 1 else "big")
    envelope = _ENVELOPE_BYTES.get(blob[3] >> 1 & 0b111)
    return None if envelope is None or crs != 4326 else blob[8 + envelope :]


def _read_shapefile(path: Path) -> _Written:
    import pyogrio.raw

    try:
        meta, _, geometry, values = pyogrio.raw.read(path.absolute())
    except (RuntimeError, OSError) as error:  # pyogrio's errors are RuntimeErrors
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    _require(path, meta["crs"] == WGS84, f"the CRS {WGS84}")
    _require(path, list(meta["fields"]) == list(COLUMNS), f"the columns {', '.join(COLUMNS)}")
    column = dict(zip(COLUMNS, values, strict=True))
    return _Written(
        np.asarray(column["ZONE"], dtype=np.float64),
        np.asarray(column["RATE"], dtype=np.float64),
        np.asarray(column["AREA"], dtype=np.float64),
        tuple((unit, product, "") for unit, product in zip(column["UNIT"], column["PRODUCT"], strict=True)),
        shapely.from_wkb(geometry),
    )


def check_database(path: Path, *, rows: Mapping[str, int]) -> None:
    """Check a database's integrity, and that every feature has a row and an index entry.

    Parameters
    ----------
    rows
        Layer -> features.

    Raises
    ------
    OutputError
        When one is missing, or the file cannot be read.
    """
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
            _require(path, database.execute("PRAGMA integrity_check").fetchone() == ("ok",), "a sound database")
            for layer, expected in rows.items():
                for table in (layer, f"rtree_{layer}_geom_rowid"):
                    # Names of tables cannot be parameters; these are ours, from the call above.
                    (count,) = database.execute(f'SELECT count(*) FROM "{table}"').fetchone()
                    _require(path, count == expected, f"{expected} rows in '{table}' (it has {count})")
    except sqlite3.Error as error:
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error


def _check_styles(path: Path, styles: Mapping[str, int]) -> None:
    """Styles of each layer, and the sentence of advice."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
            found = dict(
                database.execute(
                    "SELECT f_table_name, sum(styleQML <> '' AND styleSLD <> '') FROM layer_styles GROUP BY 1"
                )
            )
            (advice,) = database.execute("SELECT metadata FROM gpkg_metadata WHERE id = 1").fetchone() or ("",)
    except sqlite3.Error as error:
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    for layer, count in styles.items():
        _require(path, found.get(layer, 0) == count, f"{count} styles of '{layer}' (it has {found.get(layer, 0)})")
    _require(path, advice.startswith(ADVICE), "its sentence of advice")


def _check_rows(
    path: Path, written: _Written, expected: ApplicationRows, *, rate_decimals: int, area_decimals: int
) -> None:
    """Every row within half a last digit, and the product total within the sum of those halves."""
    rate_half, area_half = 0.5 * 10.0**-rate_decimals, 0.5 * 10.0**-area_decimals
    _require(path, np.array_equal(written.zone, expected.zone), f"{expected.zone.size} rows with their zones")
    _require(path, _near(written.rate, expected.rate, rate_half), "the rates")
    _require(path, _near(written.area, expected.area, area_half), "the areas")
    total = float(written.rate @ written.area)
    # Twice, because the rows compared with were themselves rounded from the values that `total` adds up.
    allowed = 2 * float(rate_half * expected.area.sum() + area_half * expected.rate.sum()) + 1e-9 * expected.total
    what = f"the total of {expected.product}, {expected.total:.3f} (rates times areas give {total:.3f})"
    _require(path, abs(total - expected.total) <= allowed, what)


def _check_labels(path: Path, written: _Written, labels: tuple[str, str, str]) -> None:
    _require(path, set(written.labels) <= {labels}, f"unit, product and day {labels}")


def _check_outlines(path: Path, written: _Written, expected: tuple[Polygon, ...]) -> None:
    """Same polygons, whatever vertex their rings start at."""
    same = shapely.equals_exact(
        shapely.normalize(written.outline), shapely.normalize(np.array(expected, dtype=object)), tolerance=0.0
    )
    _require(path, bool(np.all(same)), "the outlines")


def _near(written: FloatArray, expected: FloatArray, half_digit: float) -> bool:
    return bool(np.allclose(written, expected, rtol=1e-12, atol=half_digit * 1.000001))


def _iso(day: date | None) -> str:
    return day.isoformat() if day is not None else ""


def _require(path: Path, holds: bool, what: str) -> None:  # noqa: FBT001 - reads as a sentence at every call
    if not holds:
        raise OutputError(path.name, f"read back, the file does not hold {what}", NOT_PUBLISHED)
