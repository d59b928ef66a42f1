"""Covariates from strangers' rasters and logs: what is right is kept to the digit, what is wrong is one line."""

from __future__ import annotations

import hashlib
import json
import os
import struct
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyproj
import pytest
import rasterio
from rasterio import Affine
from rasterio.enums import ColorInterp, Resampling
from rasterio.io import MemoryFile
from rasterio.vrt import WarpedVRT

from zonemap.child import import_line
from zonemap.errors import InputError
from zonemap.io import apart, covariate_rasters
from zonemap.io.folder import read_folder
from zonemap.values.case import Case
from zonemap.values.covariate import PointCovariate, RasterCovariate

Fill = Callable[..., Path]

# The field of conftest.py, -97.5 to -97.49 and 41.0 to 41.005, lies in UTM zone 14 north.
UTM = "EPSG:32614"
TO_UTM = pyproj.Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
WEST, SOUTH = 626_000.0, 4_539_700.0
DEGREES = Affine(0.0001, 0, -97.503, 0, -0.0001, 41.008)


# A child that has imported what reads rasters, and answers every request in a fork of its own.
READY = """
import os, sys, json
sys.path[:] = json.loads(sys.stdin.buffer.readline())
os.environ["OPENBLAS_NUM_THREADS"] = "1"
import rasterio
from zonemap.io import apart_rasters, apart_readers
for line in sys.stdin.buffer:
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.dup2(tell, 1)
        apart_readers.answer(json.loads(line))
        os._exit(0)
    os.close(tell)
    with open(told, "rb") as reply:
        content = reply.read()
    os.waitpid(child, 0)
    sys.stdout.buffer.write(b"%d\\n%s" % (len(content), content))
    sys.stdout.buffer.flush()
"""


