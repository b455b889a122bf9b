"""Drifts and breaks: closed forms, and limits against series that have neither."""

import math

import numpy as np
import pytest

from standbook.analysis.several_runs.trends import move_of, slope_of, split_limit, split_of
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


def test_a_lasting_move_sums_up_and_a_single_departure_does_not():
    # by hand: from the third on each adds 1.5, so 1.5, 3.0, 4.5 against 3.92
    found = move_of([0.0, -0.5, 2.0, 2.0, 2.0])
    assert (found.since, found.level, found.total) == (2, pytest.approx(2.0), pytest.approx(4.5))
    assert found.is_seen
    down = move_of([0.0, 0.5, -2.0, -2.0, -2.0])
    assert (down.since, down.level, down.is_seen) == (2, pytest.approx(-2.0), True)
    assert not move_of([0.0, 0.5, 3.0, -0.5, 0.0]).is_seen  # 2.5 only
    with pytest.raises(DataError, match="2 departures"):
        move_of([1.0])


@pytest.mark.parametrize("runs", [2, 4, 6, 10, 20])
def test_steady_series_are_called_moved_once_in_a_hundred(runs):
    # own series, and the largest sum by its definition: over all stretches, the sum of what passes the half
    values = np.random.default_rng(runs).standard_normal((40_000, runs))
    above, below = (np.cumsum(side * values - 0.5, axis=1) for side in (1.0, -1.0))
    before = [np.minimum.accumulate(np.pad(s, ((0, 0), (1, 0)))[:, :-1], axis=1) for s in (above, below)]
    largest = np.maximum((above - before[0]).max(axis=1), (below - before[1]).max(axis=1))
    some = slice(0, 200)
    assert [move_of(list(row)).total for row in values[some]] == pytest.approx(np.maximum(largest[some], 0.0).tolist())
    flagged = move_of(list(values[int(np.argmax(largest))]))
    assert flagged.is_seen
    limit = {2: 2.72, 4: 3.59, 6: 4.19, 10: 4.95, 20: 5.96}[runs]  # found by drawing two million such series
    assert 0.007 <= np.mean(largest > limit) <= 0.013
    near = values[np.abs(largest - limit) < 0.2]
    assert [move_of(list(row)).is_seen for row in near] == (largest[np.abs(largest - limit) < 0.2] > limit).tolist()


def test_limits_between_the_simulated_numbers_of_runs():
    assert split_limit(7) == pytest.approx(3.08)
    assert split_limit(9) == pytest.approx(3.15)


def test_what_is_no_series_is_refused():
    for rule in (slope_of, split_of):
        with pytest.raises(DataError, match="3 at least"):
            rule([1.0, 2.0], [1.0, 1.0])
        with pytest.raises(DataError, match="above zero"):
            rule([1.0, 2.0, 3.0], [1.0, 0.0, 1.0])
