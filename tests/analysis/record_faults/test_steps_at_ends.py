"""A step that was taken for an end is found with its size and instant; closings and run-outs of any width are none."""

import numpy as np
import pytest

from standbook.analysis.record_faults.steps_at_ends import step_at_end
from tests.analysis.record_faults.tank_record import START, altered, tank_record, trace_of, without


@pytest.mark.parametrize("percent", [2.0, -2.0, 0.5, -0.5])
@pytest.mark.parametrize("found_at", [2.8, 3.1])
def test_a_step_that_made_an_end_is_found_with_its_size_and_instant(percent, found_at):
    record = altered(tank_record(), lambda t, p: p + 0.01 * percent * START * (t >= 3.0))
    found = step_at_end(trace_of(record, end=found_at))
    level = np.interp(2.9, record.time, record.pressure)
    assert found.time == pytest.approx(3.0, abs=0.05)
    assert found.share == pytest.approx(0.01 * percent * START / level, rel=0.25)


def test_a_step_shortly_before_the_flow_s_own_end_is_found():
    record = altered(tank_record(flows=((0.0, 6.0, 1.0), (6.0, 8.0, 8.0))), lambda t, p: p + 0.02 * START * (t >= 4.9))
    assert step_at_end(trace_of(record, end=4.95)).time == pytest.approx(4.9, abs=0.05)


@pytest.mark.parametrize("noise", [0.0, 600.0, 5000.0])
def test_a_closing_is_no_step(noise):
    assert all(step_at_end(trace_of(tank_record(noise=noise, seed=seed))) is None for seed in range(3))


@pytest.mark.parametrize("gas", [1.8, 4.0, 12.0])
@pytest.mark.parametrize("shut", [0.25, 0.6, 3.0])
def test_gas_that_follows_and_is_shut_in_is_no_step(gas, shut):
    record = tank_record(flows=((0.0, 6.0, 1.0), (6.0, 6.0 + shut, gas)))
    assert step_at_end(trace_of(record)) is None


def test_water_hammer_and_a_hold_that_warms_are_no_step():
    def closed(time, pressure):
        since = np.maximum(time - 6.05, 0.0)
        ring = 0.01 * np.sin(2.0 * np.pi * 15.0 * since) * np.exp(-since / 0.1)
        return pressure * (1.0 + 0.03 * (1.0 - np.exp(-since / 0.6)) + ring)

    assert step_at_end(trace_of(altered(tank_record(), closed))) is None


def test_a_record_that_stops_at_the_end_says_nothing():
    assert step_at_end(trace_of(without(tank_record(), 6.2, 20.0))) is None
