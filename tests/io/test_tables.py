"""CSV files and workbooks."""

from __future__ import annotations

import io
import zipfile
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.io.numbers import Unusable
from zonemap.io.sources import FieldFolder
from zonemap.io.tables import read_table, text_table, workbook_table


def _workbook(*rows: tuple[object, ...], **more: tuple[object, ...]) -> bytes:
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    for row in rows:
        sheet.append(row)
    for name, row in more.items():
        book.create_sheet(name).append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_usual_delimiter_and_line_end_is_recognised(delimiter: str, end: str) -> None:
    content = end.join(delimiter.join(row) for row in (("id", "k"), ("a", "1,5" if delimiter != "," else "15"))) + end

    table = text_table(content.encode(), where="s.csv")

    assert table.headers == ("id", "k")
    assert table.rows[0].place == "line 2"
    assert table.rows[0].cells[0] == "a"


def test_lines_are_counted_as_the_user_sees_them() -> None:
    table = text_table(b'\nid,note\n\n1,"two\nlines"\n2,x\n', where="s.csv")

    assert [row.place for row in table.rows] == ["line 4", "line 6"]


def test_a_line_that_names_the_delimiter_is_obeyed() -> None:
    table = text_table(b"sep=;\nid;k\n1;2,5\n", where="s.csv")

    assert table.headers == ("id", "k")
    assert table.rows[0].place == "line 3"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_a_byte_order_mark_is_obeyed_and_not_part_of_the_first_header(encoding: str) -> None:
    table = text_table("id,größe\n1,2\n".encode(encoding), where="s.csv")

    assert table.headers == ("id", "größe")
    assert table.notes == ()


def test_windows_text_is_read_with_a_warning() -> None:
    table = text_table("id,größe\n1,2\n".encode("cp1252"), where="s.csv")

    assert table.headers == ("id", "größe")
    assert "Windows-1252" in table.notes[0].text


@pytest.mark.parametrize(
    ("content", "mend"),
    [
        (b"id,k\n1,\x002\n", "line 2: holds NUL bytes.*Save the file again as CSV UTF-8"),
        ("id,k\n1,2\n".encode("utf-16-le"), "Save the file again as CSV UTF-8"),
        (b"\xff\xfeid,k\n1,2\n", "Save the file again as CSV UTF-8"),
        (b"id,k\n1,\x81\xff\n", "line 2: is neither UTF-8"),
        (b"", "Put a header row"),
        (b"\n \n,\n", "Put a header row"),
        (b"id,k\n1\n", "line 2: has 1 fields where the header has 2. Quote fields"),
        (b"id,k\n1,2,3\n", "line 2: has 3 fields where the header has 2. Quote fields"),
        (b"id,k,k\n1,2,3\n", "the header 'k' is there twice. Give every column its own name"),
        (b"id,,k\n1,2,3\n", "Name the column or delete it"),
        (b'id,k\n1,"2\n3,4\n', "line 2: cannot be split.*Close every quotation mark"),
        (b"id,k\n1," + b"9" * 200_000, "line 2: cannot be split"),
        (b"PK\x03\x04id,k", "Rename it to .xlsx"),
    ],
)
def test_a_file_that_is_no_clean_table_names_the_line_and_the_mend(content: bytes, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        text_table(content, where="s.csv")


def test_empty_fields_at_the_end_of_lines_do_no_harm() -> None:
    assert text_table(b"id,k,,\n1,2,,\n", where="s.csv").rows[0].cells == ("1", "2")


@settings(max_examples=400)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=120).map(str.encode),
        st.text("ab1,;\t|\"'\r\n\0 ", max_size=60).map(str.encode),
    )
)
def test_arbitrary_bytes_are_a_rectangular_table_or_an_input_error(content: bytes) -> None:
    try:
        table = text_table(content, where="s.csv")
    except InputError:
        return
    assert len(set(table.headers)) == len(table.headers)
    assert all(len(row.cells) == len(table.headers) for row in table.rows)