@pytest.fixture(scope="module", autouse=True)
def _readers_are_ready() -> Iterator[None]:
    """Readers apart start as forks: most of the second that one takes are imports. Vectors and tables start theirs."""
    if not hasattr(os, "fork"):
        yield
        return
    with subprocess.Popen([sys.executable, "-P", "-c", READY], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as ready:
        assert ready.stdin is not None
        assert ready.stdout is not None
        asking, answers = ready.stdin, ready.stdout
        asking.write(import_line())

        def run(command: list[str], **given: Any) -> subprocess.CompletedProcess[bytes]:
            asking.write(given["input"].removeprefix(import_line()) + b"\n")
            asking.flush()
            return subprocess.CompletedProcess(command, 0, answers.read(int(answers.readline())))

        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(apart, "subprocess", SimpleNamespace(run=run, TimeoutExpired=subprocess.TimeoutExpired))
            yield
        asking.close()


def geotiff(
    values: Any,
    *,
    affine: Affine,
    crs: str | None = UTM,
    nodata: float | None = None,
    dtype: str = "float64",
    **more: Any,
) -> bytes:
    """Bytes of a GeoTIFF of one or more bands."""
    bands = np.asarray(values)
    bands = bands[None] if bands.ndim == 2 else bands
    profile = {"driver": "GTiff", "count": bands.shape[0], "height": bands.shape[1], "width": bands.shape[2]}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with MemoryFile() as memory:
            with memory.open(transform=affine, crs=crs, nodata=nodata, dtype=dtype, **profile, **more) as file:
                file.write(bands.astype(dtype))
            return bytes(memory.read())


def in_utm(values: Any, *, cell_m: float = 10.0, **more: Any) -> bytes:
    """GeoTIFF in the working CRS, its south-west corner south-west of the field."""
    rows = np.asarray(values).shape[-2]
    return geotiff(values, affine=Affine(cell_m, 0, WEST, 0, -cell_m, SOUTH + rows * cell_m), **more)


def relief(rows: int = 80, columns: int = 110, *, seed: int = 1) -> Any:
    """Smooth hills with a little noise; at 10 m they cover the field with room to spare."""
    row, column = np.mgrid[:rows, :columns]
    noise = np.random.default_rng(seed).normal(0, 0.1, (rows, columns))
    return 400 + 6 * np.sin(column / 17) + 4 * np.cos(row / 23) + noise


def covariate(text: str = "", *, name: str = "elevation", file: str = "elevation.tif") -> tuple[str, str]:
    return "", f'\n[[covariate]]\nname = "{name}"\nfile = "{file}"\n{text}\n'


@pytest.fixture
def read(field_folder: Fill) -> Callable[..., Case]:
    """Read the field with one raster, whose table may hold more keys."""

    def case(content: bytes, keys: str = "", *, file: str = "elevation.tif") -> Case:
        return read_folder(field_folder(covariate(keys, file=file), **{file: content}))

    return case


@pytest.fixture
def log(field_folder: Fill) -> Callable[..., Case]:
    """Read the field with one log of points, whose table may hold more keys."""

    def case(content: str | bytes, keys: str = "", *, file: str = "ec.csv") -> Case:
        return read_folder(field_folder(covariate(keys, name="conductivity", file=file), **{file: content}))

    return case


def logged(count: int = 400, *, header: str = "lon,lat,ec", seed: int = 3) -> str:
    """Points all over the field with four decimals of a degree."""
    rng = np.random.default_rng(seed)
    at = rng.uniform([-97.5, 41.0], [-97.49, 41.005], (count, 2))
    value = 30 + 5 * np.sin(at[:, 0] * 900) + rng.normal(0, 1, count)
    return header + "\n" + "".join(f"{x:.6f},{y:.6f},{v:.2f}\n" for (x, y), v in zip(at, value, strict=True))


def the(case: Case) -> Any:
    [only] = case.covariates
    return only


def centres(raster: RasterCovariate) -> tuple[Any, Any]:
    rows, columns = raster.value.shape
    easting = raster.west_m + (np.arange(columns) + 0.5) * raster.cell_m
    northing = raster.north_m - (np.arange(rows) + 0.5) * raster.cell_m
    return np.meshgrid(easting, northing)


# --- rasters: values


def test_pixels_in_the_working_crs_stay_as_they_are(read: Callable[..., Case]) -> None:
    values = relief()
    case = read(in_utm(values))
    raster = the(case)

    assert isinstance(raster, RasterCovariate)
    assert (raster.name, raster.cell_m) == ("elevation", 10.0)
    column, row = round((raster.west_m - WEST) / 10), round((SOUTH + 800 - raster.north_m) / 10)
    rows, columns = raster.value.shape
    assert (raster.west_m - WEST) % 10 == (raster.north_m - SOUTH) % 10 == 0
    np.testing.assert_array_equal(raster.value, values[row : row + rows, column : column + columns])
    assert case.notes == ()


def test_a_raster_reaches_over_the_field_and_the_margin_in_which_samples_are_kept(read: Callable[..., Case]) -> None:
    raster = the(
        read(
            geotiff(
                np.random.default_rng(0).normal(size=(900, 900)), affine=Affine(5, 0, WEST - 2000, 0, -5, SOUTH + 3000)
            )
        )
    )
    west, south, east, north = read_bounds()

    # a tenth of the diagonal of about 1,010 m, and no more than a few pixels beyond
    assert 90 < west - raster.west_m < 140
    assert 90 < raster.north_m - north < 140
    assert raster.west_m + raster.value.shape[1] * 5 > east + 90
    assert raster.north_m - raster.value.shape[0] * 5 < south - 90


def read_bounds() -> tuple[float, float, float, float]:
    easting, northing = TO_UTM.transform([-97.5, -97.49, -97.49, -97.5], [41.0, 41.0, 41.005, 41.005])
    return min(easting), min(northing), max(easting), max(northing)


def test_a_plane_in_degrees_is_the_same_plane_in_metres(read: Callable[..., Case]) -> None:
    row, column = np.mgrid[:120, :160]
    longitude, latitude = -97.503 + (column + 0.5) * 1e-4, 41.008 - (row + 0.5) * 1e-4
    # pixels of 8.4 x 11.1 m
    case = read(geotiff(2e4 * (longitude + 97.5) + 1e4 * (latitude - 41), affine=DEGREES, crs="EPSG:4326"))
    raster = the(case)

    back = TO_UTM.transform(*centres(raster), direction="INVERSE")
    inside = (np.abs(back[0] + 97.495) < 0.0055) & (np.abs(back[1] - 41.0025) < 0.003)
    expected = 2e4 * (back[0] + 97.5) + 1e4 * (back[1] - 41)
    assert inside.sum() > 3000
    np.testing.assert_allclose(raster.value[inside], expected[inside], atol=1e-6)
    assert raster.cell_m == pytest.approx(11.1, abs=0.05)  # never finer than the longer side of a pixel
    assert [note.text for note in case.notes] == [
        "elevation.tif: brought from EPSG:4326 to EPSG:32614; pixels are 11.1 m now."
    ]


def test_a_raster_of_another_projection_agrees_with_another_warper(read: Callable[..., Case]) -> None:
    # Peer: GDAL's warper through rasterio.vrt.WarpedVRT, bilinear, its kernel not widened. It may
    # be off by 1e-4 pixels, and the hills rise by under 1 from one pixel to the next.
    x, y = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True).transform(-97.495, 41.0025)
    affine = Affine(12, 0, x - 900, 0, -12, y + 720)
    content = geotiff(relief(120, 150), affine=affine, crs="EPSG:3857")
    raster = the(read(content))

    (height, width), cell_m = raster.value.shape, raster.cell_m
    grid = {"transform": Affine(cell_m, 0, raster.west_m, 0, -cell_m, raster.north_m), "width": width, "height": height}
    exact = {"resampling": Resampling.bilinear, "tolerance": 1e-4, "XSCALE": 1, "YSCALE": 1}
    with (
        MemoryFile(content) as memory,
        memory.open() as source,
        WarpedVRT(source, crs=UTM, nodata=-9999, **grid, **exact) as warped,
    ):
        peer = warped.read(1)
    inner = peer > 0
    inner[:5] = inner[-5:] = inner[:, :5] = inner[:, -5:] = False
    assert inner.mean() > 0.7
    np.testing.assert_allclose(raster.value[inner], peer[inner], atol=1e-4)


