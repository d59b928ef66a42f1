"""The field folder: nothing outside it is ever opened."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.io.sources import FieldFolder


@pytest.mark.parametrize(
    "name",
    [
        "../secret.csv", "a/../../secret.csv", "/etc/passwd", "\\\\server\\share\\a.csv", "C:\\a.csv", "c:a.csv",
        "http://example.org/a.geojson", "file:///etc/passwd", "/vsicurl/http://example.org/a", "vsizip/a.zip/b",
        "..\\secret.csv", "zip://a.zip!b.shp", "a\nb.csv", "a\0b.csv", " ",
    ],
)  # fmt: skip
def test_a_name_that_leads_out_of_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="Put the file into the field folder"):
        FieldFolder(tmp_path).find(name, where="field.toml, samples, file")


@pytest.mark.parametrize("name", ["CON", "nul.csv", "com1.geojson", "sub/aux"])
def test_the_name_of_a_device_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="Rename the file"):
        FieldFolder(tmp_path).find(name, where="field.toml, samples, file")


@given(st.text(max_size=30))
def test_whatever_is_found_lies_inside(tmp_path_factory: pytest.TempPathFactory, name: str) -> None:
    root = tmp_path_factory.getbasetemp() / "inside"
    root.mkdir(exist_ok=True)
    (root / "a").write_text("")

    try:
        found = FieldFolder(root).find(name, where="key")
    except InputError:
        return
    assert found.resolve().is_relative_to(root.resolve())


def test_a_link_out_of_the_folder_is_refused_and_one_inside_is_followed(tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_text("id,k\n")
    root = tmp_path / "field"
    root.mkdir()
    (root / "real.csv").write_text("id,k\n")
    (root / "samples.csv").symlink_to(tmp_path / "secret.csv")
    (root / "near.csv").symlink_to(root / "real.csv")
    folder = FieldFolder(root)

    with pytest.raises(InputError, match="Put the file into the field folder"):
        folder.find("samples.csv", where="field.toml, samples, file")
    assert folder.read(folder.find("near.csv", where="key")) == b"id,k\n"


def test_a_link_to_itself_a_pipe_and_a_folder_are_no_files(tmp_path: Path) -> None:
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "sub.csv").mkdir()
    folder = FieldFolder(tmp_path)

    with pytest.raises(InputError, match="Put the file into the field folder"):
        folder.find("loop.csv", where="key")
    with pytest.raises(InputError, match="Put the file into the field folder"):
        folder.read(tmp_path / "pipe.csv")
    with pytest.raises(InputError, match="Put a file that you may read"):
        folder.read(tmp_path / "sub.csv")


def test_a_file_that_is_too_large_is_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "huge.csv").open("wb") as stream:
        stream.truncate(10 * 2**30)

    with pytest.raises(InputError, match=r"10,240 MB.*Cut the file down"):
        FieldFolder(tmp_path).read(tmp_path / "huge.csv")


def test_a_missing_file_says_what_there_is(tmp_path: Path) -> None:
    (tmp_path / "sampels.csv").write_text("")

    with pytest.raises(InputError, match=r"field\.toml, samples, file: .*Name a file that is there: sampels.csv"):
        FieldFolder(tmp_path).find("samples.csv", where="field.toml, samples, file")


def test_a_folder_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Name a field folder"):
        FieldFolder(tmp_path / "nowhere")
