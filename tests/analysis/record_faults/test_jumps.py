"""A step in mid-flow is found with its size and instant; valve, noise and slow drift are no step."""

import numpy as np
import pytest

from standbook.analysis.record_faults.jumps import jump
from tests.analysis.record_faults.tank_record import START, altered, tank_record, trace_of, without


@pytest.mark.parametrize("percent", [2.0, -2.0, 0.5, -0.5])
def test_a_step_is_found_with_its_size_and_instant(percent):
    record = altered(tank_record(), lambda t, p: p + 0.01 * percent * START * (t >= 3.0))
    found = jump(trace_of(record))
    assert found.time == pytest.approx(3.0, abs=0.04)
    assert found.share * np.interp(3.0, record.time, record.pressure) == pytest.approx(0.01 * percent * START, rel=0.15)


@pytest.mark.parametrize("noise", [0.0, 600.0, 5000.0])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_flow_has_no_step(noise, seed):
    assert jump(trace_of(tank_record(noise=noise, seed=seed))) is None


def test_a_valve_that_opens_for_half_a_second_and_a_drift_are_no_step():
    slow = tank_record(flows=((0.25, 6.0, 0.5), (0.0, 6.0, 0.5)))
    assert jump(trace_of(altered(slow, lambda t, p: p * (1.0 + 0.004 * t)))) is None


def test_a_step_inside_the_noise_and_one_across_a_gap_are_not_claimed():
    small = altered(tank_record(noise=5000.0), lambda t, p: p + 0.002 * START * (t >= 3.0))
    assert jump(trace_of(small)) is None
    assert jump(trace_of(without(tank_record(), 2.8, 3.2))) is None


def test_without_a_hold_a_step_is_found_all_the_same():
    record = altered(tank_record(), lambda t, p: p + 0.02 * START * (t >= 3.0))
    assert jump(trace_of(without(record, -10.0, -0.3))).time == pytest.approx(3.0, abs=0.04)


def test_a_step_is_as_sure_where_it_is_looked_for_only_from_later_than_the_opening():
    record = altered(tank_record(noise=5000.0), lambda t, p: p + 0.01 * START * (t >= 3.0))
    whole, narrow = jump(trace_of(record)), jump(trace_of(record), (0.5, 5.0))
    assert narrow.time == pytest.approx(3.0, abs=0.04)
    assert narrow == whole
    assert jump(trace_of(record), (3.0, 6.0)) is None
    assert jump(trace_of(record), (0.0, 3.3)) is None


def test_pressurising_that_the_hold_still_holds_hides_no_step():
    record = altered(
        tank_record(noise=5000.0, hold=8.0),
        lambda t, p: p + 0.01 * START * (t >= 3.0) + 0.1 * START * np.clip((-4.0 - t) / 0.05, -1.0, 0.0),
    )
    assert jump(trace_of(record)).time == pytest.approx(3.0, abs=0.04)


def test_a_step_of_five_uncertainties_counts_where_it_is_larger_than_any_bend():
    noisy = altered(tank_record(noise=12000.0, seed=0), lambda t, p: p + 0.0055 * START * (t >= 3.0))
    found = jump(trace_of(noisy))
    assert found.time == pytest.approx(3.0, abs=0.04)
    assert 5.0 < found.in_u < 7.0
    assert found.share > 0.003


def test_a_step_as_small_as_a_bend_needs_seven_uncertainties():
    quiet = tank_record(noise=2500.0, seed=0)
    assert jump(trace_of(altered(quiet, lambda t, p: p + 0.0012 * START * (t >= 3.0)))) is None
    found = jump(trace_of(altered(quiet, lambda t, p: p + 0.0016 * START * (t >= 3.0))))
    assert found.in_u > 7.0
    assert found.share < 0.003
