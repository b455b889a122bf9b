"""A valve that opens again is found where it does; a leak, a vent, and gas after a run-out are none."""

import numpy as np
import pytest
from scipy.signal import lfilter

from standbook.analysis.record_faults.second_falls import second_fall
from tests.analysis.record_faults.tank_record import BACK, altered, tank_record, trace_of


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_valve_that_opens_again_is_found_with_its_instant_and_its_share(share):
    record = tank_record(flows=((0.0, 6.0, 1.0), (8.5, 9.5, share)))
    found = second_fall(trace_of(record), BACK, closed=True)
    assert found.time == pytest.approx(8.5, abs=0.2)
    assert found.share == pytest.approx(share, rel=0.25)
    assert found.before == pytest.approx(np.interp(8.2, record.time, record.pressure), rel=5e-3)
    assert found.after == pytest.approx(np.interp(10.5, record.time, record.pressure), rel=5e-3)


@pytest.mark.parametrize("noise", [0.0, 600.0, 5000.0])
def test_a_tank_that_stands_after_its_flow_falls_no_second_time(noise):
    assert second_fall(trace_of(tank_record(noise=noise)), BACK, closed=True) is None


@pytest.mark.parametrize("seconds", [0.3, 0.7, 1.5, 3.0])
def test_a_vent_to_the_ambient_pressure_is_no_second_fall(seconds):
    def vented(time, pressure):
        return BACK + (pressure - BACK) * np.exp(-np.maximum(time - 8.0, 0.0) / seconds)

    assert second_fall(trace_of(altered(tank_record(), vented)), BACK, closed=True) is None


def wandering(record, deviation, seed):
    """Lay slow noise over a record: a tenth of a second's steps that come back within seconds."""
    random = np.random.default_rng(seed)
    step = record.time[1] - record.time[0]
    keep = np.exp(-step / 0.6)
    drive = deviation * np.sqrt(1.0 - keep**2) * random.standard_normal(record.time.size)
    return altered(record, lambda _, pressure: pressure + lfilter([1.0], [1.0, -keep], drive))


def test_levels_tell_of_a_second_opening_where_slow_noise_hides_its_slopes():
    once, twice = ((0.0, 6.0, 1.0),), ((0.0, 6.0, 1.0), (8.5, 10.0, 0.6))
    found = [second_fall(trace_of(wandering(tank_record(flows=twice), 12e3, k)), BACK, closed=True) for k in range(8)]
    seen = [fall for fall in found if fall is not None]
    assert all(fall.after < fall.before for fall in seen)
    assert sum(6.5 < fall.time < 10.0 for fall in seen) >= 5
    for k in range(8):
        assert second_fall(trace_of(wandering(tank_record(flows=once), 12e3, k)), BACK, closed=True) is None


def test_a_leak_and_gas_that_follows_at_once_are_no_second_fall():
    leaking = altered(tank_record(), lambda t, p: p * np.exp(-0.01 * np.maximum(t, 0.0)))
    assert second_fall(trace_of(leaking), BACK, closed=True) is None
    gas = tank_record(flows=((0.0, 6.0, 1.0), (6.0, 6.6, 4.0)))
    assert second_fall(trace_of(gas), BACK, closed=False) is None
