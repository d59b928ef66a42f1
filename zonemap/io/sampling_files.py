"""Places of samples as files: GeoPackage, CSV and GPX, the same degrees in all of them, each read back."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
from shapely import Point

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.io.coordinates import transform_points
from zonemap.io.csv_rows import write_csv
from zonemap.io.geopackage import Layer, boundary_layer, no_spread_layer, text_column, write_layer, writer_told
from zonemap.io.gpx import Waypoint, write_gpx
from zonemap.io.prescription_rows import UNSTATED_DAY, WGS84
from zonemap.io.verify import check_database
from zonemap.values.sampling import Sampling

GEOPACKAGE, TABLE, WAYPOINTS = "sampling.gpkg", "sampling.csv", "sampling.gpx"
#: of a degree: a hundredth of a metre, nearer than any receiver
DECIMALS = 7
ROUTE = "In walking order, as the crow flies."


def degrees_of(sampling: Sampling) -> tuple[list[float], list[float]]:
    """Longitudes and latitudes (WGS 84) of the places, rounded as they are written; -180 up to below 180.

    Raises
    ------
    OutputError
        When a place cannot be told in degrees.
    """
    places = sampling.places
    longitude, latitude = transform_points(
        places.easting_m, places.northing_m, source=sampling.about.field.crs, target=WGS84
    )
    if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
        what = f"a place lies outside {sampling.about.field.crs}"
        raise OutputError(TABLE, what, "Set another working_crs in field.toml.")
    longitude = np.round((longitude + 180.0) % 360.0 - 180.0, DECIMALS)
    longitude[longitude >= 180.0] -= 360.0
    return longitude.tolist(), np.round(latitude, DECIMALS).tolist()


def sampling_columns(sampling: Sampling) -> dict[str, Sequence[str | float]]:
    """Columns of the table, a row a place in walking order.

    ``worth`` is money on the whole field where the losses are money, else a share of the loss (or variance) now.
    """
    places, worth = sampling.places, sampling.worth
    longitude, latitude = degrees_of(sampling)
    columns: dict[str, Sequence[str | float]] = {
        "id": places.name,
        "order": list(range(1, places.count + 1)),
        "kind": places.kind,
        "beside": places.beside,
        "longitude": longitude,
        "latitude": latitude,
    }
    if worth is not None:
        area = sampling.about.field.area_ha
        factor = area if worth.measure == "money" else 1.0 / worth.now if worth.now > 0 else 0.0
        columns["rank"] = list(places.rank)
        columns["worth"] = [float(f"{each * factor:.6g}") for each in places.saves.tolist()]
    return columns


def write_sampling(
    folder: Path,
    sampling: Sampling,
    columns: Mapping[str, Sequence[str | float]],
    *,
    descriptions: Sequence[str],
    title: str,
) -> None:
    """Write the three files and read them back.

    Parameters
    ----------
    columns
        Those of `sampling_columns`.
    descriptions
        (n) what is to be known of each place, for the receiver.
    title
        Of the walk.

    Raises
    ------
    OutputError
        When a file cannot be written or does not hold what was written.
    """
    write_csv(folder / TABLE, columns)
    _write_geopackage(folder / GEOPACKAGE, sampling, columns)
    degrees = ([f"{each:.{DECIMALS}f}" for each in columns[name]] for name in ("longitude", "latitude"))
    rows = zip(*degrees, sampling.places.name, descriptions, sampling.places.kind, strict=True)
    waypoints = [Waypoint(*row) for row in rows]
    write_gpx(folder / WAYPOINTS, title=title, description=ROUTE, waypoints=waypoints)
    _read_back(folder, sampling, columns)


def _write_geopackage(path: Path, sampling: Sampling, columns: Mapping[str, Sequence[str | float]]) -> None:
    field, units = sampling.about.field, sampling.about.units
    points = [Point(float(x), float(y)) for x, y in zip(columns["longitude"], columns["latitude"], strict=True)]
    values = {
        name: np.array(cells) if isinstance(cells[0], int | float) else text_column([str(cell) for cell in cells])
        for name, cells in columns.items()
    }
    layers = (
        Layer("sampling", "Where to take samples, in walking order.", WGS84, "Point", points, values),
        boundary_layer(field, units),
        no_spread_layer(field),
    )
    with writer_told(UNSTATED_DAY):
        for layer in layers:
            write_layer(path, layer, "")


def _read_back(folder: Path, sampling: Sampling, columns: Mapping[str, Sequence[str | float]]) -> None:
    """Open database and waypoints with other readers than wrote them."""
    import pyogrio.raw
    import shapely

    path = folder / GEOPACKAGE
    closed = len(sampling.about.field.no_spread)
    check_database(path, rows={"sampling": sampling.places.count, "boundary": 1, "no_spread": closed})
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
        rows = database.execute("SELECT id, longitude, latitude, kind FROM sampling ORDER BY fid").fetchall()
    expected = list(zip(*(columns[name] for name in ("id", "longitude", "latitude", "kind")), strict=True))
    if rows != expected:
        raise OutputError(path.name, "read back, the file does not hold its places", NOT_PUBLISHED)
    path = folder / WAYPOINTS
    try:
        _, _, geometry, fields = pyogrio.raw.read(path.absolute(), layer="waypoints", columns=["name"])
    except (RuntimeError, OSError) as error:  # pyogrio's errors are RuntimeErrors
        raise OutputError(path.name, f"the file cannot be read back ({error})", NOT_PUBLISHED) from error
    at = shapely.get_coordinates(shapely.from_wkb(geometry)).tolist()
    if [(name, *place) for name, place in zip(fields[0], at, strict=True)] != [row[:3] for row in expected]:
        raise OutputError(path.name, "read back, the file does not hold its places", NOT_PUBLISHED)
