"""CSV out: numbers as they are, text that no spreadsheet runs."""

import csv

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.io.csv_rows import write_csv

texts = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=20)


def _read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


@given(st.lists(st.tuples(texts, st.floats(-1e9, 1e9)), max_size=8))
def test_rows_come_back_whatever_they_hold(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("csv") / "rows.csv"

    write_csv(path, {"name": [name for name, _ in rows], "value": [value for _, value in rows]})

    header, *found = _read(path)
    assert header == ["name", "value"]
    for (name, value), (text, number) in zip(rows, found, strict=True):
        assert text in (name, f"'{name}")
        assert float(number) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("name", ["=1+1", "+cmd", "-2", "@sum", "\u00a0=1", "a\n=b"])
def test_a_formula_is_made_text(tmp_path, name):
    write_csv(tmp_path / "rows.csv", {"name": [name], "value": [-2.0]})

    assert _read(tmp_path / "rows.csv")[1] == [f"'{name}", "-2"]
