"""The field's outline: what is mended, and what stops."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from zonemap.errors import InputError
from zonemap.io.boundaries import Boundary, field_boundary
from zonemap.io.coordinates import utm_zone
from zonemap.io.vectors import Layer, geojson_layer

SQUARE = [[-97.5, 41.0], [-97.49, 41.0], [-97.49, 41.005], [-97.5, 41.005], [-97.5, 41.0]]
# 400 m by 300 m in UTM zone 14 north.
METRES = [[630000, 4540000], [630400, 4540000], [630400, 4540300], [630000, 4540300], [630000, 4540000]]
UTM = {"crs": {"type": "name", "properties": {"name": "EPSG:32614"}}}


def _layer(*rings: Any, **members: Any) -> Layer:
    geometries = [r if isinstance(r, dict) else {"type": "Polygon", "coordinates": [r]} for r in rings]
    features = [
        {"type": "Feature", "id": f"f{n}", "properties": {"name": f"part {n}"}, "geometry": g}
        for n, g in enumerate(geometries, start=1)
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features, **members})
    return geojson_layer(text.encode(), where="boundary.geojson")


def _read(*rings: Any, **options: Any) -> Boundary:
    return field_boundary(_layer(*rings, **UTM), **options)


def test_an_outline_in_degrees_comes_to_metres_with_its_true_area() -> None:
    boundary = field_boundary(_layer(SQUARE))

    # Peer: the geodesic area by an independent general routine, to the scale error of UTM (0.08 % at most here).
    from pyproj import Geod

    true_area, _ = Geod(ellps="WGS84").geometry_area_perimeter(shapely.Polygon(SQUARE))
    assert boundary.crs == "EPSG:32614"
    assert boundary.area.area == pytest.approx(abs(true_area), rel=8e-4)


@given(st.floats(-179.9, 179.8), st.floats(-80, 80))
def test_a_field_anywhere_keeps_its_area_and_its_hemisphere(longitude: float, latitude: float) -> None:
    ring = [[longitude + x, latitude + y] for x, y in ((0, 0), (0.01, 0), (0.01, 0.005), (0, 0.005), (0, 0))]

    boundary = field_boundary(_layer(ring))

    zone = int(boundary.crs[-2:])
    assert boundary.crs.startswith("EPSG:326" if latitude + 0.0025 >= 0 else "EPSG:327")
    assert -183 + 6 * zone - 3.01 <= longitude + 0.005 <= -183 + 6 * zone + 3.01


def test_a_field_across_the_antimeridian_is_one_field() -> None:
    ring = [[179.995, -17.0], [-179.995, -17.0], [-179.995, -16.995], [179.995, -16.995], [179.995, -17.0]]

    boundary = field_boundary(_layer(ring))

    # 0.01 degrees by 0.005 degrees at 17 south: 111320 cos 17 * 0.01 = 1064.6 m by 553.3 m (derived).
    assert boundary.area.area == pytest.approx(1064.6 * 553.3, rel=0.003)
    assert boundary.crs in ("EPSG:32701", "EPSG:32760")


def test_a_polar_field_is_asked_for_its_working_crs() -> None:
    with pytest.raises(InputError, match=r'Set working_crs = "EPSG:\.\.\." under \[field\]'):
        utm_zone(10.0, 84.5, where="field.toml, field, working_crs")


def test_holes_and_parts_are_kept_height_and_order_are_not() -> None:
    hole = [[630100, 4540100], [630200, 4540100], [630200, 4540200], [630100, 4540200], [630100, 4540100]]
    far = [[x + 1000, y, 12.5] for x, y in METRES]
    geometry = {"type": "MultiPolygon", "coordinates": [[METRES[::-1], hole], [far]]}

    boundary = _read(geometry)

    assert [len(part.interiors) for part in boundary.area.geoms] == [1, 0]
    assert boundary.area.area == pytest.approx(2 * 400 * 300 - 100 * 100)
    assert not boundary.area.has_z
    assert all(part.exterior.is_ccw for part in boundary.area.geoms)


def test_a_bow_tie_stops_with_its_crossing_and_both_areas() -> None:
    # Two triangles meeting at the middle: as drawn they cancel out, mended they are 6 ha (half of 400 m by 300 m).
    bow_tie = [METRES[0], METRES[2], METRES[1], METRES[3], METRES[0]]
    back = Transformer.from_crs("EPSG:32614", "EPSG:4326", always_xy=True)
    longitude, latitude = back.transform(630200, 4540150)

    place = f"longitude {longitude:.6f}, latitude {latitude:.6f}: 0 ha as drawn, 6 ha mended"
    with pytest.raises(InputError, match=rf"{place}\. .*set repair = true under \[field\]"):
        _read(bow_tie)
    mended = _read(bow_tie, repair=True)

    assert mended.area.area == pytest.approx(60_000)
    assert mended.notes[-1].kind == "repair"
    assert all(words in mended.notes[-1].text for words in place.split(": "))


@pytest.mark.parametrize(
    "ring",
    [
        [*METRES[:2], METRES[1], METRES[1], *METRES[2:]],
        [*METRES[:2], [630400, 4540150], [630500, 4540150], [630400, 4540150], *METRES[2:]],
    ],
    ids=["repeated vertices", "spike"],
)
def test_what_encloses_nothing_is_cleaned_and_said(ring: list[list[float]]) -> None:
    boundary = _read(ring)

    assert boundary.area.is_valid
    assert boundary.area.area == pytest.approx(120_000)
    assert [note.kind for note in boundary.notes] == ["repair"]


def test_neighbouring_features_are_one_field_only_when_asked() -> None:
    east = [[x + 400, y] for x, y in METRES]

    with pytest.raises(InputError, match=r'f1 \(part 1\); f2 \(part 2\)\. Set feature = "f1" .* or feature = "all"'):
        _read(METRES, east)
    both = _read(METRES, east, feature="all")
    one = _read(METRES, east, feature="part 2")

    assert len(both.area.geoms) == 1
    assert both.area.area == pytest.approx(240_000)
    assert one.area.bounds[0] == pytest.approx(630_400)


def test_a_feature_that_is_not_there_lists_those_that_are() -> None:
    with pytest.raises(InputError, match=r"it holds f1 .* Set feature under"):
        _read(METRES, METRES, feature="north")


def test_overlapping_features_are_not_counted_twice_without_a_word() -> None:
    east = [[x + 200, y] for x, y in METRES]

    with pytest.raises(InputError, match=r"24 ha as drawn, 18 ha mended.*set repair = true"):
        _read(METRES, east, feature="all")
    assert _read(METRES, east, feature="all", repair=True).area.area == pytest.approx(180_000)


@pytest.mark.parametrize(
    "geometry",
    [
        {"type": "LineString", "coordinates": METRES},
        {"type": "Point", "coordinates": METRES[0]},
        {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": METRES[0]}]},
        {"type": "Polygon", "coordinates": []},
        {"type": "GeometryCollection", "geometries": []},
        {
            "type": "Polygon",
            "coordinates": [[[630000, 4540000], [630400, 4540000], [630000, 4540000], [630000, 4540000]]],
        },
        {"type": "Polygon", "coordinates": [[[630000, 4540000]] * 4]},
        None,
    ],
)
def test_what_encloses_no_area_is_no_field(geometry: Any) -> None:
    layer = geojson_layer(
        json.dumps({"type": "Feature", "geometry": geometry, "properties": {}, **UTM}).encode(), where="b.geojson"
    )
    with pytest.raises(InputError, match="Draw the field's outline as a polygon"):
        field_boundary(layer)


def test_specks_are_dropped_with_a_warning() -> None:
    speck = [[x / 1000 + 630000, y / 1000 + 4540000] for x, y in ((0, 0), (400, 0), (400, 300), (0, 0))]
    geometry = {"type": "MultiPolygon", "coordinates": [[METRES], [[[x - 500, y] for x, y in speck]]]}

    boundary = _read(geometry)

    assert len(boundary.area.geoms) == 1
    assert boundary.notes[-1].kind == "warning"
    assert "smaller than 1 m2" in boundary.notes[-1].text


def test_degrees_in_a_projected_crs_are_seen() -> None:
    with pytest.raises(InputError, match=r"look like degrees .* the CRS is EPSG:32614\. Give the CRS .*boundary_crs"):
        _read(SQUARE)


def test_metres_in_a_geographic_crs_are_seen() -> None:
    with pytest.raises(InputError, match=r"look like metres .* EPSG:4326.*Give the projected CRS .*boundary_crs"):
        field_boundary(_layer(METRES))
    assert field_boundary(_layer(METRES), stated_crs="EPSG:32614").area.area == pytest.approx(120_000)


def test_latitudes_beyond_the_pole_are_a_swap_that_the_user_must_confirm() -> None:
    layer = _layer([[y, x] for x, y in SQUARE])

    with pytest.raises(InputError, match=r"Set swap = true under \[field\]"):
        field_boundary(layer)
    assert field_boundary(layer, swap=True).area.equals_exact(field_boundary(_layer(SQUARE)).area, 1e-6)


def _without_crs(ring: list[list[float]]) -> Layer:
    layer = _layer(ring)
    return Layer(layer.name, "", assumed=False, features=layer.features)


def test_a_file_without_a_crs_is_asked_about() -> None:
    with pytest.raises(
        InputError, match=r'Put its \.prj beside it, or set boundary_crs = "EPSG:\.\.\." under \[field\]'
    ):
        field_boundary(_without_crs(METRES))
    assert field_boundary(_without_crs(METRES), stated_crs="EPSG:32614").crs == "EPSG:32614"


def test_a_stated_crs_that_contradicts_the_file_is_refused() -> None:
    with pytest.raises(InputError, match=r"says it is in EPSG:32614, field.toml says EPSG:4326\. Remove boundary_crs"):
        _read(METRES, stated_crs="EPSG:4326")


@pytest.mark.parametrize(
    ("working_crs", "mend"),
    [
        ("EPSG:4326", r'is in degrees\. Set working_crs = "auto"'),
        ("EPSG:2276", r'US survey foot\. Set working_crs = "auto"'),
        ("EPSG:3857", r'makes the field\'s area \+7\d\.\d% wrong\. Set working_crs = "auto"'),
        ("EPSG:32631", r'Set working_crs = "auto"|working_crs under \[field\]'),
        ("EPSG:999999", r"Write an EPSG code"),
        ("utm", r"Write an EPSG code"),
        ("+proj=utm +zone=14 +nadgrids=/etc/passwd", r"Write an EPSG code"),
    ],
)
def test_a_working_crs_that_would_falsify_the_field_is_refused(working_crs: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        field_boundary(_layer(SQUARE), working_crs=working_crs)


def test_a_working_crs_in_metres_that_fits_is_taken() -> None:
    # EPSG:5070, an equal-area CRS of the conterminous United States.
    assert field_boundary(_layer(SQUARE), working_crs="EPSG:5070").crs == "EPSG:5070"


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_a_field_as_small_as_a_step_or_as_large_as_a_county_has_wrong_units(scale: float) -> None:
    ring = [[630000 + (x - 630000) * scale, 4540000 + (y - 4540000) * scale] for x, y in METRES]

    with pytest.raises(InputError, match="Check the unit and the CRS"):
        _read(ring)


@given(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=3, max_size=9))
def test_any_ring_gives_a_valid_outline_or_an_input_error(corners: list[tuple[int, int]]) -> None:
    ring = [[630000 + 40 * x, 4540000 + 40 * y] for x, y in [*corners, corners[0]]]

    for repair in (False, True):
        try:
            boundary = _read(ring, repair=repair)
        except InputError:
            continue
        assert boundary.area.is_valid
        assert boundary.area.area > 0
        if not repair:  # what is mended unasked keeps its area
            assert boundary.area.area == pytest.approx(shapely.Polygon(ring).area, rel=1e-5)


def test_the_fixture_and_this_module_mean_one_field(geojson: Callable[..., str]) -> None:
    again = field_boundary(geojson_layer(geojson(SQUARE).encode(), where="b.geojson"))

    assert again.area.equals(field_boundary(_layer(SQUARE)).area)


def test_a_scribble_is_refused_before_its_mending_takes_all_memory() -> None:
    chance = np.random.default_rng(7)
    ring = (chance.uniform(0, 1, (5000, 2)) * 400 + [630000, 4540000]).tolist()

    with pytest.raises(InputError, match="Draw the field's outline again"):
        _read([*ring, ring[0]], repair=True)


def test_many_vertices_alone_are_no_scribble() -> None:
    turn = np.linspace(0, 2 * np.pi, 20_000)
    circle = np.column_stack([630_000 + 300 * np.cos(turn), 4_540_000 + 300 * np.sin(turn)]).tolist()
    crossed = [*circle[:100], circle[102], circle[101], *circle[103:-1], circle[0]]

    assert _read(crossed, repair=True).area.area == pytest.approx(np.pi * 300**2, rel=1e-6)
