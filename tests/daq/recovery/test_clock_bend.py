"""A clock's rate that changes within a record, by arrivals alone."""

import numpy as np
import pytest

from standbook.daq.recovery.clock_bend import rate_change

RESOLUTION = 1e-3
INSTANT = np.arange(0.0, 20.0, 0.02)


def delays(seed=1):
    return 1e-3 + np.minimum(np.random.default_rng(seed).exponential(1e-3, INSTANT.size), 0.02)


def bent(change, at=9.0):
    return delays() + change * np.maximum(INSTANT - at, 0.0)


@pytest.mark.parametrize("change", [-0.04, -0.005, 0.005, 0.04])
@pytest.mark.parametrize("at", [4.0, 9.0, 15.0])
def test_a_change_of_rate_is_found_with_its_size(change, at):
    assert rate_change(INSTANT, bent(change, at), RESOLUTION) == pytest.approx(change, rel=0.1)


@pytest.mark.parametrize("seed", range(20))
def test_one_rate_whatever_it_is_and_late_arrivals_are_no_change(seed):
    random = np.random.default_rng(seed)
    late = delays(seed) + random.uniform(-0.01, 0.01) * INSTANT
    held = random.uniform(2.0, 17.0)
    late += np.where((held < INSTANT) & (held + 1.0 > INSTANT), 0.3, 0.0)  # the computer was busy for a second
    assert rate_change(INSTANT, late, RESOLUTION) is None


def test_a_crystal_that_warms_up_is_no_change():
    assert rate_change(INSTANT, bent(3e-5), RESOLUTION) is None


def test_too_few_arrivals_tell_nothing():
    assert rate_change(INSTANT[:40], bent(0.04)[:40], RESOLUTION) is None
