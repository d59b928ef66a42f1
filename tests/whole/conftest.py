"""Sample fields to be changed, and one in every format."""

import json
import shutil
from pathlib import Path

import pytest

from zonemap.job import plan_field

SAMPLE_FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"


@pytest.fixture(autouse=True)
def _no_surface_twice(surfaces_once):
    """Surfaces of equal measurements are made once, unless a test asks for `surfaces_anew`."""


@pytest.fixture(scope="session")
def every_format(once, shared, surfaces_once):
    """Outcome of a mapped field in every format."""
    del surfaces_once  # it holds from here on
    out = shared / "plan_in_every_format"
    return once("every_format", lambda: plan_field(SAMPLE_FIELDS / "limed_rotation", out=out, formats="all"))


@pytest.fixture
def copy_of(tmp_path):
    """Give a function that copies a sample field to where it may be changed."""

    def copy(name):
        folder = tmp_path / name
        shutil.copytree(SAMPLE_FIELDS / name, folder, ignore=shutil.ignore_patterns("plan*"))
        return folder

    return copy


@pytest.fixture(scope="session")
def summary_of(outcomes):
    """Give a function that reads the published summary.json of a sample field."""
    return lambda name: json.loads((outcomes[name].folder / "summary.json").read_text(encoding="utf-8"))
