import hashlib
import struct
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pyogrio
import pyogrio.raw
import pytest
import shapely
from fiona._err import CPLE_AppDefinedError
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import OutputError
from zonemap.io.prescription_rows import application_rows
from zonemap.io.shapefile import (
    COLUMNS,
    EXTENSIONS,
    NUMBERS,
    README,
    TEXT_OCTETS,
    fitted,
    shapefile_stems,
    write_shapefiles,
)
from zonemap.units import KG_PER_LB
from zonemap.values.note import Note
from zonemap.values.season import Product


def written(folder: Path, plan: Any, **changes: Any) -> tuple[Path, ...]:
    given = {"field_name": plan.field.name, "prescription": plan.prescription, "written_on": date(2026, 5, 1)}
    return write_shapefiles(folder, **{**given, **changes})


def read(path: Path) -> tuple[dict[str, Any], np.ndarray[Any, Any], dict[str, Any]]:
    """Read by pyogrio, whose wheel carries another GDAL than the writer's."""
    meta, _, geometry, values = pyogrio.raw.read(path)
    return meta, shapely.from_wkb(geometry), dict(zip(meta["fields"], values, strict=True))


def named(plan: Any, *names: str, on: tuple[date | None, ...] | None = None) -> Any:
    """Return the prescription with one application a name."""
    first = plan.prescription.applications[0]
    days = on or (first.on,) * len(names)
    applications = tuple(replace(first, product=Product(n, {}), on=d) for n, d in zip(names, days, strict=True))
    return replace(plan.prescription, applications=applications)


def dbf_fields(path: Path) -> list[tuple[str, str, int, int]]:
    """Name, type, width and decimals by the bytes of the header (dBASE III+ table file: descriptors of 32 bytes)."""
    header = path.read_bytes()
    (length,) = struct.unpack("<H", header[8:10])
    descriptors = [header[start : start + 32] for start in range(32, length - 1, 32)]
    return [(d[:11].split(b"\0")[0].decode(), chr(d[11]), d[16], d[17]) for d in descriptors]


def test_one_set_an_application_named_by_field_day_and_product(tmp_path: Path, plan: Any) -> None:
    paths = written(tmp_path, plan)
    assert [path.name.split("_")[2:4] for path in paths] == [["2026-05-20", "potash.shp"], ["undated", "Senor"]]
    expected = {path.with_suffix(extension).name for path in paths for extension in EXTENSIONS} | {README}
    assert {path.name for path in tmp_path.iterdir()} == expected


def test_columns_have_exactly_the_stated_types_and_widths(tmp_path: Path, plan: Any) -> None:
    fields = dbf_fields(written(tmp_path, plan)[0].with_suffix(".dbf"))
    assert fields == [
        ("ZONE", "N", 4, 0),
        ("RATE", "N", 10, 2),
        ("UNIT", "C", 8, 0),
        ("PRODUCT", "C", 32, 0),
        ("AREA", "N", 14, 6),
    ]
    assert {name: (width, decimals) for name, kind, width, decimals in fields if kind == "N"} == NUMBERS
    assert {name: width for name, kind, width, _ in fields if kind == "C"} == TEXT_OCTETS
    assert all(len(name) <= 10 for name in COLUMNS)


def test_values_read_back_to_the_last_digit_of_their_column(tmp_path: Path, plan: Any) -> None:
    for path, application in zip(written(tmp_path, plan), plan.prescription.applications, strict=True):
        meta, _, column = read(path)
        rows = application_rows(plan.prescription, application, where="")
        assert meta["crs"] == "EPSG:4326"
        assert meta["encoding"] == "UTF-8"
        assert column["ZONE"].tolist() == rows.zone.tolist() == [1, 2, 0]
        assert column["RATE"] == pytest.approx(rows.rate, abs=0.005 + 1e-9)
        assert column["AREA"] == pytest.approx(rows.area, abs=0.0000005 + 1e-9)
        assert set(column["UNIT"]) == {rows.rate_unit}
        assert set(column["PRODUCT"]) == {application.product.name}


def test_rate_times_area_in_the_file_adds_up_to_the_product_total(tmp_path: Path, plan: Any) -> None:
    kg = KG_PER_LB if plan.prescription.units == "us" else 1.0
    for path, application in zip(written(tmp_path, plan), plan.prescription.applications, strict=True):
        _, _, column = read(path)
        rounding = float(np.sum(0.005 * column["AREA"] + 0.0000005 * column["RATE"])) * kg
        total = float(column["RATE"] @ column["AREA"]) * kg
        assert total == pytest.approx(plan.prescription.total_kg(application), abs=rounding)


def test_outlines_are_single_polygons_with_clockwise_outer_rings(tmp_path: Path, plan: Any) -> None:
    # ESRI Shapefile Technical Description (1998), section Polygon: outer rings turn clockwise.
    path = written(tmp_path, plan)[0]
    content = path.read_bytes()[100:]
    for _ in plan.prescription.polygon:
        (words,) = struct.unpack(">i", content[4:8])
        record, content = content[8 : 8 + 2 * words], content[8 + 2 * words :]
        kind, parts, points = struct.unpack("<i", record[:4])[0], *struct.unpack("<2i", record[36:44])
        ring = np.frombuffer(record[44 + 4 * parts :], dtype="<f8").reshape(points, 2)
        assert (kind, parts) == (5, 1)
        assert not shapely.LinearRing(ring).is_ccw
    assert content == b""


