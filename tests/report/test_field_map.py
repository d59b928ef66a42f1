"""The map of one application."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely

from zonemap.report.field_map import field_map, keep_out_letter, map_seen
from zonemap.report.style import RATE_COLOURS, rate_colour
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.field import NoSpread

SVG = "{http://www.w3.org/2000/svg}"


def drawn(plan, index=0):
    return ElementTree.fromstring(field_map(plan, plan.prescription.applications[index]))


def area_of(path):
    """Area of a path of straight rings, counted even-odd."""
    rings = [
        shapely.Polygon([tuple(map(float, point.split(","))) for point in ring.split("L")])
        for ring in re.findall("M([^MZ]*)Z", path.get("d"))
    ]
    covered = shapely.Polygon()
    for ring in rings:
        covered = covered.symmetric_difference(ring)
    return covered.area


def boxes(svg):
    return [
        shapely.box(
            *(float(rect.get(k)) for k in "xy"),
            *(float(rect.get(a)) + float(rect.get(b)) for a, b in (["x", "width"], ["y", "height"])),
        )
        for rect in svg.iter(f"{SVG}rect")
    ]


def test_every_polygon_is_drawn_to_scale_in_the_colour_of_its_rate(stripes):
    svg = drawn(stripes)
    filled = [path for path in svg.iter(f"{SVG}path") if path.get("stroke-width") == "1.6"]
    true_m2 = np.array([polygon.area for polygon in stripes.prescription.polygon])
    points2 = np.array([area_of(path) for path in filled])
    np.testing.assert_allclose(points2 / points2.sum(), true_m2 / true_m2.sum(), atol=2e-4)
    zones = stripes.prescription.zone.tolist()
    expected = ["#ffffff" if zone == 0 else rate_colour(10.0 * zone, 80.0) for zone in zones]
    assert [path.get("fill") for path in filled] == expected


def test_the_scale_bar_is_as_long_as_it_says(stripes):
    svg = drawn(stripes)
    (bar,) = (path for path in svg.iter(f"{SVG}path") if path.get("d").count("V") == 2)
    start, end = float(re.match("M([^,]*)", bar.get("d"))[1]), float(re.search("H([0-9.]*)", bar.get("d"))[1])
    outline = next(path for path in svg.iter(f"{SVG}path") if path.get("stroke-width") == "1.4")
    metres_per_point = np.sqrt(stripes.case.field.boundary.area / area_of(outline))
    (said,) = (text.text for text in svg.iter(f"{SVG}text") if text.text.endswith(" ft"))
    assert (end - start) * metres_per_point / 0.3048 == pytest.approx(float(said.removesuffix(" ft")), rel=2e-3)


def test_every_zone_is_named_with_its_rate_and_no_label_lies_on_another(stripes):
    svg = drawn(stripes)
    texts = [text.text for text in svg.iter(f"{SVG}text")]
    joined = " ".join(texts)
    for zone in range(1, 9):
        rate = f"{10 * zone / KG_HA_PER_LB_AC:.4g}"
        assert rate in joined
        assert str(zone) in texts or f"{zone}: {rate}" in texts
    assert all(not one.overlaps(other) for index, one in enumerate(boxes(svg)) for other in boxes(svg)[:index])


def test_labels_of_a_zone_in_many_narrow_parts_do_not_pile_up(strips_of):
    plan = strips_of(30)
    alternating = np.where(plan.prescription.zone > 0, (plan.prescription.zone - 1) % 3 + 1, 0)
    plan = replace(plan, prescription=replace(plan.prescription, zone=alternating))
    labels = boxes(drawn(plan))
    assert len(labels) > 4
    assert all(not one.overlaps(other) for index, one in enumerate(labels) for other in labels[:index])


def test_a_zone_gives_way_to_the_letter_of_a_closed_place(strips_of):
    plan = strips_of(1)
    whole = plan.case.field.boundary
    plan = replace(plan, prescription=replace(plan.prescription, polygon=tuple(whole.geoms), zone=[1]))
    middle = shapely.maximum_inscribed_circle(whole.geoms[0], tolerance=0.1).coords[0]
    well = NoSpread("well", shapely.MultiPolygon([shapely.Point(middle).buffer(2.0)]))
    field = replace(plan.case.field, no_spread=(well,))
    letter, zone = boxes(drawn(replace(plan, case=replace(plan.case, field=field))))
    assert not letter.intersects(zone)


def test_hatching_stays_within_the_no_spread_area_and_its_letter_stands_on_it(stripes):
    svg = drawn(stripes)
    hatching = next(path for path in svg.iter(f"{SVG}path") if path.get("stroke-width") == "0.7")
    outline = next(path for path in svg.iter(f"{SVG}path") if path.get("stroke-width") == "0.8")
    ring = [tuple(map(float, point.split(","))) for point in re.findall("M([^MZ]*)Z", outline.get("d"))[0].split("L")]
    lines = [
        shapely.LineString([tuple(map(float, point.split(","))) for point in line.split("L")])
        for line in hatching.get("d").split("M")[1:]
    ]
    assert len(lines) > 5
    assert all(shapely.Polygon(ring).buffer(0.05).covers(line) for line in lines)
    letter = next(text for text in svg.iter(f"{SVG}text") if text.text == "A")
    assert shapely.Polygon(ring).contains(shapely.Point(float(letter.get("x")), float(letter.get("y"))))


def test_north_is_up(stripes):
    # the northernmost vertex of the field is the topmost of its outline
    outline = next(path for path in drawn(stripes).iter(f"{SVG}path") if path.get("stroke-width") == "1.4")
    points = np.array([tuple(map(float, point.split(","))) for point in re.findall("[^MLZ]+", outline.get("d"))])
    ground = np.asarray(stripes.case.field.boundary.geoms[0].exterior.coords)
    assert points[:, 1].argmin() == ground[:-1, 1].argmax()


def test_a_name_with_markup_is_text_in_the_title(stripes):
    name = 'A <b>"field"</b> & \x07 more'
    plan = replace(stripes, case=replace(stripes.case, field=replace(stripes.case.field, name=name)))
    svg = drawn(plan)
    title = svg.find(f"{SVG}title").text
    assert 'A <b>"field"</b> &  more' in title
    assert svg.find(f".//{SVG}b") is None


def test_the_words_for_the_map_name_every_zone_and_what_is_kept_out(stripes):
    seen = map_seen(stripes, stripes.prescription.applications[0])
    assert [int(zone) for zone in re.findall(r"zone (\d+)", seen)] == list(range(1, 9))
    assert "Hatched, nothing may be spread: well, 30 m." in seen


def test_letters_go_on_after_the_last(stripes):
    letters = [keep_out_letter(index) for index in range(60)]
    assert len(set(letters)) == 60
    places = tuple(NoSpread(f"place {index}", stripes.case.field.no_spread[0].area) for index in range(30))
    plan = replace(stripes, case=replace(stripes.case, field=replace(stripes.case.field, no_spread=places)))
    assert "D2" in [text.text for text in drawn(plan).iter(f"{SVG}text")]


def test_higher_rates_are_darker():
    def light(colour):
        """Relative luminance (WCAG 2.2)."""
        parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    levels = [light(colour) for colour in RATE_COLOURS]
    assert all(first > second for first, second in pairwise(levels))
    assert rate_colour(0.0, 0.0) == RATE_COLOURS[0]
