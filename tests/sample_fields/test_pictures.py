"""The README's pictures are there, and those that its command writes."""

import re
import runpy
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest
from PIL import Image

TOP = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def script():
    return SimpleNamespace(**runpy.run_path(str(TOP / "sample_fields" / "pictures.py")))


def test_every_picture_of_the_readme_is_one_of_the_command_and_the_other_way_round(script):
    shown = set(re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (TOP / "README.md").read_text(encoding="utf-8")))
    assert shown == {f"sample_fields/{name}" for name in script.PICTURES}
    for name in shown:
        with Image.open(TOP / name) as picture:
            assert picture.format == "PNG"
            assert len(picture.convert("L").resize((64, 64)).getcolors(4096)) > 20  # something is drawn


@pytest.mark.usefixtures("surfaces_once")
def test_the_command_writes_pictures_of_the_size_of_those_shown(script, tmp_path):
    pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not any(shutil.which(name) for name in script.BROWSERS):
        pytest.skip("no Chromium here: apt-get install chromium")
    written = script.write_all(tmp_path)
    assert [path.relative_to(tmp_path).as_posix() for path in written] == list(script.PICTURES)
    for path in written:
        with Image.open(path) as made, Image.open(TOP / "sample_fields" / path.relative_to(tmp_path)) as shown:
            assert made.size == shown.size, path.name
    assert not list((TOP / "sample_fields").glob("*/review.journal"))