def test_a_raster_turned_against_north_is_turned_back(read: Callable[..., Case]) -> None:
    turned = Affine.translation(WEST - 300, SOUTH + 500) @ Affine.rotation(30) @ Affine.scale(10, -10)
    column, row = np.meshgrid(np.arange(200) + 0.5, np.arange(200) + 0.5)
    easting, northing = turned.a * column + turned.b * row + turned.c, turned.d * column + turned.e * row + turned.f
    raster = the(read(geotiff(0.01 * (easting - WEST) - 0.02 * (northing - SOUTH), affine=turned)))

    at = centres(raster)
    bounds = read_bounds()
    inside = (at[0] > bounds[0]) & (at[0] < bounds[2]) & (at[1] > bounds[1]) & (at[1] < bounds[3])
    np.testing.assert_allclose(
        raster.value[inside], (0.01 * (at[0] - WEST) - 0.02 * (at[1] - SOUTH))[inside], atol=1e-6
    )
    assert raster.cell_m == pytest.approx(10.0)


def test_longitudes_from_0_to_360_are_the_same_place(read: Callable[..., Case]) -> None:
    values = relief(120, 160)
    shifted = Affine(0.0001, 0, 360 - 97.503, 0, -0.0001, 41.008)

    plain, beyond = (the(read(geotiff(values, affine=a, crs="EPSG:4326"))) for a in (DEGREES, shifted))

    np.testing.assert_allclose(beyond.value, plain.value, atol=1e-6)


def test_a_raster_with_heights_in_its_crs_is_taken_by_its_horizontal_part(read: Callable[..., Case]) -> None:
    compound = pyproj.CRS.from_user_input("EPSG:32614+5703").to_wkt()
    values = relief()

    np.testing.assert_array_equal(the(read(in_utm(values, crs=compound))).value, the(read(in_utm(values))).value)


def test_scale_and_offset_of_a_band_are_applied(read: Callable[..., Case]) -> None:
    stored = np.round(relief() * 10).astype("int16")
    content = in_utm(stored, dtype="int16")
    with MemoryFile(content) as memory, memory.open() as source, MemoryFile() as other:
        profile = source.profile
        with other.open(**profile) as file:
            file.write(stored, 1)
            file.scales, file.offsets = (0.1,), (-50.0,)
        content = bytes(other.read())

    assert the(read(content)).value.mean() == pytest.approx(stored.mean() * 0.1 - 50, rel=0.01)
    assert the(read(content)).value.max() < 400


