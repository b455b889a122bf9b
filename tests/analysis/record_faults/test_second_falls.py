"""A valve that opens again is found where it does; a leak, a vent, and gas after a run-out are none."""

import numpy as np
import pytest

from standbook.analysis.record_faults.second_falls import second_fall
from tests.analysis.record_faults.tank_record import BACK, altered, tank_record, trace_of


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_valve_that_opens_again_is_found_with_its_instant_and_its_share(share):
    record = tank_record(flows=((0.0, 6.0, 1.0), (8.5, 9.5, share)))
    found = second_fall(trace_of(record), BACK)
    assert found.time == pytest.approx(8.5, abs=0.2)
    assert found.share == pytest.approx(share, rel=0.25)
    assert found.before == pytest.approx(np.interp(8.2, record.time, record.pressure), rel=5e-3)
    assert found.after == pytest.approx(np.interp(10.5, record.time, record.pressure), rel=5e-3)


@pytest.mark.parametrize("noise", [0.0, 600.0, 5000.0])
def test_a_tank_that_stands_after_its_flow_falls_no_second_time(noise):
    assert second_fall(trace_of(tank_record(noise=noise)), BACK) is None


@pytest.mark.parametrize("seconds", [0.3, 3.0])
def test_a_vent_to_the_ambient_pressure_is_no_second_fall(seconds):
    def vented(time, pressure):
        return BACK + (pressure - BACK) * np.exp(-np.maximum(time - 8.0, 0.0) / seconds)

    assert second_fall(trace_of(altered(tank_record(), vented)), BACK) is None


def test_a_leak_and_gas_that_follows_at_once_are_no_second_fall():
    leaking = altered(tank_record(), lambda t, p: p * np.exp(-0.01 * np.maximum(t, 0.0)))
    assert second_fall(trace_of(leaking), BACK) is None
    gas = tank_record(flows=((0.0, 6.0, 1.0), (6.0, 6.6, 4.0)))
    assert second_fall(trace_of(gas), BACK) is None
