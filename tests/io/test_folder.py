"""The one door: a folder becomes a case, or one line that says what to do."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from zonemap.errors import InputError, OutputError
from zonemap.io.field_file import parse_field_file
from zonemap.io.folder import read_folder
from zonemap.io.start import write_field_file
from zonemap.values.case import Case

Fill = Callable[..., Path]
SQUARE = [[-97.5, 41.0], [-97.49, 41.0], [-97.49, 41.005], [-97.5, 41.005], [-97.5, 41.0]]  # of conftest.py

US = """
[decision]
cost_short = { K = 1.2 }
cost_over = { K = 0.4 }
[[product]]
name = "potash"
analysis = { K2O = 60 }
price_per_ton = 520
bulk_density_lb_ft3 = 62
[[rate_table]]
value = "K"
product = "lime"
points = [[1.0, 4000], [2.0, 0]]
[spreader]
swath_ft = 80
speed_mph = 12
min_rate = 40
max_rate = 400
step = 5
[[no_spread]]
point = [-97.495, 41.0025]
radius_ft = 150
reason = "well"
"""
# The same in metric units; 0.45359237 kg/lb, 0.3048 m/ft, 43,560 ft2/ac and 1609.344 m/mi are exact by definition.
LB, FT = 0.45359237, 0.3048
LB_AC = LB / (43_560 * FT**2) * 10_000
METRIC = f"""
[decision]
cost_short = {{ K = {1.2 / LB} }}
cost_over = {{ K = {0.4 / LB} }}
[[product]]
name = "potash"
analysis = {{ K2O = 60 }}
price_per_ton = {520 / (2 * LB)}
bulk_density_kg_m3 = {62 * LB / FT**3}
[[rate_table]]
value = "K"
product = "lime"
points = [[1.0, {4000 * LB_AC}], [2.0, 0]]
[spreader]
swath_m = {80 * FT}
speed_km_h = {12 * 1.609344}
min_rate = {40 * LB_AC}
max_rate = {400 * LB_AC}
step = {5 * LB_AC}
[[no_spread]]
point = [-97.495, 41.0025]
radius_m = {150 * FT}
reason = "well"
"""


def _numbers(case: Case) -> list[float]:
    (product,), (table,), (area,) = case.products, case.rate_tables, case.field.no_spread
    machine, samples = case.spreader, case.samples
    return [
        *samples.columns["K"].value, *samples.easting_m, *samples.northing_m, samples.basis.depth_cm or np.nan,
        case.decision.cost_short["K"], case.decision.cost_over["K"], product.analysis["K"], product.price_per_kg or 0,
        product.bulk_density_kg_m3 or 0, *table.value, *table.rate_kg_ha, machine.swath_m or 0, machine.speed_m_s or 0,
        machine.min_rate_kg_ha, machine.max_rate_kg_ha, machine.step_kg_ha, area.area.area, case.field.boundary.area,
    ]  # fmt: skip


def test_us_and_metric_versions_of_one_field_are_one_case(field_folder: Fill) -> None:
    us = read_folder(field_folder(("burial_days = 4", "burial_days = 4\ndepth_in = 6"), ("", US)))
    samples = f"sample,lon,lat,k\n1,-97.498,41.001,{2.5 * LB_AC}\n2,-97.495,41.003,{1.25 * LB_AC}\n"
    samples += f"007,-97.492,41.004,{3.5 * LB_AC}\n"
    toml = [
        ('units = "us"', 'units = "metric"'),
        ("lb/ac/day", "kg/ha/day"),
        ("burial_days = 4", "burial_days = 4\ndepth_cm = 15.24"),
        ("", METRIC),
    ]
    metric = read_folder(field_folder(*toml, samples=samples))

    np.testing.assert_allclose(_numbers(us), _numbers(metric), rtol=1e-9)
    assert replace(us.field, boundary=metric.field.boundary, no_spread=()) == replace(metric.field, no_spread=())
    assert (us.units, metric.units) == ("us", "metric")


def test_every_file_that_was_read_is_hashed(field_folder: Fill) -> None:
    folder = field_folder()

    hashes = dict(read_folder(folder).input_sha256)

    assert sorted(hashes) == ["boundary.geojson", "field.toml", "samples.csv"]
    for name, digest in hashes.items():
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_a_clean_folder_has_nothing_to_be_said_about(field_folder: Fill) -> None:
    assert read_folder(field_folder()).notes == ()


def test_files_that_go_by_their_usual_names_need_not_be_named(field_folder: Fill) -> None:
    toml = [('boundary = "boundary.geojson"\n', ""), ('file = "samples.csv"\n', "")]

    assert read_folder(field_folder(*toml)).samples.count == 3
    with pytest.raises(
        InputError, match=r'field, boundary: .*both there\. Name the file: boundary = "boundary.geojson"'
    ):
        read_folder(field_folder(*toml, **{"boundary.kml": ""}))


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ('"samples.csv"', '"../samples.csv"', r"samples, file: .*Put the file into the field folder"),
        ('"samples.csv"', '"/etc/passwd"', r"samples, file: .*Put the file into the field folder"),
        ('"boundary.geojson"', '"/vsicurl/http://example.org/b.geojson"', r"boundary: .*Put the file into the field"),
        ('"boundary.geojson"', '"https://example.org/b.geojson"', r"boundary: .*Put the file into the field folder"),
        ('"samples.csv"', '"sample.csv"', r"samples, file: .*Name a file that is there: .*samples\.csv"),
        ('[crop]\nname = "corn"\nplanted = 2026-04-25\n', "", r"crop: is missing.*Add \[crop\]"),
        ('"boundary.geojson"', '"samples.csv"', r"samples\.csv: .*Save it as GeoJSON"),
    ],
)
def test_a_key_that_leads_nowhere_is_refused(field_folder: Fill, old: str, new: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder((old, new)))


def test_a_folder_without_field_toml_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="zonemap start DIR"):
        read_folder(tmp_path)


def test_a_field_toml_that_links_elsewhere_is_refused(field_folder: Fill) -> None:
    folder = field_folder()
    inner = folder / "inner"
    inner.mkdir()
    (inner / "field.toml").symlink_to(folder / "field.toml")

    with pytest.raises(InputError, match="Put the file into the field folder"):
        read_folder(inner)


def test_a_rate_table_of_an_unlisted_product_is_warned_about(field_folder: Fill) -> None:
    table = '\n[[rate_table]]\nvalue = "K"\nproduct = "lime"\npoints = [[1.0, 4000], [2.0, 0]]\n'

    assert "'lime' has no [[product]] table" in read_folder(field_folder(("", table))).notes[-1].text


def test_a_started_field_toml_reads_once_its_questions_are_answered(field_folder: Fill) -> None:
    folder = field_folder(samples="Sample,Lon,Lat,K (lb/ac/day)\nA,-97.498,41.001,2\nB,-97.495,41.003,1\n")
    (folder / "field.toml").unlink()

    text, guesses = write_field_file(folder)

    assert (folder / "field.toml").read_text() == text
    assert "K: column 'K (lb/ac/day)'" in guesses
    assert "unit: lb/ac/day, from the headers" in guesses
    with pytest.raises(InputError, match="burial_days = 4"):
        read_folder(folder)
    answered = text.replace("# burial_days", "burial_days").replace("# [crop]", "[crop]")
    answered = answered.replace('# name = "corn"', 'name = "corn"').replace("# planted", "planted")
    (folder / "field.toml").write_text(answered)
    assert read_folder(folder).samples.sample == ("A", "B")


def test_a_start_asks_which_of_several_outlines_is_the_field(field_folder: Fill, geojson: Fill) -> None:
    second = [[-97.48, 41.0], [-97.47, 41.0], [-97.47, 41.005], [-97.48, 41.005], [-97.48, 41.0]]
    folder = field_folder(boundary=geojson(SQUARE, second))
    (folder / "field.toml").unlink()

    text, guesses = write_field_file(folder)

    assert "asked: which outline is the field: f1 (part 1); f2 (part 2); or all" in guesses
    assert '# feature = "f1"  # TODO: one of 2 outlines' in text
    with pytest.raises(InputError, match=r'or feature = "all" if they are one field; zonemap batch plans each\.'):
        read_folder(field_folder(boundary=geojson(SQUARE, second)))


def test_what_cannot_be_seen_stays_a_question(field_folder: Fill) -> None:
    folder = field_folder()
    (folder / "field.toml").unlink()

    text, guesses = write_field_file(folder)

    assert "# TODO" not in "".join(line for line in text.splitlines() if not line.startswith("#"))
    assert {"asked: unit of the samples", "asked: basis of the samples", "asked: units, us or metric"} <= set(guesses)
    with pytest.raises(InputError, match=r"field, units: is missing.*Write units"):
        parse_field_file(text.encode())


def test_a_field_toml_is_never_overwritten(field_folder: Fill) -> None:
    folder = field_folder()
    before = (folder / "field.toml").read_bytes()

    with pytest.raises(OutputError, match="Edit it, or move it away first"):
        write_field_file(folder)
    assert (folder / "field.toml").read_bytes() == before


def test_starting_without_a_boundary_or_samples_says_what_to_add(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Put the field's outline there as boundary"):
        write_field_file(tmp_path)
    (tmp_path / "boundary.geojson").write_text("{}")
    with pytest.raises(InputError, match=r"Put the laboratory's results there as samples\.csv"):
        write_field_file(tmp_path)
    for name in ("lab_one.csv", "lab_two.csv"):
        (tmp_path / name).write_text("id\n")
    with pytest.raises(InputError, match="Rename the one that is meant to samples"):
        write_field_file(tmp_path)


def test_odd_names_and_headers_make_a_file_that_still_parses(tmp_path: Path) -> None:
    folder = tmp_path / 'o"dd\\name \u00fc'
    folder.mkdir()
    (folder / "boundary.geojson").write_text("{}")
    (folder / "samples.csv").write_text('sample,lon,lat,"K ""x"" \\"\n1,2,3,4\n')

    text, _ = write_field_file(folder)

    import tomllib

    assert tomllib.loads(text)["field"]["name"] == folder.name
    assert tomllib.loads(text)["samples"]["columns"]["K"] == 'K "x" \\'


def test_reading_field_toml_and_tables_loads_no_map_library() -> None:
    code = (
        "import sys, zonemap.io.field_file, zonemap.io.tables, zonemap.io.folder;"
        "print([m for m in ('fiona', 'pandas', 'pyproj', 'geopandas', 'rasterio', 'scipy') if m in sys.modules])"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"
