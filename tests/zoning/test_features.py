import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import InputError
from zonemap.values.distribution import SCORES, Distribution
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.zoning.features import supply_and_covariates, supply_features

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)


def surface(quantity, centre_and_spread, transform="log"):
    said = Distribution.normal(*np.array(centre_and_spread, dtype=float))
    return Surface(quantity, "kg/ha/day", Transform(transform), said, EVIDENCE)


def test_the_median_of_a_normal_cell_is_standardised_and_weighted():
    # Medians 1, 3: mean 2, standard deviation 1.
    surfaces = {"K": surface("K", [[1, 3], [0.5, 0.5]])}

    features = supply_features(surfaces, weights={"K": 2.0})

    assert features.name == ("K",)
    np.testing.assert_allclose(features.value, [[-2.0], [2.0]])


def test_cells_are_grouped_by_the_median_of_a_skew_distribution_not_by_its_mean():
    # medians 1, -1, 0 under one mean
    quantile = np.linspace(-5, 5, len(SCORES))[:, None] + np.array([1.0, -1.0, 0.0])
    said = Distribution(np.ones(3), np.ones(3), quantile, np.ones_like(quantile))
    surfaces = {"K": Surface("K", "kg/ha/day", Transform("log"), said, EVIDENCE)}

    features = supply_features(surfaces, weights={"K": 1.0})

    np.testing.assert_allclose(features.value[:, 0], np.array([1, -1, 0]) / np.sqrt(2 / 3))


def test_cells_can_count_by_area():
    # Mean (3 * 1 + 1 * 5) / 4 = 2, variance (3 * 1 + 1 * 9) / 4 = 3.
    surfaces = {"K": surface("K", [[1, 5], [1, 1]])}

    features = supply_features(surfaces, weights={"K": 1.0}, cell_area_ha=np.array([3.0, 1.0]))

    np.testing.assert_allclose(features.value[:, 0], np.array([-1, 3]) / np.sqrt(3))


def test_quantities_without_weight_and_constant_ones_are_left_out():
    surfaces = {
        "N": surface("N", [[1, 2], [1, 1]]),
        "P": surface("P", [[1, 2], [1, 1]]),
        "K": surface("K", [[4, 4], [1, 1]]),
        "S": surface("S", [[0.1 + 0.2, 0.3], [1, 1]]),
        "Ca": surface("Ca", [[0, 0], [0, 0]]),
        "Zn": surface("Zn", [[2, 1], [1, 1]]),
    }

    features = supply_features(surfaces, weights={"N": 0.0, "K": 1.0, "S": 1.0, "Ca": 1.0, "Zn": 1.0})

    assert features.name == ("Zn",)


def test_nothing_to_group_by_leaves_no_column_but_every_cell():
    features = supply_features({"K": surface("K", [[4, 4, 4], [1, 1, 1]])}, weights={"K": 1.0})

    assert features.value.shape == (3, 0)


@given(
    st.lists(st.floats(-5, 5), min_size=2, max_size=30).filter(lambda v: max(v) - min(v) > 1e-3),
    st.floats(0.01, 100),
    st.floats(-50, 50),
)
def test_features_do_not_depend_on_the_unit_of_an_untransformed_quantity(median, scale, shift):
    spread = np.full(len(median), 0.1)
    plain = supply_features({"K": surface("K", [median, spread], "none")}, weights={"K": 1.0})

    moved = [np.array(median) * scale + shift, spread * scale]
    other = supply_features({"K": surface("K", moved, "none")}, weights={"K": 1.0})

    np.testing.assert_allclose(other.value, plain.value, atol=1e-6)


@pytest.mark.parametrize("weight", [-1.0, float("nan"), float("inf")])
def test_a_weight_that_is_none_is_refused(weight):
    with pytest.raises(InputError, match="Write 0 or more"):
        supply_features({"K": surface("K", [[1, 2], [1, 1]])}, weights={"K": weight})


def test_no_surface_at_all_is_refused():
    with pytest.raises(InputError, match="Name at least one measured quantity"):
        supply_features({}, weights={})


def even(median):
    return surface("K", (median, np.full(len(median), 0.1)), "none")


def test_covariates_weigh_the_share_that_is_asked_for():
    rng = np.random.default_rng(4)
    made = {"K": even(rng.normal(size=50)), "P": even(rng.normal(size=50))}
    weights, covariates = {"K": 3.0, "P": 4.0}, {"height": rng.normal(size=50), "flat": np.ones(50)}

    found = supply_and_covariates(made, weights=weights, covariates=covariates, covariate_weight=0.36)

    assert found.name == ("K", "P", "covariate height")
    # squared weights 9 + 16, and .36 of them: 3 squared
    np.testing.assert_allclose(found.value.std(axis=0), [3.0, 4.0, 3.0])
    np.testing.assert_allclose(np.corrcoef(found.value[:, 2], covariates["height"])[0, 1], 1.0)


def test_without_covariates_or_weight_the_surfaces_stand_alone():
    made = {"K": even(np.arange(10.0))}
    plain = supply_features(made, weights={"K": 1.0})
    for covariates, share in (({}, 0.5), ({"height": np.arange(10.0)}, 0.0)):
        found = supply_and_covariates(made, weights={"K": 1.0}, covariates=covariates, covariate_weight=share)
        assert found.name == ("K",)
        np.testing.assert_array_equal(found.value, plain.value)
    with pytest.raises(InputError, match="Write 0 or more"):
        supply_and_covariates(made, weights={"K": 1.0}, covariates={}, covariate_weight=-1.0)
