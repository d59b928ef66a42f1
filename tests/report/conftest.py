"""Plans of sample fields, run once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from zonemap.io.folder import read_folder
from zonemap.job import default_pipeline, silence
from zonemap.pipeline.parse import read_pipeline
from zonemap.pipeline.run import run

SAMPLE_FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"


def planned(name):
    case = read_folder(SAMPLE_FIELDS / name)
    return run(case, read_pipeline(default_pipeline(case)), silence)


@pytest.fixture(scope="session")
def tomatoes():
    """A small field in US units with quantities of every verdict but too few."""
    return planned("organic_tomatoes")


@pytest.fixture(scope="session")
def garden():
    """One composite sample."""
    return planned("home_garden")


@pytest.fixture(scope="session")
def limed():
    """Rules for extracts, mineral products only, no calendar."""
    return planned("limed_rotation")
