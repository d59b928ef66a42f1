"""Samples: where they lie, what was measured, and what is asked about."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.io.folder import read_folder

Fill = Callable[..., Path]
SQUARE = [[-97.5, 41.0], [-97.49, 41.0], [-97.49, 41.005], [-97.5, 41.005], [-97.5, 41.0]]  # of conftest.py
COLUMNS = 'columns = { id = "sample", longitude = "lon", latitude = "lat", K = "k" }\n'
HEAD = "sample,lon,lat,k\n"
ROWS = "1,-97.498,41.001,{}\n2,-97.495,41.003,1.25\n"


def _notes(folder: Path) -> str:
    return "\n".join(f"{note.kind}: {note.text}" for note in read_folder(folder).notes)


def test_latitudes_beyond_the_pole_are_a_swap_that_the_user_must_confirm(field_folder: Fill) -> None:
    folder = field_folder(samples="sample,lon,lat,k\n1,41.001,-97.498,2\n2,41.003,-97.495,1\n")

    with pytest.raises(InputError, match=r"samples\.csv, line 2: .*Set swap = true under \[samples\]"):
        read_folder(folder)


def test_a_swap_that_only_the_boundary_shows_is_proposed_never_made(field_folder: Fill, geojson: Fill) -> None:
    # A field in the Alps: 47 north, 11 east; exchanged, the numbers are still a place on Earth.
    ring = [[11.0, 47.0], [11.01, 47.0], [11.01, 47.005], [11.0, 47.005], [11.0, 47.0]]
    samples = "sample,lon,lat,k\n1,47.001,11.002,2\n2,47.003,11.008,1\n"

    folder = field_folder(samples=samples, boundary=geojson(ring))
    with pytest.raises(InputError, match=r"Set swap = true under \[samples\] if the samples are wrong, or .*\[field\]"):
        read_folder(folder)
    swapped = field_folder((COLUMNS, COLUMNS + "swap = true\n"), samples=samples, boundary=geojson(ring))
    right = read_folder(swapped).samples
    straight = field_folder(samples="sample,lon,lat,k\n1,11.002,47.001,2\n2,11.008,47.003,1\n", boundary=geojson(ring))

    np.testing.assert_allclose(right.easting_m, read_folder(straight).samples.easting_m)


def test_longitudes_without_their_sign_are_told_of_the_sign(field_folder: Fill, geojson: Fill) -> None:
    ring = [[-96.52, 41.1], [-96.51, 41.1], [-96.51, 41.105], [-96.52, 41.105], [-96.52, 41.1]]
    samples = "sample,lon,lat,k\n1,96.518,41.101,2\n2,96.512,41.103,1\n"

    with pytest.raises(InputError, match=r"other sign of the longitude.*as negative numbers: -96\.52"):
        read_folder(field_folder(samples=samples, boundary=geojson(ring)))


def test_a_needless_swap_is_to_be_removed(field_folder: Fill, geojson: Fill) -> None:
    ring = [[11.0, 47.0], [11.01, 47.0], [11.01, 47.005], [11.0, 47.005], [11.0, 47.0]]
    samples = "sample,lon,lat,k\n1,11.002,47.001,2\n"

    with pytest.raises(InputError, match=r"Remove swap = true under \[samples\]"):
        read_folder(field_folder((COLUMNS, COLUMNS + "swap = true\n"), samples=samples, boundary=geojson(ring)))


def test_eastings_without_a_crs_are_asked_about(field_folder: Fill) -> None:
    columns = 'columns = { easting = "x", northing = "y", K = "k" }\n'
    samples = "x,y,k\n626320,4539954,2\n626569,4540180,1\n"

    with pytest.raises(InputError, match=r'samples, crs: is missing.*crs = "EPSG:32614"'):
        read_folder(field_folder((COLUMNS, columns), samples=samples))
    case = read_folder(field_folder((COLUMNS, columns + 'crs = "EPSG:32614"\n'), samples=samples))
    np.testing.assert_allclose(case.samples.easting_m, [626320, 626569], atol=1e-3)
    assert case.samples.sample == ("1", "2")


def test_degrees_called_eastings_and_metres_called_longitudes_are_seen(field_folder: Fill) -> None:
    columns = 'columns = { easting = "lon", northing = "lat", K = "k" }\ncrs = "EPSG:32614"\n'

    with pytest.raises(InputError, match=r"look like degrees .*EPSG:32614.*Give the CRS the numbers are in"):
        read_folder(field_folder((COLUMNS, columns)))
    with pytest.raises(InputError, match=r"line 2: values look like metres.*Give the projected CRS"):
        read_folder(field_folder(samples="sample,lon,lat,k\n1,626320,4539954,2\n"))


@pytest.mark.parametrize("crs", ["EPSG:32614", "EPSG:3857"])
def test_a_crs_of_the_other_kind_than_the_columns_is_refused(field_folder: Fill, crs: str) -> None:
    with pytest.raises(InputError, match=r"is projected, but columns give longitude and latitude\. Name the columns"):
        read_folder(field_folder((COLUMNS, COLUMNS + f'crs = "{crs}"\n')))


def test_samples_and_boundary_in_different_systems_meet_and_it_is_said(field_folder: Fill, geojson: Fill) -> None:
    ring = [[626120, 4539830], [626990, 4539830], [626990, 4540400], [626120, 4540400], [626120, 4539830]]
    utm = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32614"}}

    notes = _notes(field_folder(boundary=geojson(ring, crs=utm)))

    assert "samples (EPSG:4326) and boundary (EPSG:32614) were both brought to EPSG:32614" in notes


def test_samples_of_another_field_stop(field_folder: Fill) -> None:
    samples = "sample,lon,lat,k\n1,-97.6,41.1,2\n2,-97.61,41.1,1\n3,-97.495,41.003,1\n"

    with pytest.raises(InputError, match=r"2 of 3 samples lie outside .*wrong field\? Check the boundary"):
        read_folder(field_folder(samples=samples))


def test_far_samples_are_left_out_and_near_ones_kept_and_both_are_named(field_folder: Fill) -> None:
    # 0.0001 degrees of longitude are 8.4 m here, 0.01 degrees 840 m (derived); a tenth of the diagonal is 101 to 102 m.
    inside = "".join(f"{n},-97.49{n},41.003,1\n" for n in range(1, 6))

    folder = field_folder(samples=f"{HEAD}{inside}near,-97.5001,41.003,1\nfar,-97.51,41.003,1\n")
    notes = _notes(folder)

    assert read_folder(folder).samples.sample == ("1", "2", "3", "4", "5", "near")
    assert re.search(
        r"warning: samples\.csv: 'far' \(line 8\) lie more than 10[12] m outside the boundary; left out", notes
    )
    assert re.search(r"warning: samples\.csv: 'near' \(line 7\) lie up to 10[12] m outside the boundary; kept", notes)


def test_one_composite_sample_without_a_position_stands_for_the_field(field_folder: Fill) -> None:
    case = read_folder(field_folder((COLUMNS, 'columns = { K = "k" }\n'), samples="k\n2.5\n"))

    from shapely import Point

    assert case.samples.count == 1
    assert case.field.boundary.contains(Point(case.samples.easting_m[0], case.samples.northing_m[0]))


def test_several_samples_without_positions_are_asked_about(field_folder: Fill) -> None:
    with pytest.raises(InputError, match=r"Say where they are: columns = \{ longitude"):
        read_folder(field_folder((COLUMNS, 'columns = { K = "k" }\n'), samples="k\n2.5\n3\n"))


def test_no_samples_stop(field_folder: Fill) -> None:
    with pytest.raises(InputError, match=r"samples\.csv: holds no samples\. Put one row a sample"):
        read_folder(field_folder(samples=HEAD))
    with pytest.raises(InputError, match=r"holds no measured value\. Fill in the measured columns"):
        read_folder(field_folder(samples=HEAD + "1,-97.498,41.001,\n"))


@pytest.mark.parametrize("cell", ["", "NaN", "n/a"])
def test_a_blank_value_is_left_out_with_its_row(field_folder: Fill, cell: str) -> None:
    folder = field_folder(samples=HEAD + ROWS.format(cell))

    assert read_folder(folder).samples.sample == ("2",)
    assert "warning: samples.csv, K: no value in line 2; left out." in _notes(folder)


def test_a_row_without_a_position_is_left_out_with_its_number(field_folder: Fill) -> None:
    folder = field_folder(samples=HEAD + "1,,41.001,3\n2,-97.495,41.003,1.25\n")

    assert read_folder(folder).samples.sample == ("2",)
    assert "no position in line 2" in _notes(folder)


def test_below_detection_is_half_the_limit_marked_and_said(field_folder: Fill) -> None:
    folder = field_folder(samples=HEAD + ROWS.format("<0.5"))
    column = read_folder(folder).samples.columns["K"]

    # 1 lb/ac = 1.120851 kg/ha (derived from the definitions of pound, foot and acre).
    assert column.value[0] == pytest.approx(0.25 * 1.120851, rel=1e-6)
    assert column.censored.tolist() == [True, False]
    assert "repair: samples.csv, K: line 2 below detection" in _notes(folder)


def test_above_the_range_is_the_limit_with_a_warning(field_folder: Fill) -> None:
    folder = field_folder(samples=HEAD + ROWS.format(">200"))

    assert read_folder(folder).samples.columns["K"].value[0] == pytest.approx(200 * 1.120851, rel=1e-6)
    assert "warning: samples.csv, K: line 2 above the laboratory's range" in _notes(folder)


@pytest.mark.parametrize("word", ["ND", "trace", "-"])
def test_not_detected_needs_a_limit(field_folder: Fill, word: str) -> None:
    samples = HEAD + ROWS.format(word)

    with pytest.raises(InputError, match=r"line 2, K: .*detection_limit = \{ K = 0\.1 \}"):
        read_folder(field_folder(samples=samples))
    stated = field_folder((COLUMNS, COLUMNS + "detection_limit = { K = 0.4 }\n"), samples=samples)
    assert read_folder(stated).samples.columns["K"].value[0] == pytest.approx(0.2 * 1.120851, rel=1e-6)


@pytest.mark.parametrize(
    ("cell", "mend"),
    [
        ("-2", r"line 2, K: -2 is negative\. Correct the value or drop the row"),
        ("<0..5", r"line 2, K: '<0\.\.5' is not a number\. .*<0\.5"),
        ("1_0", r"line 2, K: .*drop the row"),
        ("infinity", r"line 2, K: .*drop the row"),
        ('"1,234"', r'may be a thousand or a decimal fraction\. .*decimal = "\."'),
    ],
)
def test_a_value_that_cannot_be_names_its_row(field_folder: Fill, cell: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder(samples=f"{HEAD}1,-97.498,41.001,{cell}\n"))


def test_a_decimal_comma_gives_the_numbers_of_the_point(field_folder: Fill) -> None:
    point = read_folder(field_folder()).samples
    text = "sample;lon;lat;k\n1;-97,498;41,001;2,5\n2;-97,495;41,003;1,25\n007;-97,492;41,004;3,5\n"

    comma = read_folder(field_folder(samples=text)).samples

    np.testing.assert_array_equal(comma.columns["K"].value, point.columns["K"].value)
    np.testing.assert_array_equal(comma.easting_m, point.easting_m)
    assert comma.sample == ("1", "2", "007")


def test_a_stated_decimal_mark_settles_what_the_file_leaves_open(field_folder: Fill) -> None:
    text = "sample;lon;lat;k\n1;-97,498;41,001;2,125\n"

    with pytest.raises(InputError, match=r'decimal = "\." or decimal = ","'):
        read_folder(field_folder(samples=text))
    stated = field_folder((COLUMNS, COLUMNS + 'decimal = ","\n'), samples=text)
    assert read_folder(stated).samples.columns["K"].value[0] == pytest.approx(2.125 * 1.120851, rel=1e-6)


@pytest.mark.parametrize(
    ("unit", "factor"),
    # 1 ug/10 cm2 is 0.01 kg/ha on a plane, over 4 days of burial; 1 g/m2 is 10 kg/ha (derived).
    [
        ("kg/ha/day", 1.0),
        ("lb/ac/day", 1.120851),
        ("ug/10cm2/burial", 0.0025),
        ("µg/10cm²/day", 0.01),
        ("g/m2/day", 10.0),
    ],
)
def test_resin_rates_become_kg_per_ha_and_day(field_folder: Fill, unit: str, factor: float) -> None:
    column = read_folder(field_folder(("lb/ac/day", unit))).samples.columns["K"]

    assert column.unit == "kg/ha/day"
    np.testing.assert_allclose(column.value, np.array([2.5, 1.25, 3.5]) * factor, rtol=1e-6)


@pytest.mark.parametrize(
    ("basis", "unit", "mend"),
    [
        ("resin", "ppm", "Write one of lb/ac/day"),
        ("resin", "lb/ac", 'Write unit = "lb/ac/day"'),
        ("tissue", "ppm", "Write one of %, mg/kg"),
        ("paste", "ppm", "Write one of mg/L"),
        ("extract", "bushels", "Write one of ppm, mg/kg"),
        ("extract", "pH", "State each unit"),
    ],
)
def test_a_unit_that_the_basis_is_never_in_is_refused(field_folder: Fill, basis: str, unit: str, mend: str) -> None:
    more = 'extractant = "Mehlich-3"\n' if basis == "extract" else ""
    toml = [('basis = "resin"', f'basis = "{basis}"'), ("lb/ac/day", unit), (COLUMNS, COLUMNS + more)]
    toml += [] if basis == "resin" else [("burial_days = 4\n", "")]

    with pytest.raises(InputError, match=rf"field\.toml, samples, unit.*{mend}"):
        read_folder(field_folder(*toml))


def test_extracts_stay_in_their_units_and_ph_on_its_own_scale(field_folder: Fill) -> None:
    toml = [
        ('basis = "resin"', 'basis = "extract"\nextractant = "Mehlich-3"'),
        ("burial_days = 4\n", ""),
        ('unit = "lb/ac/day"', 'unit = "ppm"'),
        ('K = "k"', 'K = "k", pH = "ph"'),
    ]
    samples = "sample,lon,lat,k,ph\n1,-97.498,41.001,120,{}\n"

    columns = read_folder(field_folder(*toml, samples=samples.format("6.1"))).samples.columns
    assert {name: (c.unit, c.value[0]) for name, c in columns.items()} == {"K": ("ppm", 120.0), "pH": ("pH", 6.1)}
    with pytest.raises(InputError, match=r"line 2, pH: 61 is above 14.*Correct the value or the unit"):
        read_folder(field_folder(*toml, samples=samples.format("61")))


@pytest.mark.parametrize("header", ["K (ppm)", "k_ppm", "K [kg/ha/day]", "K lb/ac", "K_mg_kg"])
def test_a_header_that_contradicts_the_unit_is_refused(field_folder: Fill, header: str) -> None:
    samples = f"sample,lon,lat,{header}\n1,-97.498,41.001,2\n"

    with pytest.raises(InputError, match=r"samples\.csv, column .*field\.toml says lb/ac/day\. Set unit under"):
        read_folder(field_folder(('K = "k"', f'K = "{header}"'), samples=samples))


@pytest.mark.parametrize(
    ("header", "values"),
    [("burial_days", "47"), ("Depth cm", ("15", "30")), ("method", ("resin", "Mehlich-3")), ("unit", ("lb/ac", "ppm"))],
)
def test_a_file_that_pools_what_cannot_be_compared_is_to_be_split(
    field_folder: Fill, header: str, values: tuple[str, str]
) -> None:
    samples = f"sample,lon,lat,k,{header}\n1,-97.498,41.001,2,{values[0]}\n2,-97.495,41.003,1,{values[1]}\n"

    with pytest.raises(InputError, match=rf"column '{header}': holds different .*Split the file"):
        read_folder(field_folder(samples=samples))


def test_a_burial_time_that_contradicts_field_toml_is_refused(field_folder: Fill) -> None:
    samples = "sample,lon,lat,k,burial_days\n1,-97.498,41.001,2,14\n"

    with pytest.raises(InputError, match=r"says '14', field\.toml says 4\. Set burial_days"):
        read_folder(field_folder(samples=samples))


@pytest.mark.parametrize(
    ("columns", "mend"),
    [
        ('K2O = "k"', r"columns, K2O: .*Name the element, K"),
        ('k = "k"', r"columns, k: .*Write K\."),
        ('longitud = "lon", K = "k"', r"columns, longitud: .*Write longitude\."),
        ('K = "kk"', r"columns, K: .*Did you mean 'k'"),
        ('K = "potassium"', r"columns, K: .*Name one of its columns: sample, lon"),
        ('longitude = "lon", K = "k"', r'there is longitude but no latitude\. Add latitude = "\.\.\."'),
        ('K = "k", N = "k"', r"both to come from 'k'\. Give each its own column"),
        ('copper = "k"', r"columns, copper: .*Use one of N, P, K"),
    ],
)
def test_a_column_key_that_means_nothing_says_what_is_meant(field_folder: Fill, columns: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder((COLUMNS, f"columns = {{ {columns} }}\n")))


def test_columns_are_guessed_from_the_headers_and_it_is_said(field_folder: Fill) -> None:
    samples = "Sample ID,Longitude,Latitude,NO3-N,K (lb/ac/day),remarks\nA,-97.498,41.001,2,3,wet\n"
    folder = field_folder((COLUMNS, ""), samples=samples)

    case = read_folder(folder)

    assert case.samples.quantities == ("N", "K")
    assert case.samples.sample == ("A",)
    assert "repair: samples.csv: columns were guessed" in _notes(folder)
    assert "N from 'NO3-N'" in _notes(folder)


@pytest.mark.parametrize("header", ["nitrate", "NO3", "no3_lb_ac_day"])
def test_nitrate_taken_for_nitrogen_is_warned_about(field_folder: Fill, header: str) -> None:
    notes = _notes(field_folder((COLUMNS, ""), samples=f"lon,lat,{header}\n-97.498,41.001,2\n"))

    assert "if it is nitrate itself, divide by 4.43" in notes


def test_two_columns_of_one_element_are_asked_about(field_folder: Fill) -> None:
    with pytest.raises(InputError, match=r"may both be K\. Say which: columns = \{ K = "):
        read_folder(field_folder((COLUMNS, ""), samples="lon,lat,k_top,k_sub\n-97.498,41.001,2,3\n"))


def test_replicate_rows_of_one_sample_stay_apart(field_folder: Fill) -> None:
    samples = HEAD + "1,-97.498,41.001,2\n1,-97.498,41.001,2.2\n"

    assert read_folder(field_folder(samples=samples)).samples.sample == ("1", "1")


def test_one_name_at_two_places_is_asked_about_and_both_are_kept(field_folder: Fill) -> None:
    others = "{0},-97.496,41.001,2\n8,-97.495,41.003,2\n"

    folder = field_folder(samples=HEAD + "7,-97.498,41.001,1\n" + others.format(7))

    # 0.002 degrees of longitude are 168 m at 41 north (DERIVED: 111,320 m times the cosine)
    assert "the same sample stands at two places: '7' (line 2 and line 3, 168 m apart)" in _notes(folder)
    assert len(read_folder(folder).samples.easting_m) == 3
    # 8 m apart: two fixes of one place
    assert "two places" not in _notes(field_folder(samples=HEAD + "7,-97.4959,41.001,1\n" + others.format(7)))


def test_names_that_tell_nothing_apart_are_let_be(field_folder: Fill) -> None:
    rows = "A,-97.498,41.001,1\nA,-97.496,41.001,2\nA,-97.495,41.003,2\n"

    assert "two places" not in _notes(field_folder(samples=HEAD + rows))


def test_samples_may_come_as_points_with_their_values_beside_them(field_folder: Fill) -> None:
    points = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": {"sample": n, "k": k}, "geometry": g}
            for n, k, g in (
                (7, 2.5, {"type": "Point", "coordinates": [-97.498, 41.001, 300]}),
                (8, "<0.5", {"type": "Point", "coordinates": [-97.495, 41.003]}),
                (9, 1.0, None),
            )
        ],
    }
    toml = [('"samples.csv"', '"points.geojson"'), (COLUMNS, 'columns = { id = "sample", K = "k" }\n')]
    folder = field_folder(*toml, **{"points.geojson": json.dumps(points)})

    samples = read_folder(folder).samples

    assert samples.sample == ("7", "8")
    assert samples.columns["K"].censored.tolist() == [False, True]
    assert "no position in feature 3" in _notes(folder)
    points["features"][0]["geometry"] = {"type": "LineString", "coordinates": [[0, 0], [1, 1]]}  # type: ignore[index]
    (folder / "points.geojson").write_text(json.dumps(points))
    with pytest.raises(InputError, match=r"feature 1: is a LineString, not a point\. Give every sample one point"):
        read_folder(folder)


def test_a_workbook_gives_the_samples_of_the_text_file(field_folder: Fill) -> None:
    from openpyxl import Workbook

    book = Workbook()
    for row in (
        ("sample", "lon", "lat", "k"),
        (1, -97.498, 41.001, 2.5),
        (2.0, -97.495, 41.003, 1.25),
        ("007", -97.492, 41.004, 3.5),
    ):
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)

    text = read_folder(field_folder()).samples
    workbook = read_folder(field_folder(("samples.csv", "s.xlsx"), **{"s.xlsx": stream.getvalue()})).samples

    assert workbook.sample == text.sample == ("1", "2", "007")
    np.testing.assert_array_equal(workbook.columns["K"].value, text.columns["K"].value)


_CELL = st.sampled_from(
    ["1", "-97.49", "41.003", "2,5", "<0.5", ">9", "ND", "", "NaN", "1e999", "x", "007", "-", "1.234", '"']
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(_CELL, min_size=4, max_size=4), max_size=5), st.sampled_from([",", ";"]))
def test_arbitrary_cells_are_finite_samples_or_an_input_error(
    field_folder: Fill, rows: list[list[str]], delimiter: str
) -> None:
    good = ["1", "-97.498", "41.001", "2"]
    text = "\n".join(delimiter.join(row) for row in (["sample", "lon", "lat", "k"], good, *rows))

    try:
        samples = read_folder(field_folder(samples=text)).samples
    except InputError:
        return
    assert all(math.isfinite(value) and value >= 0 for value in samples.columns["K"].value)
    assert np.isfinite(samples.easting_m).all()


def test_positions_given_twice_are_to_be_given_once(field_folder: Fill) -> None:
    columns = 'columns = { longitude = "lon", latitude = "lat", easting = "x", northing = "y", K = "k" }\n'
    samples = "lon,lat,x,y,k\n-97.498,41.001,626320,4539954,2\n"

    with pytest.raises(InputError, match=r"samples, columns: .*Keep one pair"):
        read_folder(field_folder((COLUMNS, columns), samples=samples))
    point = {"type": "Feature", "properties": {"k": 2}, "geometry": {"type": "Point", "coordinates": [-97.498, 41.001]}}
    folder = field_folder(("samples.csv", "p.geojson"), **{"p.geojson": json.dumps(point)})
    with pytest.raises(InputError, match=r"samples, columns: .*Remove the coordinates from columns"):
        read_folder(folder)


# --- outlines of other fields in the same file

EAST = [[-97.49, 41.0], [-97.48, 41.0], [-97.48, 41.005], [-97.49, 41.005], [-97.49, 41.0]]
FAR_EAST = [[10.0, 50.0], [10.01, 50.0], [10.01, 50.005], [10.0, 50.005], [10.0, 50.0]]  # no part of UTM 14
OF_TWO_FIELDS = HEAD + "1,-97.498,41.001,1\n2,-97.4899,41.002,2\n3,-97.485,41.003,3\n4,-97.482,41.001,4\n"


@pytest.mark.parametrize(("feature", "kept"), [("f1", ("1",)), ("part 2", ("2", "3", "4"))])
def test_samples_in_other_outlines_are_the_other_fields(
    field_folder: Fill, geojson: Fill, feature: str, kept: tuple[str, ...]
) -> None:
    chosen = ('boundary = "boundary.geojson"\n', f'boundary = "boundary.geojson"\nfeature = "{feature}"\n')
    boundary = geojson(SQUARE, EAST, FAR_EAST)

    folder = field_folder(chosen, samples=OF_TWO_FIELDS, boundary=boundary)

    assert read_folder(folder).samples.sample == kept
    assert f"{4 - len(kept)} samples lie in other outlines of the boundary's file; left out." in _notes(folder)


def test_a_field_without_a_sample_among_others_is_said(field_folder: Fill, geojson: Fill) -> None:
    chosen = ('boundary = "boundary.geojson"\n', 'boundary = "boundary.geojson"\nfeature = "f3"\n')
    north = [[lon, lat + 0.01] for lon, lat in SQUARE]
    folder = field_folder(chosen, samples=OF_TWO_FIELDS, boundary=geojson(SQUARE, EAST, north))

    with pytest.raises(InputError, match=r"every sample lies in another outline.*Check feature under \[field\]"):
        read_folder(folder)


def test_where_outlines_overlap_a_sample_is_both_fields(field_folder: Fill, geojson: Fill) -> None:
    chosen = ('boundary = "boundary.geojson"\n', 'boundary = "boundary.geojson"\nfeature = "f1"\n')
    half = [[-97.497, 41.0], [-97.48, 41.0], [-97.48, 41.005], [-97.497, 41.005], [-97.497, 41.0]]
    folder = field_folder(chosen, boundary=geojson(SQUARE, half))

    assert read_folder(folder).samples.sample == ("1", "2", "007")