def test_a_workbook_gives_values_with_row_numbers_and_keeps_text_as_text() -> None:
    content = _workbook(("id", "k", "day"), (1, 2.5, date(2026, 3, 28)), (None, None, None), ("007", "1e5", None))

    table = workbook_table(content, where="s.xlsx")

    assert table.headers == ("id", "k", "day")
    assert [row.place for row in table.rows] == ["row 2", "row 4"]
    assert table.rows[0].cells == (1.0, 2.5, date(2026, 3, 28))
    assert table.rows[1].cells[:2] == ("007", "1e5")


def test_cells_without_a_value_of_their_own_are_told_apart_from_empty_ones() -> None:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(_workbook(("id", "k"), (1, "=B9*2"), (2, "#DIV/0!"), (3, 4))))
    book.active.merge_cells("A3:A4")
    stream = io.BytesIO()
    book.save(stream)

    table = workbook_table(stream.getvalue(), where="s.xlsx")

    assert table.rows[0].cells[1] == Unusable("holds a formula without a stored value")
    assert table.rows[1].cells[1] == Unusable("holds the error #DIV/0!")
    assert table.rows[2].cells == (Unusable("is part of a merged cell"), 4.0)


def test_a_workbook_of_several_sheets_is_asked_about() -> None:
    content = _workbook(("id", "k"), (1, 2), second=("id", "k"))

    with pytest.raises(InputError, match='sheet = "Sheet"'):
        workbook_table(content, where="s.xlsx")
    with pytest.raises(InputError, match="Set sheet to one of: Sheet, second"):
        workbook_table(content, where="s.xlsx", sheet="third")
    assert workbook_table(content, where="s.xlsx", sheet="Sheet").headers == ("id", "k")


def test_what_only_calls_itself_a_workbook_is_refused() -> None:
    with pytest.raises(InputError, match=r"Save it as \.xlsx"):
        workbook_table(b"id,k\n1,2\n", where="s.xlsx")


def test_a_damaged_workbook_is_one_line_for_the_user() -> None:
    content = bytearray(_workbook(("id", "k"), (1, 2)))
    start = content.index(b"xl/worksheets/sheet1.xml") + 30
    content[start : start + 60] = bytes(60)

    with pytest.raises(InputError, match="Open it in the"):
        workbook_table(bytes(content), where="s.xlsx")


def test_a_workbook_that_unpacks_without_end_is_refused_before_unpacking() -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"0" * 30_000_000)

    with pytest.raises(InputError, match="Cut the file down"):
        workbook_table(stream.getvalue(), where="s.xlsx")


def test_other_kinds_of_table_are_named_with_what_to_save_them_as(tmp_path: Path) -> None:
    (tmp_path / "samples.xls").write_bytes(b"\xd0\xcf\x11\xe0")

    with pytest.raises(InputError, match=r"Save it as \.csv or \.xlsx"):
        read_table(FieldFolder(tmp_path), tmp_path / "samples.xls")


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(30, 4000), st.binary(min_size=1, max_size=40))
def test_a_workbook_with_some_bytes_changed_reads_or_is_refused(offset: int, noise: bytes) -> None:
    content = bytearray(_workbook(("id", "k"), (1, 2)))
    content[offset : offset + len(noise)] = noise

    try:
        table = workbook_table(bytes(content), where="s.xlsx")
    except InputError:
        return
    assert table.headers


@pytest.mark.parametrize(
    ("content", "mend"),
    [
        (b"id,k\n" + b"1,2\n" * 200_001, "holds more than 200,000 rows. Cut the file down"),
        (b",".join(b"c%d" % n for n in range(1001)) + b"\n", "holds 1,001 columns. Cut the file down"),
        (b"id," + b"k" * 301 + b"\n", "a header is longer than 300 letters.*Put short headers"),
    ],
)
def test_a_table_beyond_all_measure_is_refused(content: bytes, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        text_table(content, where="s.csv")


def test_headers_lose_line_breaks_and_control_characters() -> None:
    assert text_table(b'id,"K\n(ppm)\x1b"\n1,2\n', where="s.csv").headers == ("id", "K (ppm)")
