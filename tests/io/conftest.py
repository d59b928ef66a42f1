"""A small field folder that reads without complaint, to be spoilt one fault at a time."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

# An invented field of 840 m by 555 m on a plain, in longitude and latitude.
SQUARE = [[-97.5, 41.0], [-97.49, 41.0], [-97.49, 41.005], [-97.5, 41.005], [-97.5, 41.0]]

FIELD_TOML = """
[field]
name = "Alder Flat"
boundary = "boundary.geojson"
units = "us"
[samples]
file = "samples.csv"
basis = "resin"
unit = "lb/ac/day"
burial_days = 4
repeatability_cv = 0.1
columns = { id = "sample", longitude = "lon", latitude = "lat", K = "k" }
[crop]
name = "corn"
planted = 2026-04-25
"""

SAMPLES_CSV = """sample,lon,lat,k
1,-97.498,41.001,2.5
2,-97.495,41.003,1.25
007,-97.492,41.004,3.5
"""


@pytest.fixture
def geojson() -> Callable[..., str]:
    """Return a function that writes rings (or whole geometries) as a GeoJSON feature collection."""

    def write(*rings: Any, **members: Any) -> str:
        geometries = [r if isinstance(r, dict) else {"type": "Polygon", "coordinates": [r]} for r in rings]
        features = [
            {"type": "Feature", "id": f"f{number}", "properties": {"name": f"part {number}"}, "geometry": geometry}
            for number, geometry in enumerate(geometries, start=1)
        ]
        return json.dumps({"type": "FeatureCollection", "features": features, **members})

    return write


@pytest.fixture
def field_folder(tmp_path: Path, geojson: Callable[..., str]) -> Callable[..., Path]:
    """Return a function that fills a folder; keyword arguments replace files, `toml` replaces pieces of field.toml."""

    def fill(
        *toml: tuple[str, str],
        samples: str | bytes = SAMPLES_CSV,
        boundary: str | bytes | None = None,
        **others: str | bytes,
    ) -> Path:
        text = FIELD_TOML
        for old, new in toml:
            assert old in text or not old, f"{old!r} is not in field.toml"
            text = text.replace(old, new) if old else text + new
        files = {"field.toml": text, "samples.csv": samples, "boundary.geojson": boundary or geojson(SQUARE)}
        for name, content in (files | others).items():
            path = tmp_path / name
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return tmp_path

    return fill
