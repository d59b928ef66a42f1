"""What is said of the samples of one quantity."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from zonemap.amounts import reader
from zonemap.report.figures import draw_map
from zonemap.report.summary import summary
from zonemap.report.text import result_text
from zonemap.report.words import measured_spread, practical_range_m, samples_sentence, samples_sentences, two_digits
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.distribution import Distribution
from zonemap.values.surface import CrossValidation, Evidence, Surface, Transform
from zonemap.values.variogram import Variogram

# 0.05 = exp(-r) at r = 2.9957: a range parameter of 100 m reaches 299.57 m, 983 ft.
MODEL = Variogram("exponential", 100.0, 0.03, 0.09, 0.01)
MISS = CrossValidation(0.0, 0.5 * KG_HA_PER_LB_AC, 1.0, 0.9, 0.2)
FOUND = Evidence(40, "found", 0.002, MODEL, None, MISS)
NOT_FOUND = Evidence(40, "not_found", 0.3, Variogram("exponential", 1.0, 0.1, 0.0), None, MISS)
TOO_FEW = Evidence(5, "too_few", math.nan, None, None, MISS)


def said(evidence, *, units="us", unit="kg/ha/day", spread=1.25 * KG_HA_PER_LB_AC, across_m=900.0):
    surface = Surface("K", unit, Transform("log"), Distribution.normal(np.ones(1), np.ones(1)), evidence)
    return samples_sentence(surface, spread=spread, across_m=across_m, read=reader(units))


def test_a_pattern_is_said_with_its_reach_its_fine_part_and_the_typical_miss():
    assert said(FOUND) == (
        "K: a pattern, alike up to about 980 ft apart; about a quarter is error or too fine to map; "
        "typical miss 0.50 lb/ac/day, spread 1.2."
    )


def test_a_metric_reader_is_told_metres_and_kilograms():
    assert "300 m apart" in said(FOUND, units="metric")
    assert "typical miss 0.56 kg/ha/day, spread 1.4." in said(FOUND, units="metric")


def test_a_unit_that_is_not_a_supply_rate_is_left_as_it_is():
    ppm = replace(FOUND, cross_validation=CrossValidation(0.0, 31.2, 1.0, 0.9))
    assert "typical miss 31 mg/kg, spread 120." in said(ppm, unit="mg/kg", spread=123.0)


def test_a_range_beyond_the_field_is_not_given_as_a_distance():
    assert "a pattern, from one end of the field to the other;" in said(FOUND, across_m=250.0)


@pytest.mark.parametrize(
    ("nugget", "words"),
    [
        (0.0, "no sign of error or of variation too fine to map"),
        (0.1, "about a tenth is"),
        (0.25, "about a quarter is"),
        (0.5, "about half is"),
        (0.75, "about three quarters is"),
        (1.0, "nearly all is"),
    ],
)
def test_the_share_that_cannot_be_mapped_is_said_in_words(nugget, words):
    assert words in said(replace(FOUND, variogram=Variogram("exponential", 100.0, nugget, 1.0 - nugget)))


def test_without_structure_no_range_is_said():
    assert said(NOT_FOUND) == (
        "K: no pattern in 40 samples; one level for the whole field; typical miss 0.50 lb/ac/day, spread 1.2."
    )


def test_a_pattern_that_was_not_looked_for_is_not_denied():
    assert "no pattern was looked for in 40 samples" in said(replace(NOT_FOUND, structure_p=math.nan, variogram=None))


def test_equal_values_are_said_to_be_equal():
    equal = Evidence(12, "not_found", math.nan, None, None, None)
    assert said(equal, spread=0.0) == "K: all 12 samples are equal; one level for the whole field."


def test_too_few_samples_say_nothing():
    assert said(TOO_FEW).startswith("K: 5 sampled places say nothing about a pattern; one level for the whole field;")
    one = replace(TOO_FEW, samples=1, cross_validation=None)
    assert said(one, spread=math.nan) == (
        "K: 1 sampled place says nothing about a pattern; one level for the whole field."
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (0.00534, "0.0053"),
        (0.0996, "0.10"),
        (9.96, "10"),
        (47.2, "47"),
        (996.0, "1,000"),
        (1234.0, "1,200"),
    ],
)
def test_two_digits_are_written_out(value, text):
    assert two_digits(value) == text


def test_the_practical_range_is_where_the_correlation_is_a_twentieth():
    assert math.exp(-practical_range_m(MODEL) / MODEL.range_m) == pytest.approx(0.05, abs=1e-5)


def test_the_spread_is_that_of_what_was_measured(tomatoes):
    value = tomatoes.case.samples.columns["K"].value
    value = value[np.isfinite(value)]
    expected = math.sqrt(sum((v - value.mean()) ** 2 for v in value) / (len(value) - 1))
    assert measured_spread(tomatoes, "K") == pytest.approx(expected)


def test_every_quantity_has_its_sentence_in_the_text(tomatoes):
    page = result_text(tomatoes, None)
    part = page.split("What the samples can show:\n")[1].split("\n\n")[0]

    assert [line[2:].split(":")[0] for line in part.splitlines() if not line.startswith("    ")] == list(
        tomatoes.surfaces
    )
    assert " ".join(part.split()) == " ".join(" ".join(samples_sentences(tomatoes)).split())
    for quantity, surface in tomatoes.surfaces.items():
        verdict = "a pattern," if surface.evidence.structure == "found" else "no pattern in"
        assert f"{quantity}: {verdict}" in part


def test_what_is_the_same_for_all_quantities_is_said_once(garden):
    page = result_text(garden, None)
    assert page.count("says nothing about a pattern") == 1
    assert ", ".join(garden.surfaces) in page


def test_a_garden_reads_in_its_own_units_and_no_part_is_followed_by_two_blank_lines(garden, tomatoes):
    pages = [result_text(plan, None) for plan in (garden, tomatoes)]

    assert "lb/1000 ft2" in pages[0].split("Of what is put on:")[1].split("\n\n")[0]
    assert "lb/ac" not in pages[0].split("Supply against")[0]
    assert not any("\n\n\n" in page for page in pages)


def test_the_summary_carries_the_score_where_it_was_made(tomatoes):
    nutrients = summary(tomatoes)["nutrients"]
    for quantity, surface in tomatoes.surfaces.items():
        made = surface.evidence.cross_validation.crps
        assert nutrients[quantity]["crps"] == (made if math.isfinite(made) else None)
    assert any(nutrient["crps"] is not None for nutrient in nutrients.values())


def test_a_longer_direction_is_said_with_both_distances():
    turned = replace(FOUND, variogram=replace(MODEL, ratio=0.4, azimuth_deg=50.0))
    assert "alike up to about 300 m apart northeast to southwest, 120 m across that;" in said(turned, units="metric")


@pytest.mark.parametrize(
    ("names", "share", "words"),
    [
        (("elevation",), 0.1, "apart, little of it with elevation;"),
        (("elevation", "conductivity"), 0.5, "apart, about half of it with elevation and conductivity;"),
        (("a", "b", "c"), 0.9, "apart, most of it with a, b and c;"),
    ],
)
def test_what_goes_with_covariates_is_said_with_their_names(names, share, words):
    assert words in said(replace(FOUND, covariates=names, covariate_share=share))


def test_rates_of_ten_thousand_and_more_are_written_out_in_text_and_on_the_map(tomatoes, monkeypatch, tmp_path):
    applications = tuple(
        replace(each, rate_kg_ha=np.full_like(each.rate_kg_ha, 22_000 * KG_HA_PER_LB_AC))
        for each in tomatoes.prescription.applications
    )
    plan = replace(tomatoes, prescription=replace(tomatoes.prescription, applications=applications))
    drawn = []
    monkeypatch.setattr("zonemap.report.figures.save_picture", lambda figure, *_, **__: drawn.append(figure))
    draw_map(plan, tmp_path / "map.png")
    labels = [text.get_text() for axes in drawn[0].axes for text in axes.texts]
    for said in (result_text(plan, None), "\n".join(labels)):
        assert "22,000" in said
        assert "e+" not in said
