"""The reference's error over levels: closed forms, and what a line makes of it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.calibration.reference_error import (
    class_covariances,
    coefficient_covariances,
    gain_covariance,
    reference_u,
    stack_counts,
    stacked_covariance,
)
from standbook.daq.errors import DataError


def slope_u(covariance, level):
    """Standard uncertainty of the slope of a line through levels that a sensor reads without an error."""
    x = level - level.mean()
    weight = np.vstack([np.full(level.size, 1.0 / level.size), x / (x @ x)])
    return reference_u(np.array([0.0, 1.0]), coefficient_covariances(weight, (covariance,)))


# Ten equal masses, each u = 575 ppm: derived, the same figures by simulation.
def test_ten_stacked_masses_say_less_than_ten_independent_forces():
    u = 575e-6
    level = np.arange(0.0, 11.0)
    stacked = stacked_covariance(range(11), np.full(10, u))
    assert stacked[3, 7] == pytest.approx(3 * u**2)  # u² min(i, j)
    assert 1e6 * slope_u(stacked, level) == pytest.approx(192.0, abs=8.0)
    independent = np.diag((u * level) ** 2) / np.maximum(level, 1.0)[:, None]
    assert 1e6 * slope_u(independent, level) == pytest.approx(123.0, abs=8.0)
    assert 1e6 * slope_u(gain_covariance(level, u), level) == pytest.approx(575.0, rel=1e-9)
    mixed = gain_covariance(level, 0.8**0.5 * u * 0.0 + 0.8 * u) + stacked_covariance(range(11), np.full(10, 0.6 * u))
    assert 1e6 * slope_u(mixed, level) == pytest.approx(474.0, abs=5.0)


def test_repeats_do_not_average_the_reference():
    level = np.tile(np.linspace(0.0, 1.0, 6), 50)
    for covariance in class_covariances(level, 1e-3, 1.0):
        once = covariance[:6, :6]
        assert slope_u(covariance, level) == pytest.approx(slope_u(once, level[:6]), rel=1e-9)


def test_errors_of_levels_hide_no_negative_variance():
    level = np.tile(np.linspace(0.0, 1.0, 11), 3)
    for covariance in class_covariances(level, 1e-3, 1.0):
        assert np.min(np.linalg.eigvalsh(covariance)) > -1e-15


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(1.0, 50.0), min_size=1, max_size=8))
def test_levels_name_the_weights_that_hang(weights):
    sums = np.concatenate([[0.0], np.cumsum(weights)])
    assert stack_counts(sums[::-1], np.array(weights), agrees=0.1) == list(range(len(weights), -1, -1))


def test_a_level_that_no_weights_add_up_to_is_refused():
    with pytest.raises(DataError, match="15 is not the sum of the first weights; the nearest sum is 20"):
        stack_counts(np.array([0.0, 15.0]), np.array([20.0, 20.0]), agrees=2.0)
