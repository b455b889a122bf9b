"""Rise, overshoot and shutdown against shapes whose answer is known."""

import numpy as np
import pytest

from standbook.analysis.signal.transients import EXPECTED_GREATEST, rise_of, shutdown_begin
from standbook.daq.errors import DataError

TIME = np.arange(-1.0, 6.0, 1e-3)


def ramp(rise=0.1, level=20.0, fall=0.5, overshoot=0.0):
    """Up in a straight line from T+0.2 s, then a slow fall, with a bump at the top."""
    up = np.clip((TIME - 0.2) / rise, 0.0, 1.0)
    bump = overshoot * np.exp(-(((TIME - 0.2 - rise - 0.03) / 0.02) ** 2))
    return up * (level - fall * np.clip(TIME - 0.2, 0.0, None)) * (1.0 + bump)


def test_a_straight_rise_takes_four_fifths_of_its_length_from_10_to_90_percent():
    found = rise_of(TIME, ramp(), start=0.21, span=0.005)
    # the level it is read against falls by 2.5 % a second meanwhile: 0.2 ms
    assert found.rise.value == pytest.approx(0.08, abs=0.0005)
    assert found.low == pytest.approx(0.21, abs=0.001)
    assert 0.0005 < found.rise.u < 0.003


@pytest.mark.parametrize("bump", [0.0, 0.05, 0.3])
def test_overshoot_is_what_stands_above_the_settled_course(bump):
    found = rise_of(TIME, ramp(overshoot=bump), start=0.21, span=0.005)
    assert found.overshoot.value == pytest.approx(bump, abs=0.003)


def test_noise_alone_is_an_overshoot_within_its_uncertainty():
    pulls = []
    for seed in range(60):
        noisy = ramp() + 0.1 * np.random.default_rng(seed).standard_normal(TIME.size)
        overshoot = rise_of(TIME, noisy, start=0.21, span=0.005).overshoot
        pulls.append(overshoot.value / overshoot.u)
        assert overshoot.u > 0.0
    # the greatest of about a hundred independent means lies 2.5 deviations high, u is two: never beyond two u
    assert 0.7 < np.mean(pulls) < 1.8
    assert max(pulls) < 2.5
    assert EXPECTED_GREATEST == 2.0


def test_a_spike_of_the_igniter_is_not_the_start():
    spiked = ramp()
    spiked[np.searchsorted(TIME, 0.02)] += 300.0
    found = rise_of(TIME, spiked, start=0.21, span=0.005)
    assert found.low == pytest.approx(0.21, abs=0.002)


@pytest.mark.parametrize(("value", "start"), [(np.zeros(TIME.size), 0.2), (ramp(), 5.5)])
def test_what_does_not_rise_or_is_cut_off_is_refused(value, start):
    with pytest.raises(DataError):
        rise_of(TIME, value, start=start, span=0.005)


def test_shutdown_begins_where_nine_tenths_are_left_for_good():
    thrust = np.interp(TIME, [0.0, 4.0, 4.4], [1000.0, 1000.0, 0.0])
    thrust += 120.0 * (np.abs(TIME - 3.2) < 0.005)  # a spike afterwards
    thrust -= 300.0 * (np.abs(TIME - 3.0) < 0.02)  # a dip that recovers
    begin = shutdown_begin(TIME, thrust, after=2.5, level=1000.0, span=0.02)
    assert begin.value == pytest.approx(4.04, abs=0.002)
    assert 0.002 < begin.u < 0.01
    with pytest.raises(DataError, match="does not fall"):
        shutdown_begin(TIME, np.full(TIME.size, 1000.0), after=2.5, level=1000.0, span=0.02)
