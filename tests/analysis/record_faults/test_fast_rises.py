"""A pressure that jumps up is found; a hold that warms and water hammer are not."""

import numpy as np
import pytest

from standbook.analysis.record_faults.fast_rises import fast_rise
from tests.analysis.record_faults.tank_record import ENDS, altered, tank_record


def rise(record):
    return fast_rise(record.time, record.pressure, after=-0.5)


def test_readings_dropped_to_zero_for_a_while_rise_when_they_come_back():
    found = rise(altered(tank_record(), lambda t, p: np.where((t >= 2.5) & (t < 2.8), 0.0, p)))
    assert found.time == pytest.approx(2.8, abs=0.05)
    assert found.share > 0.5


def test_a_step_up_is_found_at_its_instant_and_a_step_down_is_no_rise():
    found = rise(altered(tank_record(), lambda t, p: p + 1.5e5 * (t >= 3.0)))
    assert found.time == pytest.approx(3.0, abs=0.1)
    assert rise(altered(tank_record(), lambda t, p: p - 1.5e5 * (t >= 3.0))) is None


@pytest.mark.parametrize("noise", [0.0, 600.0, 8000.0])
def test_a_flow_does_not_rise(noise):
    assert rise(tank_record(noise=noise)) is None


def test_a_hold_that_warms_by_five_per_cent_and_a_hammer_of_two_are_no_fast_rise():
    def warmed(time, pressure):
        since = np.maximum(time - ENDS, 0.0)
        ring = 0.02 * np.sin(2.0 * np.pi * 15.0 * since) * np.exp(-since / 0.1) * (since > 0.0)
        return pressure * (1.0 + 0.05 * (1.0 - np.exp(-since / 0.8)) + ring)

    assert rise(altered(tank_record(), warmed)) is None


def test_pressurising_before_the_flow_is_not_looked_at():
    assert rise(altered(tank_record(), lambda t, p: np.where(t < -3.0, 1e5, p))) is None