def test_more_pixels_than_are_kept_are_averaged(read: Callable[..., Case], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(covariate_rasters, "MOST_PIXELS", 2_000)
    values = np.random.default_rng(2).normal(size=(400, 550))

    case = read(in_utm(values, cell_m=2.0))
    raster = the(case)

    side = round(raster.cell_m / 2)
    assert raster.value.size <= 2_000
    assert side > 1
    column, row = round((raster.west_m - WEST) / 2), round((SOUTH + 800 - raster.north_m) / 2)
    block = values[row : row + side, column : column + side]
    assert raster.value[0, 0] == pytest.approx(block.mean(), abs=1e-9)
    assert f"averaged over {side} x {side} pixels" in case.notes[0].text


def test_embedded_overviews_are_left_alone(read: Callable[..., Case], tmp_path: Path) -> None:
    values = relief(160, 220)
    path = tmp_path / "with_overviews.tif"
    path.write_bytes(in_utm(values, cell_m=5.0))
    with rasterio.open(path, "r+", driver="GTiff") as file:
        file.build_overviews([2, 4], Resampling.nearest)
    content = path.read_bytes()

    assert len(content) > 1.2 * len(in_utm(values, cell_m=5.0))
    np.testing.assert_array_equal(the(read(content)).value, the(read(in_utm(values, cell_m=5.0))).value)


def test_pixels_larger_than_the_field_give_what_lies_between_their_centres(read: Callable[..., Case]) -> None:
    values = np.array([[1.0, 2.0], [3.0, 4.0]])
    raster = the(read(geotiff(values, affine=Affine(3000, 0, WEST - 2500, 0, -3000, SOUTH + 3300))))

    assert raster.value.tolist() == values.tolist()


# --- rasters: gaps


@pytest.mark.parametrize("nodata", [-9999.0, float("nan"), None])
def test_gaps_are_filled_from_the_nearest_pixel_and_their_share_is_said(
    read: Callable[..., Case], nodata: float | None
) -> None:
    west, _, _, north = read_bounds()
    values, column, row = relief(), round((west - WEST) / 10), round((SOUTH + 800 - north) / 10)
    # 20 x 30 pixels of 100 m2 in a field of 46.6 ha: 12.9 %
    values[row + 10 : row + 30, column + 20 : column + 50] = nodata if nodata is not None else 1e30
    case = read(in_utm(values, nodata=nodata))

    assert np.isfinite(the(case).value).all()
    assert the(case).value.max() < 420
    [note] = case.notes
    share = float(note.text.split("over ")[1].split("%")[0])
    assert share == pytest.approx(12.9, abs=0.2)
    assert "filled from the nearest pixels" in note.text


def test_transparent_pixels_are_gaps_and_transparency_is_no_band(read: Callable[..., Case]) -> None:
    values, opaque = relief(), np.full((80, 110), 255.0)
    opaque[30:40, 40:50] = 0
    content = in_utm(np.stack([values, opaque]), dtype="float32", alpha="yes")
    with MemoryFile(content) as memory, memory.open() as file:
        assert file.colorinterp == (ColorInterp.gray, ColorInterp.alpha)

    assert "has no value over 2." in read(content).notes[0].text


def test_a_tiny_gap_is_said_too(read: Callable[..., Case]) -> None:
    values = relief(1600, 2200, seed=4)
    west, south, east, north = read_bounds()
    column, row = (west + east) / 2 - WEST, SOUTH + 800 - (south + north) / 2
    # one pixel of 0.5 m, which the lattice over the field may miss
    values[round(row * 2), round(column * 2)] = -9999

    assert "has no value over under 0.1% of the field" in read(in_utm(values, cell_m=0.5, nodata=-9999)).notes[0].text


def test_a_raster_cut_along_the_boundary_has_nothing_to_fill(read: Callable[..., Case]) -> None:
    values = relief()
    west, south, east, north = read_bounds()
    first, last = int((west - WEST) // 10) - 1, int((east - WEST) // 10) + 2
    top, bottom = int((SOUTH + 800 - north) // 10) - 1, int((SOUTH + 800 - south) // 10) + 2
    cut = np.full_like(values, -9999.0)
    cut[top:bottom, first:last] = values[top:bottom, first:last]

    assert read(in_utm(cut, nodata=-9999)).notes == ()


def test_a_field_of_which_much_is_missing_is_refused(read: Callable[..., Case]) -> None:
    values = relief()
    values[:, 50:] = -9999

    with pytest.raises(
        InputError, match=r"elevation.tif: has no value over \d\d% of the field. Give a raster that covers"
    ):
        read(in_utm(values, nodata=-9999))
    with pytest.raises(InputError, match=r"no value over 100% of the field. Give a raster that covers"):
        read(in_utm(np.full((80, 110), -9999.0), nodata=-9999))


# --- rasters: refusals and warnings


def test_a_raster_without_crs_is_refused_until_one_is_stated(read: Callable[..., Case]) -> None:
    content = in_utm(relief(), crs=None)

    with pytest.raises(InputError, match=r'does not say which CRS.*set crs = "EPSG:\.\.\." under \[\[covariate\]\]'):
        read(content)
    assert the(read(content, f'crs = "{UTM}"')).cell_m == 10.0
    with pytest.raises(InputError, match=r"says it is in EPSG:32614.*Remove crs"):
        read(in_utm(relief()), 'crs = "EPSG:32615"')
    with pytest.raises(InputError, match=r"look like metres.*Give the projected CRS"):
        read(content, 'crs = "EPSG:4326"')


@pytest.mark.parametrize(
    ("affine", "crs"),
    [
        (Affine(0.0001, 0, -97.503, 0, -0.0001, -40.992), "EPSG:4326"),  # south of the equator
        (Affine(10, 0, WEST, 0, -10, SOUTH + 800), "EPSG:32615"),  # the next zone
        (Affine(10, 0, WEST + 5000, 0, -10, SOUTH + 800), UTM),  # beside the field
        (Affine(0.0001, 0, 41.008, 0, -0.0001, -97.503 + 180), "EPSG:4326"),
    ],
)
def test_a_raster_of_another_place_is_refused_with_both_places(
    read: Callable[..., Case], affine: Affine, crs: str
) -> None:
    with pytest.raises(
        InputError, match=r"does not reach the field: it covers .* at longitude -97.49.*wrong CRS\?"
    ) as it:
        read(geotiff(relief(), affine=affine, crs=crs))
    assert it.value.where == "elevation.tif"


def test_bands_are_asked_about_and_checked(read: Callable[..., Case]) -> None:
    both = np.stack([relief(seed=1), relief(seed=2) + 100])

    with pytest.raises(InputError, match=r"holds 2 bands. Say which under field.toml, covariate 1: band = 1"):
        read(in_utm(both))
    assert the(read(in_utm(both), "band = 2")).value.min() > 480
    with pytest.raises(InputError, match=r"covariate 1, band: elevation.tif has no band 3 of values. Use one of 1, 2"):
        read(in_utm(both), "band = 3")
    with pytest.raises(InputError, match="band = 1"):
        read(in_utm(both), "band = 0")


def test_complex_numbers_are_refused(read: Callable[..., Case]) -> None:
    with pytest.raises(InputError, match=r"band 1 holds complex numbers. Export the part"):
        read(in_utm(relief(), dtype="complex64"))


def test_classes_are_treated_as_numbers_with_a_warning(read: Callable[..., Case]) -> None:
    row, column = np.mgrid[:80, :110]
    few = (row // 20 + column // 20) % 5
    many = (row + column) % 40
    with MemoryFile(in_utm(many, dtype="uint8")) as memory, memory.open() as source, MemoryFile() as other:
        with other.open(**source.profile, photometric="palette") as file:
            file.write(many.astype("uint8"), 1)
            file.write_colormap(1, {n: (n, n, n, 255) for n in range(40)})
        palette = bytes(other.read())

    assert "looks like classes; they are treated as numbers" in read(in_utm(few, dtype="int16")).notes[0].text
    assert "looks like classes; they are treated as numbers" in read(palette).notes[0].text
    assert read(in_utm(many, dtype="int16")).notes == ()


def test_a_constant_is_left_out_with_a_warning(read: Callable[..., Case]) -> None:
    case = read(in_utm(np.full((80, 110), 412.5)))

    assert case.covariates == ()
    assert case.notes[0].text == "elevation.tif: elevation is 412.5 all over the field, which tells nothing; left out."


def test_values_far_from_the_others_are_named_and_kept(read: Callable[..., Case]) -> None:
    values = relief()
    values[40:43, 50:53] = -9999.0  # a "nothing measured" that the file does not declare
    case = read(in_utm(values))

    assert the(case).value.min() == -9999
    assert "far from the median" in case.notes[0].text
    assert "all values are kept" in case.notes[0].text


VRT = '<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand><SimpleSource><SourceFilename>/etc/passwd'
HEADER = in_utm(relief())


def huge_header() -> bytes:
    """A file of some 200 bytes that claims one strip of a million by a million pixels (TIFF 6.0, section 2)."""
    entries = [
        (256, 4, 1, 1_000_000), (257, 4, 1, 1_000_000), (258, 3, 1, 32), (259, 3, 1, 1), (262, 3, 1, 1),
        (273, 4, 1, 8), (277, 3, 1, 1), (278, 4, 1, 1_000_000), (279, 4, 1, 100), (339, 3, 1, 3),
        (33550, 12, 3, 400), (33922, 12, 6, 424),
    ]  # fmt: skip
    directory = struct.pack("<H", len(entries)) + b"".join(struct.pack("<HHII", *entry) for entry in entries)
    head = b"II*\0" + struct.pack("<I", 16) + bytes(8) + directory + bytes(4)
    numbers = struct.pack("<3d", 0.001, 0.001, 0) + struct.pack("<6d", 0, 0, 0, WEST, SOUTH + 900, 0)
    return head.ljust(400, b"\0") + numbers


@pytest.mark.parametrize(
    ("content", "mend"),
    [
        (VRT.encode(), "not a GeoTIFF, whatever its name says. Save it as GeoTIFF"),
        (b"lon,lat,ec\n1,2,3\n", "not a GeoTIFF, whatever its name says. Save it as GeoTIFF"),
        (b"", "not a GeoTIFF, whatever its name says. Save it as GeoTIFF"),
        (b"II*\0", "Open it in the program that made it"),
        (HEADER[:200], "Open it in the program that made it|Export it again"),
        (HEADER[: len(HEADER) // 2], "Open it in the program that made it|Export it again"),
        (b"II*\0" + b"\xff" * 5000, "Open it in the program that made it"),
        (geotiff(relief(), affine=Affine.identity(), crs=None), "does not say where its pixels lie. Export it again"),
    ],
    ids=["vrt", "text", "empty", "mark", "header", "half", "noise", "no place"],
)
def test_a_file_that_is_no_whole_geotiff_is_refused(read: Callable[..., Case], content: bytes, mend: str) -> None:
    with pytest.raises(InputError, match=rf"elevation\.tif: .*({mend})"):
        read(content)


def test_a_header_that_claims_more_than_memory_is_refused(read: Callable[..., Case]) -> None:
    with pytest.raises(InputError, match=r"Resample it to about|Export it again in tiles|Open it in the program"):
        read(huge_header(), f'crs = "{UTM}"')


def test_a_block_too_large_to_decode_is_refused(read: Callable[..., Case]) -> None:
    # one tile of 16,384 x 16,384 pixels that was never written: a few hundred bytes that stand for 512 MB
    profile = {"driver": "GTiff", "count": 1, "height": 12_000, "width": 12_000, "dtype": "uint16", "crs": UTM}
    tiled = {"tiled": True, "blockxsize": 16_384, "blockysize": 16_384, "sparse_ok": True, "compress": "deflate"}
    with MemoryFile() as memory:
        memory.open(transform=Affine(0.1, 0, WEST, 0, -0.1, SOUTH + 800), **profile, **tiled).close()
        content = bytes(memory.read())

    with pytest.raises(InputError, match=r"blocks of 16,384 x 16,384 pixels, 512 MB each\. Export it again in tiles"):
        read(content)


def test_a_raster_with_bytes_lost_or_changed_reads_or_is_refused(read: Callable[..., Case]) -> None:
    whole = in_utm(relief(), compress="deflate", dtype="float32")
    chance = np.random.default_rng(7)
    refused = 0

    for turn in range(6):
        content = bytearray(whole[: chance.integers(100, len(whole))] if turn % 2 else whole)
        for _ in range(0 if turn % 2 else 40):
            content[int(chance.integers(4, len(content)))] = int(chance.integers(256))
        try:
            read(bytes(content))
        except InputError as error:
            refused += bool(error.mend)

    assert refused > 0


@pytest.mark.parametrize(
    ("file", "mend"),
    [
        ("../elevation.tif", "Put the file into the field folder"),
        ("/vsicurl/http://example.org/a.tif", "Put the file into the field folder"),
        ("GTIFF_DIR:1:elevation.tif", "Put the file into the field folder|Name a file that is there"),
        ("elevation.vrt", r"Save it as GeoTIFF \(.tif\), or its points as .csv"),
        ("lost.tif", "Name a file that is there"),
    ],
)
def test_a_file_key_that_leads_elsewhere_is_refused(field_folder: Fill, file: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder(covariate(file=file), **{"elevation.vrt": VRT}))


# --- logged points


def test_points_are_read_in_the_order_of_the_file(log: Callable[..., Case]) -> None:
    case = log(logged())
    points = the(case)

    assert isinstance(points, PointCovariate)
    table = np.array([line.split(",") for line in logged().splitlines()[1:]], dtype=float)
    easting, northing = TO_UTM.transform(table[:, 0], table[:, 1])
    np.testing.assert_allclose(points.easting_m, easting, atol=1e-6)
    np.testing.assert_allclose(points.northing_m, northing, atol=1e-6)
    np.testing.assert_array_equal(points.value, table[:, 2])
    assert [note.text for note in case.notes] == [
        "ec.csv: values are from column 'ec', the only one that holds numbers."
    ]
    assert log(logged(), 'column = "ec"').notes == ()


def test_points_of_a_vector_file_are_the_same(log: Callable[..., Case]) -> None:
    rows = [line.split(",") for line in logged(60).splitlines()[1:]]
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [float(x), float(y)]},
            "properties": {"ec": float(v)},
        }
        for x, y, v in rows
    ]
    content = json.dumps({"type": "FeatureCollection", "features": features})

    from_vector, from_table = the(log(content, file="ec.geojson")), the(log(logged(60)))

    np.testing.assert_allclose(from_vector.easting_m, from_table.easting_m, atol=1e-6)
    np.testing.assert_array_equal(from_vector.value, from_table.value)
    with pytest.raises(InputError, match=r"holds the positions itself. Remove the key"):
        log(content, 'columns = { longitude = "x", latitude = "y" }', file="ec.geojson")


def test_a_misspelt_column_is_guessed_at_and_several_are_asked_about(log: Callable[..., Case]) -> None:
    lines = logged(20).splitlines()
    two = "\n".join([lines[0].replace("ec", "id,ec_shallow,ec_deep,operator")] + [
        line.rsplit(",", 1)[0] + f",{n},{line.rsplit(',', 1)[1]},{n}.5,anybody" for n, line in enumerate(lines[1:])
    ])  # fmt: skip

    with pytest.raises(
        InputError, match=r"covariate 1, column: ec.csv has no column 'ec_shalow'. Did you mean 'ec_shallow'"
    ):
        log(two, 'column = "ec_shalow"')
    with pytest.raises(InputError, match=r'ec_shallow, ec_deep. Say which under .*covariate 1: column = "ec_shallow"'):
        log(two)
    with pytest.raises(InputError, match=r"'lat' holds a coordinate. Name the column of the values"):
        log(two, 'column = "lat"')
    with pytest.raises(InputError, match=r"no column holds numbers besides the coordinates \(lon, lat\).*column = "):
        log("\n".join(line.rsplit(",", 1)[0] for line in lines))


def test_coordinates_under_other_headers_are_named(log: Callable[..., Case]) -> None:
    content = logged(30, header="Long deg,Breite,ec")

    with pytest.raises(InputError, match=r"columns known to hold the positions. Say where they are: columns = "):
        log(content, 'column = "ec"')
    keys = 'column = "ec"\ncolumns = { longitude = "Long deg", latitude = "Breite" }'
    np.testing.assert_array_equal(the(log(content, keys)).easting_m, the(log(logged(30))).easting_m)
    with pytest.raises(InputError, match=r'there is longitude but no latitude. Add latitude = "..." to columns'):
        log(content, 'column = "ec"\ncolumns = { longitude = "Long deg" }')
    with pytest.raises(InputError, match="Did you mean 'Breite'"):
        log(content, 'column = "ec"\ncolumns = { longitude = "Long deg", latitude = "Brete" }')


def test_rows_that_cannot_be_used_are_left_out_with_one_note(log: Callable[..., Case]) -> None:
    rows = logged(50).splitlines()
    rows[3] = rows[3].rsplit(",", 1)[0] + ","
    rows[4] = rows[4].rsplit(",", 1)[0] + ",err"
    rows[5] = "," + rows[5].split(",", 1)[1]
    rows[6] = "-97.6,41.002,30"
    rows[7] = "999.9,999.9,30"  # a receiver without a fix
    case = log("\n".join(rows), 'column = "ec"')

    assert len(the(case).value) == 45
    [note] = case.notes
    assert note.text == (
        "ec.csv: 5 of 50 rows left out: 1 without a place, 2 more than 102 m outside the field, "
        "2 without a number to use."
    )


def test_under_eight_usable_points_are_refused(log: Callable[..., Case]) -> None:
    assert len(the(log(logged(8))).value) == 8
    with pytest.raises(InputError, match=r"7 of 7 rows have a number and a place in the field. Give 8 points or more"):
        log(logged(7))
    with pytest.raises(InputError, match=r"holds no points. Put one row a point"):
        log("lon,lat,ec\n")


@pytest.mark.parametrize(
    ("old", "new", "keys", "mend"),
    [
        (",41.", ",-41.", "", "200 of 200 points lie away from the field. Is it the wrong field"),
        ("-97.", "97.", "", "200 of 200 points lie away from the field. Is it the wrong field"),
        ("lon,lat", "lat,lon", "", "look swapped|Set swap = true"),
        ("lon,lat", "easting,northing", "", r"covariate 1, crs: is missing.*Say which: crs = "),
        ("lon,lat", "easting,northing", 'crs = "EPSG:32614"', "look like degrees.*Give the CRS the numbers are in"),
        ("lon,lat", "lon,lat", 'crs = "EPSG:32614"', "Name the columns easting and northing"),
        ("lon,lat", "lon,lat", "swap = true", "look swapped|Remove swap = true"),
    ],
)
def test_points_of_another_place_or_kind_are_refused(
    log: Callable[..., Case], old: str, new: str, keys: str, mend: str
) -> None:
    with pytest.raises(InputError, match=mend):
        log(logged(200).replace(old, new), keys)


def test_swap_exchanges_the_coordinates(log: Callable[..., Case]) -> None:
    exchanged = logged(40).replace("lon,lat", "lat,lon")

    np.testing.assert_array_equal(the(log(exchanged, "swap = true")).easting_m, the(log(logged(40))).easting_m)


def test_a_log_with_decimal_commas_is_the_same_log(log: Callable[..., Case]) -> None:
    commas = logged(40).replace(",", ";").replace(".", ",")

    np.testing.assert_array_equal(the(log(commas)).value, the(log(logged(40))).value)


def test_points_in_eastings_and_northings_need_their_crs(log: Callable[..., Case]) -> None:
    rows = [line.split(",") for line in logged(40).splitlines()[1:]]
    at = [(*TO_UTM.transform(float(x), float(y)), v) for x, y, v in rows]
    content = "x,y,ec\n" + "".join(f"{x:.3f},{y:.3f},{v}\n" for x, y, v in at)

    np.testing.assert_allclose(
        the(log(content, 'crs = "EPSG:32614"')).easting_m, the(log(logged(40))).easting_m, atol=0.001
    )


def test_spikes_of_a_sensor_are_named_and_kept(log: Callable[..., Case]) -> None:
    rows = logged(200).splitlines()
    rows[9], rows[10] = (row.rsplit(",", 1)[0] + ",3000" for row in rows[9:11])
    case = log("\n".join(rows), 'column = "ec"')

    assert the(case).value.max() == 3000
    assert "1.00% of conductivity over the field is far from the median" in case.notes[0].text
    assert "(3000)" in case.notes[0].text


def test_a_log_of_half_the_field_is_warned_about(log: Callable[..., Case]) -> None:
    rows = logged(400).splitlines()
    half = [rows[0]] + [row for row in rows[1:] if float(row.split(",")[0]) < -97.495]

    [note] = log("\n".join(half), 'column = "ec"').notes

    # half of the field, less the reach of 5 % of the diagonal (50 m of 840 m) or five spacings
    share = float(note.text.split(": ")[1].split("%")[0])
    assert 35 < share < 45
    assert "Log the rest of the field" in note.text


def test_a_constant_log_is_left_out(log: Callable[..., Case]) -> None:
    header, *rows = logged(20).splitlines()
    constant = "\n".join([header, *(row.rsplit(",", 1)[0] + ",5" for row in rows)])
    case = log(constant)

    assert case.covariates == ()
    assert "which tells nothing; left out" in case.notes[-1].text


# --- field.toml and the case


def test_covariates_keep_their_order_and_their_files_are_hashed(field_folder: Fill) -> None:
    files = {"ec.csv": logged(40).encode(), "elevation.tif": in_utm(relief())}
    folder = field_folder(covariate(name="EC", file="ec.csv"), covariate(), **files)
    case = read_folder(folder)

    assert [c.name for c in case.covariates] == ["EC", "elevation"]
    hashes = dict(case.input_sha256)
    assert {name: hashes[name] for name in files} == {n: hashlib.sha256(c).hexdigest() for n, c in files.items()}


def test_a_field_without_covariates_has_none(field_folder: Fill) -> None:
    assert read_folder(field_folder()).covariates == ()


@pytest.mark.parametrize(
    ("toml", "mend"),
    [
        (
            covariate()[1] + covariate(name="Elevation")[1],
            r"covariate 2, name: 'Elevation' is the name of covariate 1 too",
        ),
        (covariate("colum = 'ec'")[1], r"covariate 1, colum: is not a key this knows. Did you mean column"),
        ('\n[[covariate]]\nname = "a"\n', r"covariate 1, file: is missing. Name its file"),
        ("\n[covariate]\nname = 'a'\nfile = 'b'\n", r"covariate: .*two brackets"),
        ("".join(covariate(name=f"c{n}")[1] for n in range(21)), "at most 20 covariates"),
        (covariate("column = 'ec'")[1], "covariate 1, column: means nothing for elevation.tif. Remove the key"),
        (covariate("band = 1", file="ec.csv")[1], "covariate 1, band: means nothing for ec.csv. Remove the key"),
    ],
)
def test_keys_that_cannot_be_meant_are_refused(field_folder: Fill, toml: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder(("", toml), **{"elevation.tif": HEADER, "ec.csv": logged(20)}))
