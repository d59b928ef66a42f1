"""README.txt beside the shapefiles says what the .dbf hold: a text that says something else is found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import fiona
import pytest

from zonemap.errors import OutputError
from zonemap.io.shapefile import README, write_shapefiles
from zonemap.io.shapefile_text import read_dbf, verify_readme


@pytest.fixture
def folder(tmp_path: Path, plan: Any) -> Path:
    write_shapefiles(tmp_path, field_name=plan.field.name, prescription=plan.prescription)
    return tmp_path


def test_a_table_is_read_as_a_library_reads_it(folder: Path) -> None:
    for path in folder.glob("*.dbf"):
        with fiona.open(path) as table:
            rows = [dict(each.properties) for each in table]
        read = [{k: type(rows[0][k])(v) for k, v in row.items()} for row in read_dbf(path)]
        assert read == rows


def test_the_text_that_was_written_is_believed(folder: Path, plan: Any) -> None:
    verify_readme(folder, prescription=plan.prescription)


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("ZONE  ", "ZONES ", "the columns"),
        ("UNIT     unit of RATE\nPRODUCT ", "PRODUCT  unit of RATE\nUNIT ", "the columns"),
        ("(not of nutrient), ", "(not of nutrient), t/", "the unit of RATE"),
        (".shp: ", ".shp: 1", "the total of Alder_Flat"),
        ("_potash.shp", "_lime.shp", "a total for each shapefile"),
        ("Rate outside all polygons: 0", "Rate outside all polygons: 9", "the rates outside"),
        ("Rates are advice", "Rates are orders", "the rates outside"),
        (" in all\n\n", "\n\n", "a total for each shapefile"),
    ],
)  # fmt: skip
def test_a_text_that_says_something_else_is_found(folder: Path, plan: Any, old: str, new: str, named: str) -> None:
    text = (folder / README).read_text(encoding="utf-8")
    assert old in text
    (folder / README).write_text(text.replace(old, new, 1), encoding="utf-8", newline="\n")

    with pytest.raises(
        OutputError, match=f"{README}: read back, the text does not state {named}.* Nothing was published"
    ):
        verify_readme(folder, prescription=plan.prescription)


def test_a_total_in_another_unit_is_found(folder: Path, plan: Any) -> None:
    text = (folder / README).read_text(encoding="utf-8")
    unit = " lb in all" if plan.prescription.units == "us" else " kg in all"
    (folder / README).write_text(text.replace(unit, " t in all", 1), encoding="utf-8", newline="\n")

    with pytest.raises(OutputError, match="does not state the total of"):
        verify_readme(folder, prescription=plan.prescription)


def changed_rate(content: bytes) -> bytes:
    return content.replace(b"0.00", b"9.00", 1) if b"0.00" in content else content.replace(b".", b"9", 1)


@pytest.mark.parametrize(
    ("harm", "named"),
    [
        (changed_rate, "the total of"),
        (lambda content: content[:-20], "not as long as its head says"),
        (lambda content: content.replace(b"AREA\0", b"ACRE\0", 1), "cannot be held against|the columns"),
        (lambda content: content[:0], "cannot be held against"),
    ],
)
def test_a_table_that_holds_something_else_is_found(folder: Path, plan: Any, harm: Any, named: str) -> None:
    path = next(iter(sorted(folder.glob("*potash.dbf"))))
    path.write_bytes(harm(path.read_bytes()))
    with pytest.raises(OutputError, match=named):
        verify_readme(folder, prescription=plan.prescription)


def test_a_row_that_is_marked_as_deleted_is_found(folder: Path, plan: Any) -> None:
    path = next(iter(sorted(folder.glob("*potash.dbf"))))
    content = bytearray(path.read_bytes())
    content[int.from_bytes(content[8:10], "little")] = ord("*")
    path.write_bytes(bytes(content))
    with pytest.raises(OutputError, match="marked as deleted"):
        verify_readme(folder, prescription=plan.prescription)


def test_a_missing_text_is_found(folder: Path, plan: Any) -> None:
    (folder / README).unlink()
    with pytest.raises(OutputError, match=r"README\.txt: it cannot be held against its shapefiles"):
        verify_readme(folder, prescription=plan.prescription)