def test_outlines_read_back_as_a_valid_coverage_to_nine_decimals(tmp_path: Path, plan: Any) -> None:
    _, outlines, _ = read(written(tmp_path, plan)[0])
    coordinates = shapely.get_coordinates(outlines)
    assert np.array_equal(coordinates, np.round(coordinates, 9))
    assert shapely.coverage_is_valid(outlines)


def test_a_hole_stays_a_hole(tmp_path: Path, plan: Any) -> None:
    outer = shapely.box(500_000, 4_650_000, 500_300, 4_650_300)
    ring = outer.difference(shapely.box(500_100, 4_650_100, 500_200, 4_650_200))
    prescription = replace(plan.prescription, polygon=(ring,), zone=np.array([1]))
    _, outlines, _ = read(written(tmp_path, plan, prescription=prescription)[0])
    assert len(outlines[0].interiors) == 1


def test_files_say_wgs84_and_utf8(tmp_path: Path, plan: Any) -> None:
    path = written(tmp_path, plan)[0]
    assert path.with_suffix(".cpg").read_text() == "UTF-8"
    assert 'GCS["GCS_WGS_1984"' in path.with_suffix(".prj").read_text().replace("GEOGCS", "GCS")


def test_the_dbf_states_the_given_day_and_not_the_clock(tmp_path: Path, plan: Any) -> None:
    header = written(tmp_path, plan)[0].with_suffix(".dbf").read_bytes()
    assert tuple(header[1:4]) == (126, 5, 1)  # years since 1900, month, day


def test_the_same_prescription_gives_the_same_bytes(tmp_path: Path, plan: Any) -> None:
    hashes = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        written(tmp_path / name, plan)
        files = sorted((tmp_path / name).iterdir())
        hashes.append([(file.name, hashlib.sha256(file.read_bytes()).hexdigest()) for file in files])
    assert hashes[0] == hashes[1]


def test_long_product_names_that_begin_alike_stay_apart(tmp_path: Path, plan: Any) -> None:
    same = "sulphate of potash magnesia, granular"
    paths = written(tmp_path, plan, prescription=named(plan, f"{same}, red", f"{same}, white"))
    products = [read(path)[2]["PRODUCT"][0] for path in paths]
    assert len(set(products)) == 2
    assert all(len(product.encode()) <= 32 for product in products)


def test_products_that_differ_in_case_only_get_their_own_files(plan: Any) -> None:
    stems = shapefile_stems("north", named(plan, "Urea", "urea"))
    assert len({stem.casefold() for stem in stems}) == 2


def test_one_product_on_two_days_gets_two_files_with_one_name(plan: Any) -> None:
    stems = shapefile_stems("north", named(plan, "urea", "urea", on=(date(2026, 5, 1), date(2026, 6, 1))))
    assert stems == ("north_2026-05-01_urea", "north_2026-06-01_urea")


def test_one_product_twice_on_a_day_is_refused(plan: Any) -> None:
    with pytest.raises(OutputError, match="Join the two rates"):
        shapefile_stems("north", named(plan, "urea", "urea"))


@pytest.mark.parametrize("rate", [1e300, 1e8, -1.0, np.nan, np.inf])
def test_a_rate_that_does_not_fit_is_refused(tmp_path: Path, plan: Any, rate: float) -> None:
    application = replace(plan.prescription.applications[0], rate_kg_ha=np.array([100.0, rate]))
    prescription = replace(plan.prescription, applications=(application,))
    with pytest.raises(OutputError, match=r"Check the unit|check prices"):
        written(tmp_path, plan, prescription=prescription)
    assert list(tmp_path.iterdir()) == []


def test_a_zone_number_beyond_four_digits_is_refused() -> None:
    with pytest.raises(OutputError, match="the column takes 0 to 9999"):
        fitted(np.array([10_000.0]), column="ZONE", where="a.shp")


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(sorted(NUMBERS)))
def test_what_is_accepted_is_written_within_its_width(value: float, column: str) -> None:
    width, decimals = NUMBERS[column]
    try:
        accepted = fitted(np.array([value]), column=column, where="a.shp")[0]
    except OutputError:
        assert not 0 <= value < 10.0 ** (width - decimals - 1)
    else:
        text = f"{accepted:.{decimals}f}"
        assert len(text) <= width
        assert not text.startswith("-")


def test_the_readme_explains_every_column_and_carries_the_cautions(tmp_path: Path, plan: Any) -> None:
    written(tmp_path, plan, notes=[Note("caution", "Keep off the well.")])
    text = (tmp_path / README).read_text(encoding="utf-8")
    assert all(f"\n{column} " in text for column in COLUMNS)
    assert ("lb/ac" if plan.prescription.units == "us" else "kg/ha") in text
    assert "Caution: Keep off the well." in text
    assert "licensed practice" in text


def test_a_missing_folder_is_an_output_error(tmp_path: Path, plan: Any) -> None:
    with pytest.raises(OutputError, match="Check free space and permission"):
        written(tmp_path / "nowhere", plan)


def test_a_driver_that_fails_only_when_it_closes_is_a_refusal(
    tmp_path: Path, plan: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = fiona.Collection.close

    def failing(collection: Any) -> None:
        real(collection)
        # what a full disk was seen to answer at the last flush
        raise CPLE_AppDefinedError(3, 1, b"Failure seeking to position before writing DBF record 0.")

    monkeypatch.setattr(fiona.Collection, "close", failing)
    with pytest.raises(OutputError, match=r"DBF record 0.* Check free space"):
        written(tmp_path, plan)
    monkeypatch.undo()
