"""The wheel holds all it needs: unpacked alone, it plans a field."""

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    for name in ("zonemap", "pipelines"):
        shutil.copytree(TOP / name, source / name)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(TOP / name, source)
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", ".", "--no-deps", "--no-build-isolation", "-q", "-w", str(folder)],
        cwd=source,
        check=True,
        capture_output=True,
    )
    (wheel,) = folder.glob("zonemap-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "unpacked")
    shutil.rmtree(source)
    return folder / "unpacked"


def test_pipelines_data_and_licence_are_inside(unpacked):
    shipped = {path.name for path in (unpacked / "zonemap" / "shipped_pipelines").iterdir()}
    assert shipped == {path.name for path in (TOP / "pipelines").iterdir()}
    assert (unpacked / "zonemap" / "agronomy" / "crops.toml").is_file()
    assert (unpacked / "zonemap" / "py.typed").is_file()
    assert list(unpacked.glob("zonemap-*.dist-info/licenses/LICENSE"))


def test_the_unpacked_wheel_plans_a_field(unpacked, tmp_path):
    code = (
        "import sys; sys.path.insert(0, sys.argv.pop(1)); import zonemap; print(zonemap.__file__, file=sys.stderr);"
        "from zonemap.cli import main; main()"
    )
    field = TOP / "sample_fields" / "home_garden"
    done = subprocess.run(
        [sys.executable, "-I", "-c", code, str(unpacked), "plan", str(field), "--out", str(tmp_path / "out"), "--json"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert str(unpacked) in done.stderr
    assert json.loads(done.stdout)["zones"]
