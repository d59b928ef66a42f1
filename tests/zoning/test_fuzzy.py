"""Fuzzy zones, against scikit-fuzzy and arithmetic."""

import numpy as np
import pytest
import skfuzzy
from hypothesis import given, settings
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.values.zones import Features, Memberships
from zonemap.zoning.fuzzy import fuzzy_c_means, fuzzy_performance_index, normalised_classification_entropy


def clouds(seed, count, *, each=60, features=2):
    rng = np.random.default_rng(seed)
    centres = np.arange(count)[:, None] * 4.0 + rng.normal(size=(count, features))
    value = np.repeat(centres, each, axis=0) + rng.normal(size=(count * each, features))
    return Features(tuple(map(str, range(features))), value)


@pytest.mark.parametrize("fuzzifier", [1.3, 1.5, 2.0, 2.6])
@pytest.mark.parametrize("count", [2, 3, 5])
def test_grades_are_those_of_scikit_fuzzy(count, fuzzifier):
    # scikit-fuzzy 0.5 from the same start: the iteration has one end
    features = clouds(count, count)
    ours = fuzzy_c_means(features, np.ones(len(features.value)), count=count, fuzzifier=fuzzifier).grade

    centres, theirs, *_ = skfuzzy.cmeans(
        features.value.T, count, fuzzifier, error=1e-12, maxiter=5000, init=np.ascontiguousarray(ours.T)
    )

    np.testing.assert_allclose(ours.T, theirs, atol=1e-7)
    predicted = skfuzzy.cmeans_predict(features.value.T, centres, fuzzifier, error=1e-12, maxiter=5000, seed=0)[0]
    np.testing.assert_allclose(ours.T, predicted, atol=1e-7)


def test_indices_worked_by_hand():
    # U = [.9 .1; .8 .2; .3 .7; .1 .9]: F = .725, FPI = .55, H = .44036, NCE = .88072 (arithmetic).
    grades = Memberships(np.array([[0.9, 0.1], [0.8, 0.2], [0.3, 0.7], [0.1, 0.9]]))
    assert fuzzy_performance_index(grades) == pytest.approx(0.55, abs=1e-12)
    assert normalised_classification_entropy(grades) == pytest.approx(0.88072, abs=5e-6)


@pytest.mark.parametrize("count", [2, 3, 7])
def test_crisp_zones_are_not_fuzzy_at_all_and_even_ones_wholly(count):
    crisp = Memberships(np.eye(count)[np.arange(50) % count])
    even = Memberships(np.full((50, count), 1 / count))
    assert (fuzzy_performance_index(crisp), normalised_classification_entropy(crisp)) == (0.0, 0.0)
    assert fuzzy_performance_index(even) == pytest.approx(1.0)
    assert normalised_classification_entropy(even) == pytest.approx(np.log(count) / (1 - count / 50))


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.floats(1.05, 4))
def test_grades_are_shares_and_do_not_depend_on_the_scale_of_areas(seed, count, fuzzifier):
    features = clouds(seed, 3, each=15)
    area = np.random.default_rng(seed).uniform(0.1, 2.0, 45)

    found = fuzzy_c_means(features, area, count=count, fuzzifier=fuzzifier).grade

    assert found.shape == (45, count)
    np.testing.assert_allclose(found.sum(axis=1), 1.0)
    assert np.all((found >= 0) & (found <= 1))
    np.testing.assert_allclose(fuzzy_c_means(features, 7 * area, count=count, fuzzifier=fuzzifier).grade, found)


def test_a_cell_that_counts_twice_is_two_cells():
    features = clouds(1, 2, each=10)
    doubled = Features(features.name, np.vstack([features.value, features.value[:5]]))
    weight = np.ones(20)
    weight[:5] = 2

    one = fuzzy_c_means(features, weight, count=2).grade
    other = fuzzy_c_means(doubled, np.ones(25), count=2).grade

    np.testing.assert_allclose(one, other[:20], atol=1e-8)


def test_cells_alike_are_one_zone_and_every_zone_has_a_cell():
    flat = Features(("K",), np.ones((10, 1)))
    assert fuzzy_c_means(flat, np.ones(10), count=3).zones.count == 1
    assert Memberships(np.array([[0.4, 0.0, 0.6], [1.0, 0.0, 0.0]])).zones.number.tolist() == [2, 1]


@pytest.mark.parametrize("fuzzifier", [1.0, 0.5, float("nan"), float("inf")])
def test_a_fuzzifier_that_is_none_is_refused(fuzzifier):
    with pytest.raises(InputError, match=r"Write a number above 1, e\.g\. 1\.5"):
        fuzzy_c_means(clouds(0, 2), np.ones(120), count=2, fuzzifier=fuzzifier)
