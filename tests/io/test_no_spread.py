"""No-spread areas: clipped to the field, never smaller than asked."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import shapely
from shapely import MultiPolygon

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.values.zones import Outlines
from zonemap.zoning.outline import single_parts

Fill = Callable[..., Path]
WELL = '\n[[no_spread]]\npoint = [-97.495, 41.0025]\nradius_ft = 150\nreason = "well"\n'


def _file(geometry: dict[str, Any]) -> str:
    return json.dumps({"type": "Feature", "properties": {}, "geometry": geometry})


def _area(more: str = "") -> str:
    return f'\n[[no_spread]]\nfile = "area.geojson"\nreason = "ditch"\n{more}'


def test_a_point_and_radius_is_a_disc_no_smaller_than_the_circle(field_folder: Fill) -> None:
    case = read_folder(field_folder(("", WELL)))

    (area,) = case.field.no_spread
    circle = math.pi * (150 * 0.3048) ** 2  # 1 ft = 0.3048 m by definition
    assert area.reason == "well"
    assert circle <= area.area.area <= 1.001 * circle


def test_an_area_is_clipped_to_the_field(field_folder: Fill) -> None:
    ring = [[-97.6, 40.9], [-97.495, 40.9], [-97.495, 41.1], [-97.6, 41.1], [-97.6, 40.9]]
    folder = field_folder(("", _area()), **{"area.geojson": _file({"type": "Polygon", "coordinates": [ring]})})

    case = read_folder(folder)

    assert case.field.no_spread[0].area.area == pytest.approx(case.field.boundary.area / 2, rel=1e-3)
    assert shapely.difference(case.field.no_spread[0].area, case.field.boundary).area == pytest.approx(0, abs=1e-6)


def test_a_line_needs_a_distance_and_keeps_it_on_both_sides(field_folder: Fill) -> None:
    line = _file({"type": "LineString", "coordinates": [[-97.6, 41.0025], [-97.4, 41.0025]]})

    with pytest.raises(InputError, match=r"no_spread 1, distance_m: .*Say how far to stay away"):
        read_folder(field_folder(("", _area()), **{"area.geojson": line}))
    case = read_folder(field_folder(("", _area("distance_m = 30\n")), **{"area.geojson": line}))
    assert case.field.no_spread[0].area.area == pytest.approx(60 * 841, rel=0.01)


def test_a_stream_drawn_in_the_table_keeps_its_distance_on_both_sides(field_folder: Fill) -> None:
    line = "\n[[no_spread]]\nline = [[-97.6, 41.0025], [-97.4, 41.0025]]\n"
    case = read_folder(field_folder(("", f'{line}distance_ft = 100\nreason = "ditch"\n')))

    # 30.48 m to each side of 841 m of ditch
    assert case.field.no_spread[0].area.area == pytest.approx(2 * 30.48 * 841, rel=0.01)


def test_a_polygon_with_a_distance_is_the_polygon_and_a_margin_with_rounded_corners(field_folder: Fill) -> None:
    ring = "[[-97.497, 41.002], [-97.495, 41.002], [-97.495, 41.003], [-97.497, 41.003]]"
    table = f'\n[[no_spread]]\npolygon = {ring}\nreason = "yard"\n'
    bare = read_folder(field_folder(("", table))).field.no_spread[0].area
    wide = read_folder(field_folder(("", f"{table}distance_m = 20\n"))).field.no_spread[0].area

    # a convex shape widened by d: area + perimeter d + pi d^2 (Steiner's formula), a hair more for no spot to be missed
    expected = bare.area + bare.length * 20 + math.pi * 400
    assert expected <= wide.area <= 1.001 * expected
    assert wide.contains(bare)


def test_a_polygon_of_a_file_is_widened_alike(field_folder: Fill) -> None:
    ring = [[-97.497, 41.002], [-97.495, 41.002], [-97.495, 41.003], [-97.497, 41.003], [-97.497, 41.002]]
    drawn = f'\n[[no_spread]]\npolygon = {ring[:-1]}\ndistance_m = 20\nreason = "yard"\n'
    of_file = _file({"type": "Polygon", "coordinates": [ring]})

    one = read_folder(field_folder(("", drawn))).field.no_spread[0].area
    other = read_folder(field_folder(("", _area("distance_m = 20\n")), **{"area.geojson": of_file}))

    assert other.field.no_spread[0].area.symmetric_difference(one).area == pytest.approx(0, abs=1e-3)


def test_what_lies_past_the_boundary_is_kept_apart(field_folder: Fill) -> None:
    beside = WELL.replace("-97.495", "-97.501")  # about 84 m west of the field
    case = read_folder(field_folder(("", beside), ("", WELL)))

    around = case.field.no_spread_around
    circle = math.pi * (150 * 0.3048) ** 2
    assert len(case.field.no_spread) == 1
    assert around.area == pytest.approx(2 * circle, rel=1e-3)
    assert shapely.intersection(around, case.field.boundary).area == pytest.approx(circle, rel=1e-3)


def test_overlapping_areas_are_cut_out_once_and_the_areas_add_up(field_folder: Fill) -> None:
    ditch = '\n[[no_spread]]\nline = [[-97.4975, 40.999], [-97.4925, 41.006]]\ndistance_m = 15\nreason = "ditch"\n'
    yard = (
        "\n[[no_spread]]\npolygon = [[-97.496, 41.002], [-97.494, 41.002], [-97.495, 41.004]]\n"
        'distance_m = 5\nreason = "yard"\n'
    )
    field = read_folder(field_folder(("", ditch + yard + WELL))).field
    west, south, east, north = field.boundary.bounds
    middle = (west + east) / 2
    halves = [shapely.box(west, south, middle, north), shapely.box(middle, south, east, north)]
    noded = [field.boundary.intersection(half) for half in halves]
    outlines = Outlines((1, 2), tuple(MultiPolygon([part]) for part in noded))

    polygons, zone = single_parts(outlines, [place.area for place in field.no_spread])

    off = shapely.union_all([place.area for place in field.no_spread])
    assert off.area < sum(place.area.area for place in field.no_spread) - 1000  # they do overlap
    assert sum(p.area for p, z in zip(polygons, zone, strict=True) if z == 0) == pytest.approx(off.area, abs=0.02)
    for number, half in enumerate(noded, start=1):
        left = sum(p.area for p, z in zip(polygons, zone, strict=True) if z == number)
        assert left == pytest.approx(half.difference(off).area, abs=0.02)
    assert shapely.coverage_is_valid(list(polygons))
    assert sum(polygon.area for polygon in polygons) == pytest.approx(field.boundary.area, abs=0.02)


def test_an_area_that_misses_the_field_is_warned_about(field_folder: Fill) -> None:
    case = read_folder(field_folder(("", WELL.replace("-97.495", "-97.6"))))

    assert case.field.no_spread == ()
    assert case.notes[-1].kind == "warning"
    assert "no_spread 1 ('well'): lies outside the field" in case.notes[-1].text


def test_an_outline_that_crosses_itself_leaves_out_all_it_encloses(field_folder: Fill) -> None:
    bow_tie = [[-97.498, 41.001], [-97.492, 41.004], [-97.492, 41.001], [-97.498, 41.004], [-97.498, 41.001]]
    folder = field_folder(("", _area()), **{"area.geojson": _file({"type": "Polygon", "coordinates": [bow_tie]})})

    case = read_folder(folder)

    # Half of 0.006 by 0.003 degrees, where the field is 0.01 by 0.005.
    assert case.field.no_spread[0].area.area == pytest.approx(case.field.boundary.area * 0.36 / 2, rel=1e-3)
    assert case.notes[-1].kind == "repair"


@pytest.mark.parametrize(
    ("table", "mend"),
    [
        ('reason = "well"\n', "Give it a file, or a point"),
        ('point = [-97.495, 41.0025]\nreason = "well"\n', "Give the point radius_ft or radius_m"),
        ('point = [-97.495, 41.0025]\nradius_ft = 1\nradius_m = 1\nreason = "w"\n', "Keep one of radius_ft"),
        ('point = [626500, 4540000]\nradius_ft = 150\nreason = "w"\n', "no_spread 1, point: .*Write longitude first"),
        ('point = [41.0025, -97.495]\nradius_ft = 150\nreason = "w"\n', "no_spread 1, point: .*Write longitude first"),
        ('point = [1, 2]\nradius_ft = 1\nfile = "boundary.geojson"\nreason = "w"\n', "Make two"),
        ('file = "missing.geojson"\nreason = "w"\n', "no_spread 1, file: .*Name a file that is there"),
        ('file = "../other.geojson"\nreason = "w"\n', "no_spread 1, file: .*Put the file into the field folder"),
        ('point = [1, 2]\nradius_ft = 1\ndistance_m = 2\nreason = "w"\n', "Write radius_ft or radius_m beside a point"),
        (
            'line = [[-97.5, 41.0], [-97.4, 41.0]]\nreason = "w"\n',
            "no_spread 1, distance_m: .*Say how far to stay away",
        ),
        ('line = [[-97.5, 41.0], [-97.5, 41.0]]\ndistance_m = 5\nreason = "w"\n', "Write the line's own places"),
        ('line = [[1, 2], [3, 4]]\npoint = [1, 2]\nreason = "w"\n', "Make two"),
        ('line = [[1, 2], [3, 4]]\nradius_m = 3\nreason = "w"\n', "Write distance_ft or distance_m beside a file"),
        ('polygon = [[41.0, -97.5], [41.1, -97.5], [41, -97.4]]\nreason = "w"\n', "Write longitude first: polygon"),
    ],
)
def test_a_table_that_says_too_little_or_too_much_is_refused(field_folder: Fill, table: str, mend: str) -> None:
    with pytest.raises(InputError, match=rf"field\.toml, {mend}|field\.toml, no_spread 1.*{mend}"):
        read_folder(field_folder(("", f"\n[[no_spread]]\n{table}")))


def test_exchanged_coordinates_that_would_meet_the_field_stop(field_folder: Fill, geojson: Fill) -> None:
    ring = [[11.0, 47.0], [11.01, 47.0], [11.01, 47.005], [11.0, 47.005], [11.0, 47.0]]
    table = '\n[[no_spread]]\npoint = [47.002, 11.005]\nradius_m = 50\nreason = "well"\n'
    samples = "sample,lon,lat,k\n1,11.002,47.001,2\n"

    with pytest.raises(InputError, match=r"meets the field only when exchanged\. Write longitude first"):
        read_folder(field_folder(("", table), boundary=geojson(ring), samples=samples))
