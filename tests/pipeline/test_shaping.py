"""Polygons as the terms ask for them: totals stay those of the field, and what changed is said."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Polygon, box

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.pipeline.shaping import blank_prescription
from zonemap.values.prescription import Application
from zonemap.values.prescription_terms import PrescriptionTerms
from zonemap.values.season import Product

E, N = 500_000.0, 4_650_000.0
FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"


@pytest.fixture(scope="module")
def case():
    """A field of 300 x 200 m in place of a sample field's own."""
    read = read_folder(FIELDS / "limed_rotation")
    field = replace(read.field, boundary=MultiPolygon([box(E, N, E + 300, N + 200)]), crs="EPSG:32614", no_spread=())
    return replace(read, field=field, units="us")


def coverage():
    """Zone 1 all around a patch of zone 2 of 20 x 20 m, zone 2 in the east, a well on the south edge."""
    patch, well = box(E + 50, N + 100, E + 70, N + 120), box(E + 100, N, E + 120, N + 20)
    corners = [(0, 0), (100, 0), (100, 20), (120, 20), (120, 0), (200, 0), (200, 200), (0, 200)]
    west = Polygon([(E + x, N + y) for x, y in corners]).difference(patch)
    return (well, west, patch, box(E + 200, N, E + 300, N + 200)), np.array([0, 1, 2, 2])


def shaped(case, **terms):
    polygons, zone = coverage()
    return blank_prescription(polygons, zone, replace(case, prescription_terms=PrescriptionTerms(**terms)), zones=2)


def test_without_terms_the_polygons_are_as_they_were(case):
    prescription, notes = shaped(case)

    assert prescription.polygon == coverage()[0]
    assert prescription.inside_ha is None
    assert notes == ()


def test_areas_and_totals_leave_out_what_lies_past_the_boundary(case):
    prescription, notes = shaped(case, extend_edge_m=10.0)
    rates = np.array([100.0, 200.0])
    application = Application(Product("potash", {}), None, rates, rates)

    # by hand: zone 1 holds 200 x 200 less the patch and the well, zone 2 the patch and 100 x 200
    assert prescription.zone_area_ha(2) == pytest.approx([4.0 - 0.08, 0.04 + 2.0])
    assert prescription.total_kg(application) == pytest.approx(100 * 3.92 + 200 * 2.04)
    # 10 m along the north (200), west (200) and south (200 - 20) edges of zone 1, and of zone 2 along 100 + 200 + 100
    corner = 8 * 100 / 2 * np.sin(np.pi / 16)
    beyond = 100 * (580 * 10 + 2 * corner) / 1e4 + 200 * (400 * 10 + 2 * corner) / 1e4
    assert prescription.beyond_kg(application) == pytest.approx(beyond, abs=1e-3)
    assert any("Totals are for the field alone" in note.text for note in notes)


def test_small_polygons_join_and_the_area_that_changes_its_rate_is_said(case):
    prescription, notes = shaped(case, minimum_polygon_ha=0.05)

    assert sorted(prescription.zone.tolist()) == [0, 1, 2]
    assert prescription.zone_area_ha(2) == pytest.approx([3.96, 2.0])
    assert prescription.drawn_ha == pytest.approx([3.92, 2.04])
    # 400 m2 = 4,305.6 ft2
    assert any("4 became 3" in note.text and "4,306 ft2" in note.text for note in notes)


def test_a_zone_that_is_gone_is_named(case):
    prescription, notes = shaped(case, minimum_polygon_ha=3.0)

    assert prescription.zone_area_ha(2) == pytest.approx([5.96, 0.0])
    assert any(note.text.startswith("Zone 2 is smaller") for note in notes)


def test_no_spread_areas_outside_count_among_the_polygons(case):
    beside = MultiPolygon([box(E - 8, N + 50, E - 2, N + 60)])
    near = replace(case, field=replace(case.field, no_spread_around=beside))

    prescription, _ = shaped(near, extend_edge_m=10.0, most_polygons=4)

    assert sorted(prescription.zone.tolist()) == [0, 0, 1, 2]
    assert prescription.area_ha.sum() == pytest.approx(6.0)
    # two zones, the well and the strip outside: no fewer
    with pytest.raises(InputError, match=r"3 polygons are too few: 4 are left .* Write most_polygons = 4 or more"):
        shaped(near, extend_edge_m=10.0, most_polygons=3)


def test_a_rate_where_no_polygon_lies_keeps_out_of_holes_and_is_cautioned(case):
    polygons, zone = coverage()
    hollow = (*polygons[:1], *polygons[1:2], *polygons[3:])  # the patch becomes a hole
    terms = PrescriptionTerms(outside_rate_kg_ha=100.0, position_lost_rate_kg_ha=50.0)

    prescription, notes = blank_prescription(hollow, zone[[0, 1, 3]], replace(case, prescription_terms=terms), zones=2)

    pond = [p for p, z in zip(prescription.polygon, prescription.zone, strict=True) if z == 0 and p.equals(polygons[2])]
    assert len(pond) == 1
    assert prescription.area_ha.sum() == pytest.approx(6.0 - 0.04)
    assert sum(note.kind == "caution" for note in notes) == 2
    assert shapely.coverage_is_valid(list(prescription.polygon))
