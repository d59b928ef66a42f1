"""Effective pairs: what patterned sets are worth, held against simulation (no published table was at hand)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.geostat.independence import effective_number, effective_pairs
from zonemap.geostat.ranks import rank_correlation, rank_shares, trend_of


@given(st.integers(4, 40), st.floats(-0.02, 0.9))
def test_places_equally_alike_are_worth_their_number(n, likeness):
    # (1 - c) I + c J: taking means away leaves (1 - c) B, so var(r) = 1/(n - 1), as for independent places.
    equal = (1 - likeness) * np.eye(n) + likeness * np.ones((n, n))

    assert effective_number(equal, equal) == pytest.approx(n)
    assert effective_number(np.eye(n), equal) == pytest.approx(n)


def test_places_that_repeat_one_another_are_worth_their_groups():
    # 20 places in 5 groups of 4 copies: 5 places.
    copies = np.kron(np.eye(5), np.ones((4, 4)))

    assert effective_number(copies, copies) == pytest.approx(5)


def _field(rng, root):
    return root @ rng.normal(size=len(root))


@pytest.mark.parametrize(("count", "scale_m"), [(16, 180.0), (40, 0.1), (40, 180.0), (64, 400.0)])
def test_independent_patterns_are_seldom_said_to_share_a_ranking(count, scale_m):
    # A square grid 95 m apart, exponential covariance with 15 % of the sill on top. Counting all pairs gave up to 27 %.
    rng = np.random.default_rng(count)
    side = math.ceil(math.sqrt(count))
    site = 95.0 * np.array([(k % side, k // side) for k in range(count)]) + rng.uniform(-25, 25, size=(count, 2))
    apart = np.hypot(*np.moveaxis(site[:, None] - site[None], 2, 0))
    root = np.linalg.cholesky(np.exp(-apart / scale_m) + 0.15 * np.eye(count))
    said = 0
    for _ in range(400):
        one, other = _field(rng, root), _field(rng, root)
        worth = effective_pairs(rank_shares(one), rank_shares(other), *site.T)
        said += trend_of(rank_correlation(one, other, effective=worth)) != "not"

    # 5 % and four standard errors of a share of 0.05 in 400
    assert said / 400 < 0.05 + 4 * math.sqrt(0.05 * 0.95 / 400)


@given(st.integers(0, 30), st.integers(0, 1000))
def test_pairs_are_never_worth_more_than_they_are(count, seed):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(4, count))

    assert 0 <= effective_pairs(*values) <= count


def test_many_pairs_are_thinned_and_worth_less_not_more():
    rng = np.random.default_rng(3)
    values = rng.normal(size=(4, 4000))

    assert 700 < effective_pairs(*values) <= 1500


def test_pairs_worth_next_to_nothing_leave_everything_open():
    rank = np.arange(12.0)

    found = rank_correlation(rank, rank, effective=3.5)

    assert (found.low_95, found.high_95) == (-1, 1)
    assert trend_of(found) == "not"
