"""Places to sample, on fields of any shape."""

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon

from zonemap.errors import InputError
from zonemap.pipeline.sampling import first_samples
from zonemap.values.field import Field, NoSpread
from zonemap.values.sampling import SamplingField
from zonemap.zoning.sampleable import sampleable_cells

WEST, SOUTH = 500_000.0, 4_000_000.0


def polygons(geometry):
    return MultiPolygon([part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"])


def field_of(boundary, closed=None):
    area = MultiPolygon() if closed is None else polygons(boundary.intersection(closed))
    no_spread = () if area.is_empty else (NoSpread("a well", area),)
    return Field("test", polygons(boundary), "EPSG:32614", no_spread)


def about(field, there=()):
    at = np.array(there, dtype=float).reshape(-1, 2)
    names = tuple(f"old {number}" for number in range(len(at)))
    return SamplingField(field, "metric", None, names, at[:, 0], at[:, 1], (), ())


def box(west, south, wide, tall):
    return shapely.box(WEST + west, SOUTH + south, WEST + west + wide, SOUTH + south + tall)


def points_of(sampling):
    return shapely.points(sampling.places.easting_m, sampling.places.northing_m)


corner = st.tuples(st.floats(0, 300), st.floats(0, 300), st.floats(0.5, 250), st.floats(0.5, 250))


@settings(max_examples=25)
@given(
    st.lists(corner, min_size=1, max_size=4),
    st.lists(corner, max_size=2),
    st.lists(corner, max_size=2),
    st.floats(0, 90),
    st.sampled_from([2, 7, 20, 31]),
)
def test_places_lie_inside_the_field_and_out_of_no_spread_areas(parts, holes, closed, turn, count):
    # several parts, holes, slivers and areas that are closed, turned against the cells
    turned = shapely.affinity.rotate(
        shapely.union_all([box(*part) for part in parts]).difference(shapely.union_all([box(*hole) for hole in holes])),
        turn,
        origin=(WEST, SOUTH),
    )
    shut = shapely.union_all([box(*area) for area in closed])
    assume(polygons(turned.difference(shut)).area > 20)
    field = field_of(turned, shut)

    sampling = first_samples(about(field), count=count)

    points = points_of(sampling)
    assert len(points) == count
    assert len({(point.x, point.y) for point in points}) == count
    assert shapely.covers(field.boundary, points).all()
    for place in field.no_spread:
        assert not shapely.contains_properly(place.area, points).any()
    assert sampling.places.kind.count("pair") == (count // 10 if count >= 20 else 0)
    assert len(set(sampling.places.name)) == count


def test_four_samples_of_a_square_lie_in_the_middle_of_its_quarters():
    # Derived; cells of 2 m divide the square of 200 m evenly.
    sampling = first_samples(about(field_of(box(0, 0, 200, 200))), count=4)

    at = sorted(zip(sampling.places.easting_m - WEST, sampling.places.northing_m - SOUTH, strict=True))
    np.testing.assert_allclose(at, [(50, 50), (50, 150), (150, 50), (150, 150)], atol=1e-6)


def test_where_there_is_room_places_keep_a_cell_away_from_the_edge():
    field = field_of(shapely.Point(WEST, SOUTH).buffer(150))
    where = sampleable_cells(field)

    sampling = first_samples(about(field), count=400)

    assert shapely.distance(points_of(sampling), field.boundary.boundary).min() >= where.grid.cell_m


def test_a_strip_narrower_than_three_cells_is_sampled_too():
    # the strip lies 600 m from a block that alone would be enough room
    field = field_of(shapely.union_all([box(0, 0, 300, 300), box(900, 0, 4, 2000)]))
    assert sampleable_cells(field).grid.cell_m > 4 / 3

    sampling = first_samples(about(field), count=60)

    on_strip = np.count_nonzero(sampling.places.easting_m > WEST + 850)
    share = 4 * 2000 / (4 * 2000 + 300 * 300)
    assert on_strip >= 0.5 * share * 54


def test_parts_far_apart_do_not_need_more_cells_than_there_is_memory_for():
    field = field_of(shapely.union_all([box(0, 0, 20, 20), box(40_000, 30_000, 20, 20)]))

    with pytest.raises(InputError, match=r"Ask for 2 or fewer"):
        first_samples(about(field), count=30)


def test_pairs_stand_about_their_distance_beside_the_place_they_name():
    sampling = first_samples(about(field_of(box(0, 0, 800, 700))), count=50)

    places = sampling.places
    assert places.kind.count("pair") == 5
    at = {name: np.array(xy) for name, *xy in zip(places.name, places.easting_m, places.northing_m, strict=True)}
    for name, kind, other in zip(places.name, places.kind, places.beside, strict=True):
        if kind == "pair":
            away = np.hypot(*(at[name] - at[other]))
            assert away == pytest.approx(sampling.pair_m, abs=sampleable_cells(sampling.about.field).grid.cell_m)
        else:
            assert other == ""


def test_one_sample_is_a_bag_of_cores_all_over_the_place():
    sampling = first_samples(about(field_of(box(0, 0, 20, 15))))

    assert sampling.purpose == "composite"
    assert 12 <= sampling.places.count <= 20
    thirds = set(
        zip((sampling.places.easting_m - WEST) // (20 / 3), (sampling.places.northing_m - SOUTH) // 5, strict=True)
    )
    assert len(thirds) == 9


@pytest.mark.parametrize(("hectares", "count"), [(1, 8), (20, 20), (90, 60)])
def test_the_usual_number_is_one_a_hectare_within_bounds(hectares, count):
    sampling = first_samples(about(field_of(box(0, 0, 100 * hectares, 100))))

    assert sampling.places.count == count
    assert any("our choice" in note.text for note in sampling.notes)


def test_more_samples_than_cells_are_refused_with_the_most_there_can_be():
    field = field_of(box(0, 0, 100, 100))
    room = int(sampleable_cells(field).allowed.sum())

    with pytest.raises(InputError, match=f"Ask for {room:,} or fewer"):
        first_samples(about(field), count=room + 1)
    assert first_samples(about(field), count=100).places.count == 100


def test_a_field_that_is_closed_altogether_is_refused():
    with pytest.raises(InputError, match="no-spread areas smaller"):
        first_samples(about(field_of(box(0, 0, 90, 90), box(-10, -10, 200, 200))), count=5)


def test_a_second_run_gives_the_same_places():
    field = field_of(box(0, 0, 700, 500), box(300, 200, 90, 90))

    first, again = (first_samples(about(field), count=30).places for _ in range(2))

    assert first.name == again.name
    np.testing.assert_array_equal(first.easting_m, again.easting_m)
