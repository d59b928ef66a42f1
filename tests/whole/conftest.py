"""Sample fields, planned once a session."""

import json
import shutil
from pathlib import Path

import pytest

from zonemap.job import plan_field

SAMPLE_FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"
FIELDS = ("irrigated_corn", "organic_tomatoes", "turf_greens", "rolling_potatoes", "limed_rotation", "home_garden")


@pytest.fixture(scope="session")
def outcomes(tmp_path_factory):
    """Name -> Outcome of every sample field with its default pipeline, published in a folder of the session."""
    top = tmp_path_factory.mktemp("plans")
    return {name: plan_field(SAMPLE_FIELDS / name, out=top / name) for name in FIELDS}


@pytest.fixture(scope="session")
def every_format(tmp_path_factory):
    """Outcome of a mapped field in every format."""
    return plan_field(SAMPLE_FIELDS / "limed_rotation", out=tmp_path_factory.mktemp("formats") / "out", formats="all")


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
