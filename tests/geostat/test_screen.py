"""Screening: what is merged, what is named, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from zonemap.errors import InputError
from zonemap.geostat.screen import screen
from zonemap.values.basis import Basis
from zonemap.values.samples import Column, Samples


def rows(sites, *, censored=None, **columns):
    n = len(sites)
    flags = np.zeros(n, dtype=bool) if censored is None else censored
    return Samples(
        sample=tuple(f"S{k + 1}" for k in range(n)),
        easting_m=np.array(sites, dtype=float)[:, 0],
        northing_m=np.array(sites, dtype=float)[:, 1],
        basis=Basis("resin", burial_days=4.0),
        columns={name: Column("kg/ha/day", value, flags) for name, value in columns.items()},
        repeatability_cv=0.15,
    )


CORNERS = [(0, 0), (100, 0), (0, 100), (100, 90)]


def texts(notes, kind):
    return [note.text for note in notes if note.kind == kind]


def test_clean_rows_pass_through_in_order_and_without_a_word():
    found, notes = screen(rows(CORNERS, K=[1.0, 2.0, 3.0, 4.0]), "K")

    assert notes == ()
    assert found.sample == ("S1", "S2", "S3", "S4")
    assert found.value.tolist() == [1.0, 2.0, 3.0, 4.0]
    assert found.replicates.tolist() == [1, 1, 1, 1]
    assert np.all(np.isnan(found.replicate_variance))
    assert (found.unit, found.repeatability_cv, found.basis.kind) == ("kg/ha/day", 0.15, "resin")


def test_rows_without_the_quantity_are_left_out():
    found, _ = screen(rows(CORNERS, K=[1.0, np.nan, 3.0, np.inf]), "K")

    assert found.sample == ("S1", "S3")


def test_rows_at_one_place_that_differ_are_averaged_and_kept_as_error_evidence():
    samples = rows([(0, 0), (0.005, 0.005), (100, 0), (0, 100)], K=[2.0, 3.0, 2.5, 2.6])

    found, notes = screen(samples, "K")

    assert found.sample == ("S1+S2", "S3", "S4")
    assert found.value[0] == 2.5
    assert found.replicates.tolist() == [2, 1, 1]
    assert found.replicate_variance[0] == pytest.approx(0.5)  # (2 - 2.5)^2 + (3 - 2.5)^2 over 1
    assert (found.easting_m[0], found.northing_m[0]) == (0.0025, 0.0025)
    assert len(notes) == 1
    assert "S1, S2" in texts(notes, "warning")[0]
    assert "evidence of measurement error" in texts(notes, "warning")[0]


def test_a_copied_row_counts_once_and_says_nothing_of_error():
    samples = rows([(0, 0), (0, 0), (100, 0), (0, 100)], K=[2.0, 2.0, 2.5, 2.6], P=[1.0, 1.0, 1.1, 1.2])

    found, notes = screen(samples, "K")

    assert found.replicates.tolist() == [1, 1, 1]
    assert np.isnan(found.replicate_variance[0])
    assert "copied row" in texts(notes, "repair")[0]


def test_replicates_that_happen_to_agree_in_one_quantity_stay_replicates():
    samples = rows([(0, 0), (0, 0), (100, 0), (0, 100)], K=[2.0, 2.0, 2.5, 2.6], P=[1.0, 1.3, 1.1, 1.2])

    found, notes = screen(samples, "K")

    assert found.replicates.tolist() == [2, 1, 1]
    assert found.replicate_variance[0] == 0.0
    assert "replicates" in texts(notes, "repair")[0]


def test_rows_two_centimetres_apart_are_two_places():
    found, _ = screen(rows([(0, 0), (0.02, 0), (0, 100)], K=[2.0, 3.0, 2.5]), "K")

    assert found.count == 3


def test_censored_values_stay_marked_through_averaging():
    flags = np.array([True, False, False, False])
    found, _ = screen(rows([(0, 0), (0, 0), (100, 0), (0, 100)], K=[0.5, 1.0, 2.0, 2.1], censored=flags), "K")

    assert found.censored.tolist() == [True, False, False]


@pytest.mark.parametrize(
    ("factor", "said"), [(1000.0, "about 1,000 times"), (10.0, "about 10 times"), (0.01, "1/100 of")]
)
def test_a_slipped_unit_is_named_and_kept(factor, said):
    value = np.array([2.0, 2.2, 1.9, 2.1, 2.0 * factor, 1.8])
    sites = [(0, 0), (100, 0), (0, 100), (100, 90), (50, 50), (20, 70)]

    found, notes = screen(rows(sites, K=value), "K")

    assert found.count == 6
    assert len(notes) == 1
    assert "sample S5" in notes[0].text
    assert said in notes[0].text
    assert "possible unit slip" in notes[0].text


def test_an_outlier_that_is_no_slip_is_named_without_that_guess():
    sites = [(0, 0), (100, 0), (0, 100), (100, 90), (50, 50), (20, 70)]

    _, notes = screen(rows(sites, K=[2.0, 2.2, 1.9, 2.1, 60.0, 1.8]), "K")

    assert len(notes) == 1
    assert "unit slip" not in notes[0].text
    assert "is kept" in notes[0].text


def test_spread_within_the_repeatability_is_no_outlier():
    # More than half of the values are equal: the median absolute deviation is 0, but 15 % repeatability is not.
    sites = [(0, 0), (100, 0), (0, 100), (100, 90), (50, 50), (20, 70)]

    _, notes = screen(rows(sites, K=[2.0, 2.0, 2.0, 2.0, 2.3, 2.0]), "K")

    assert notes == ()


def test_places_on_a_line_are_said_to_be():
    _, notes = screen(rows([(0, 0), (100, 50.3), (200, 100), (300, 149)], K=[1.0, 2.0, 3.0, 2.0]), "K")

    assert "off the line" in texts(notes, "warning")[0]


def test_equal_values_are_said_to_be():
    _, notes = screen(rows(CORNERS, K=[2.0] * 4), "K")

    assert "limit of detection" in texts(notes, "warning")[0]


def test_no_usable_row_is_refused():
    with pytest.raises(InputError, match="Leave the quantity out, or add samples"):
        screen(rows(CORNERS, K=[np.nan] * 4), "K")


def test_a_quantity_that_was_not_measured_is_refused_with_the_ones_that_were():
    with pytest.raises(InputError, match="Name one of: K, P"):
        screen(rows(CORNERS, K=[1.0] * 4, P=[1.0] * 4), "Zn")


@pytest.mark.parametrize("value", [1e31, -1e31, 1e-31])
def test_a_value_beyond_any_unit_is_refused(value):
    with pytest.raises(InputError, match="Correct the value or its unit"):
        screen(rows(CORNERS, K=[1.0, 2.0, value, 3.0]), "K")


def test_more_than_ten_places_with_several_rows_are_told_of_in_one_note():
    rng = np.random.default_rng(0)
    sites = np.repeat(rng.uniform(0, 500, (20, 2)), 2, axis=0)
    value = rng.uniform(2.0, 2.5, 40)
    value[:8:2] = value[1:8:2]  # four copied rows

    found, notes = screen(rows(sites, K=value), "K")

    assert found.count == 20
    assert found.replicates.tolist() == [1] * 4 + [2] * 16
    assert len(notes) == 1
    assert "20 places have several rows" in notes[0].text
    assert "(4 places)" in notes[0].text
    assert "16 places differ, the first being samples S9, S10" in notes[0].text


def test_more_than_ten_outliers_are_told_of_in_one_note_with_the_farthest():
    rng = np.random.default_rng(0)
    value = rng.uniform(2.0, 2.5, 200)
    value[:15] = 200.0
    value[7] = 2000.0

    _, notes = screen(rows(rng.uniform(0, 500, (200, 2)), K=value), "K")

    assert len(notes) == 1
    assert "15 of 200 values are far" in notes[0].text
    assert "farthest 2000 (sample S8)" in notes[0].text


def test_a_sensor_that_stood_still_is_one_place_with_a_short_name():
    # 50,000 rows at one place are 1,250 million pairs.
    rng = np.random.default_rng(0)
    sites = np.vstack([np.zeros((50_000, 2)), rng.uniform(10, 500, (100, 2))])

    found, notes = screen(rows(sites, K=rng.uniform(2.0, 2.5, 50_100)), "K")

    assert found.count == 101
    assert found.sample[0] == "S1+49999 more"
    assert found.replicates[0] == 50_000
    assert max(len(note.text) for note in notes) < 400


def test_places_and_their_spread_are_those_of_a_plain_loop():
    rng = np.random.default_rng(3)
    place = rng.integers(0, 60, 200)
    sites, value = np.column_stack([place % 8, place // 8]) * 10.0, rng.normal(5, 1, 200)
    value[rng.random(200) < 0.2] = np.nan

    found, _ = screen(rows(sites, K=value, P=rng.normal(size=200)), "K")

    kept = np.flatnonzero(np.isfinite(value))
    order = list(dict.fromkeys(place[kept].tolist()))
    groups = [value[kept][place[kept] == p] for p in order]
    np.testing.assert_allclose(found.value, [group.mean() for group in groups])
    np.testing.assert_array_equal(found.replicates, [len(group) for group in groups])
    expected = [group.var(ddof=1) if len(group) > 1 else np.nan for group in groups]
    np.testing.assert_allclose(found.replicate_variance, expected)
    np.testing.assert_array_equal(found.easting_m, [10.0 * (p % 8) for p in order])
