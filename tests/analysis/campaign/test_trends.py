"""Drifts and breaks: closed forms, and limits against series that have neither."""

import math

import numpy as np
import pytest

from standbook.analysis.campaign.trends import slope_of, split_limit, split_of
from standbook.daq.errors import DataError

# Largest split of series without a break, once in a hundred: found by drawing such series, no handbook has them.
LIMITS = {3: 2.82, 4: 2.92, 5: 3.00, 6: 3.05, 8: 3.11, 10: 3.19}


def test_a_line_through_equal_runs():
    found = slope_of([0.0, 1.0, 2.0, 3.0], [1.0] * 4)
    assert found.per_run == pytest.approx(1.0)
    assert found.u == pytest.approx(1.0 / math.sqrt(5.0))  # sum of squares about the middle: 2 (1.5^2 + 0.5^2)
    assert not found.is_seen  # 2.24 u; 2.58 are asked for
    assert slope_of([0.0, 1.2, 2.4, 3.6], [1.0] * 4).is_seen  # 2.68 u


def test_a_line_through_unequal_runs_is_weighted_least_squares():
    values, u = [3.0, 4.5, 4.0, 6.5, 6.0], [0.2, 0.5, 0.3, 0.4, 0.1]
    found = slope_of(values, u, scatter=0.3)
    whole = np.hypot(u, 0.3)
    (slope, _), covariance = np.polyfit(np.arange(5), values, 1, w=1.0 / whole, cov="unscaled")
    assert found.per_run == pytest.approx(slope)
    assert found.u == pytest.approx(math.sqrt(covariance[0, 0]))


def test_what_all_runs_share_moves_nothing():
    values, u = np.array([1.0, 1.3, 0.9, 2.0, 2.2]), [0.2, 0.3, 0.2, 0.2, 0.3]
    one, again = (split_of((values + shift).tolist(), u) for shift in (0.0, 40.0))
    assert (one.before, one.step, one.z) == (again.before, pytest.approx(again.step), pytest.approx(again.z))
    assert slope_of((values + 40.0).tolist(), u).per_run == pytest.approx(slope_of(values.tolist(), u).per_run)


def test_a_series_of_two_levels_parts_between_them():
    found = split_of([0.0, 0.0, 0.0, 5.0, 5.0], [1.0] * 5)
    assert found.before == 3
    assert found.step == pytest.approx(5.0)
    assert found.z == pytest.approx(5.0 / math.sqrt(1.0 / 3.0 + 1.0 / 2.0))
    assert found.is_seen
    assert not split_of([0.0, 0.0, 0.0, 2.7, 2.7], [1.0] * 5).is_seen  # z 2.96, limit 3.00
    assert split_of([0.0, 0.0, 0.0, 2.8, 2.8], [1.0] * 5).is_seen  # z 3.07
    assert not split_of([0.0, 0.0, 0.0, 2.8, 2.8], [1.0] * 5, scatter=0.5).is_seen


@pytest.mark.parametrize("runs", LIMITS)
def test_limits_of_the_largest_split(runs):
    limit = split_limit(runs)
    assert limit == LIMITS[runs]
    # own series, and the split by its definition: means of both sides over the u of their difference
    values = np.random.default_rng(runs).standard_normal((40_000, runs))
    z = [
        np.abs(values[:, k:].mean(axis=1) - values[:, :k].mean(axis=1)) / math.sqrt(1.0 / k + 1.0 / (runs - k))
        for k in range(1, runs)
    ]
    passed = np.mean(np.max(z, axis=0) > limit)
    assert passed <= 0.013  # 1.3 times one in a hundred
    assert passed >= 0.007  # and not so high that breaks hide


def test_limits_between_the_simulated_numbers_of_runs():
    assert split_limit(7) == pytest.approx(3.08)
    assert split_limit(9) == pytest.approx(3.15)


def test_what_is_no_series_is_refused():
    for rule in (slope_of, split_of):
        with pytest.raises(DataError, match="3 at least"):
            rule([1.0, 2.0], [1.0, 1.0])
        with pytest.raises(DataError, match="above zero"):
            rule([1.0, 2.0, 3.0], [1.0, 0.0, 1.0])
