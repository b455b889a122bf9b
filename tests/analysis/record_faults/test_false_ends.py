"""A flow that goes on behind its end is told from one that stops, runs out, or runs out and is shut."""

import numpy as np
import pytest

from standbook.analysis.record_faults.false_ends import flows_on, stood_before
from tests.analysis.record_faults.tank_record import ENDS, START, altered, tank_record, trace_of, without

GAS = 4.0  # times the liquid's area


@pytest.mark.parametrize("percent", [2.0, -2.0, 1.0, -1.0])
def test_a_step_that_was_taken_for_an_end_is_followed_by_the_same_flow(percent):
    record = altered(tank_record(), lambda t, p: p + 0.01 * percent * START * (t >= 3.0))
    found = flows_on(trace_of(record, end=2.95, end_u=0.02))
    assert (found.time, found.share) == (2.95, pytest.approx(1.0, abs=0.25))


def test_a_step_that_lies_behind_the_end_that_it_made_is_skipped():
    record = altered(tank_record(), lambda t, p: p + 0.02 * START * (t >= 3.5))
    assert flows_on(trace_of(record, end=3.0)) is not None


@pytest.mark.parametrize("early", [0.5, 0.7, 1.0])
def test_liquid_that_flows_up_to_a_stop_soon_after_another_was_not_stopped_by_it(early):
    record = altered(tank_record(), lambda t, p: p + 0.01 * START * (t >= ENDS - early))
    found = flows_on(trace_of(record, end=ENDS - early, end_u=0.02))
    assert (found.time, found.share) == (ENDS - early, pytest.approx(1.0, abs=0.25))


def test_a_valve_that_opened_again_after_a_stand_is_left_to_its_own_test():
    record = tank_record(flows=((0.0, ENDS, 1.0), (ENDS + 2.0, ENDS + 3.0, 1.0)))
    assert flows_on(trace_of(record)) is None


@pytest.mark.parametrize("end_u", [0.01, 0.2])
@pytest.mark.parametrize("noise", [0.0, 600.0, 5000.0])
def test_nothing_flows_on_behind_a_valve_that_shut(noise, end_u):
    assert flows_on(trace_of(tank_record(noise=noise), end_u=end_u)) is None


@pytest.mark.parametrize("shut", [0.3, 0.6, 1.0, 3.0])
def test_gas_that_follows_until_it_is_shut_in_is_no_liquid(shut):
    record = tank_record(flows=((0.0, 6.0, 1.0), (6.0, 6.0 + shut, GAS)))
    assert flows_on(trace_of(record)) is None


def test_a_vent_soon_after_the_closing_is_no_liquid():
    def vented(time, pressure):
        return 1e5 + (pressure - 1e5) * np.exp(-np.maximum(time - 7.0, 0.0) / 0.7)

    assert flows_on(trace_of(altered(tank_record(), vented))) is None


def test_a_record_that_stops_with_its_flow_says_nothing():
    assert flows_on(trace_of(without(tank_record(), 6.4, 20.0))) is None


@pytest.mark.parametrize("stood", [4.5, 8.0])
def test_a_tank_that_stood_before_a_vent_is_seen(stood):
    record = tank_record(flows=((0.0, 9.0, 1.0),))
    assert stood_before(trace_of(record, end=9.0 + stood)) == 4.8


@pytest.mark.parametrize("noise", [0.0, 600.0, 5000.0])
def test_liquid_that_flows_until_its_end_does_not_stand(noise):
    assert stood_before(trace_of(tank_record(noise=noise))) is None
