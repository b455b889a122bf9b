"""The line under all arrivals against a linear programme: of all lines below every delay, the least summed gap.

[Moon99] (confirmed, abstract) poses it so; ``scipy.optimize.linprog`` solves what is posed. The twelve pairs with their
50 ppm are in ``tests/daq/recovery/test_device_clock.py``.
"""

import numpy as np
import pytest
from scipy.optimize import linprog

from standbook.daq.recovery.device_clock import Arrivals, fit_clock, lower_hull


def programme(instant, delay):
    """Return slope and height at the mean of the highest line below all points: maximise the sum of its values."""
    about = instant - instant.mean()
    rows = np.column_stack([about, np.ones_like(about)])
    found = linprog(-rows.sum(axis=0), A_ub=rows, b_ub=delay, bounds=[(None, None)] * 2, method="highs")
    assert found.success
    return found.x


@pytest.mark.parametrize("seed", range(40))
def test_the_hull_is_the_solution_of_the_linear_programme(seed):
    random = np.random.default_rng(seed)
    count = int(random.integers(3, 300))
    instant = np.sort(random.uniform(0.0, 100.0, count))
    # in milliseconds, so that the solver's 1e-9 is far below what is compared
    delay = random.uniform(-0.2, 0.2) * instant + random.exponential(1.0, count) + random.uniform(-5.0, 5.0)
    slope, height = programme(instant, delay)
    hull = lower_hull(instant, delay)
    assert hull.value == pytest.approx(height, abs=1e-7)
    assert hull.slope == pytest.approx(slope, abs=1e-7)


@pytest.mark.parametrize("seed", range(5))
def test_a_device_fitted_from_ticks_has_the_rate_of_the_linear_programme(seed):
    random = np.random.default_rng(1000 + seed)
    device = np.arange(0.0, 60.0, 0.05)
    host = device * (1.0 + random.uniform(-1e-4, 1e-4)) + 7.0 + random.exponential(2e-3, device.size)
    ticks, arrived = np.rint(1e6 * device).astype(np.int64), np.rint(1e9 * host).astype(np.int64)
    fit = fit_clock([Arrivals(0, ticks, arrived)], 1_000_000, tolerance=100e-6)
    slope, _ = programme(device, 1e3 * (arrived / 1e9 - device))
    # arrivals in nanoseconds over a minute
    assert fit.hull_skew == pytest.approx(1e-3 * slope, abs=1e-10)
