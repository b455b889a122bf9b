"""A value held in mid-flow and a cut-off top are found where they are; what merely stands still is not."""

import numpy as np
import pytest

from standbook.analysis.record_faults.held_values import flat_top, held_value
from tests.analysis.record_faults.tank_record import STEP, altered, counts_of, tank_record


def held(record, **span):
    return held_value(record.time, counts_of(record), **{"start": -0.5, "until": 12.0, **span})


def holding(begin, seconds):
    def change(time, pressure):
        made = pressure.copy()
        inside = (time >= begin) & (time < begin + seconds)
        made[inside] = made[inside][0]
        return made

    return change


@pytest.mark.parametrize("seconds", [0.2, 0.5])
def test_a_value_held_in_mid_flow_is_found_with_its_instant_and_length(seconds):
    found = held(altered(tank_record(), holding(2.5, seconds)))
    assert found.time == pytest.approx(2.5, abs=0.005)
    assert found.seconds == pytest.approx(seconds, abs=0.01)


def test_a_sensor_that_freezes_until_the_record_s_end_is_found():
    assert held(altered(tank_record(), holding(2.5, 100.0))).time == pytest.approx(2.5, abs=0.005)


@pytest.mark.parametrize("noise", [2000.0, 600.0, 100.0, 40.0])
def test_noise_of_ten_counts_or_of_a_fifth_holds_nothing(noise):
    """With a fifth of a count a tank at rest stands on one value for most of the time, before and after."""
    assert all(held(tank_record(noise=noise, seed=seed)) is None for seed in range(3))


def test_a_quiet_tank_that_stands_for_a_moment_between_closing_and_vent_is_not_held():
    def vented(time, pressure):
        return pressure * np.exp(-np.maximum(time - 6.3, 0.0) / 0.8)

    assert held(altered(tank_record(noise=0.0), vented)) is None
    assert held(altered(altered(tank_record(noise=0.0), vented), holding(2.5, 0.2))).time == pytest.approx(
        2.5, abs=0.005
    )


def test_what_is_held_outside_the_span_that_was_asked_for_is_not_looked_at():
    assert held(altered(tank_record(), holding(8.0, 0.5)), until=7.0) is None


@pytest.mark.parametrize("share", [0.85, 0.95])
def test_a_clip_at_any_level_is_a_flat_top(share):
    record = tank_record()
    level = share * record.pressure.max()
    marks = flat_top(counts_of(altered(record, lambda _, pressure: np.minimum(pressure, level))))
    assert marks[record.time < 0.0].all()
    assert not marks[record.time > 3.0].any()


@pytest.mark.parametrize("noise", [2000.0, 600.0, 100.0, 0.1 * STEP, 0.0])
def test_a_tank_at_rest_is_no_flat_top_however_quiet_its_sensor(noise):
    assert flat_top(counts_of(tank_record(noise=noise))) is None


def test_a_record_of_a_few_samples_says_nothing():
    assert held_value(np.arange(5.0), np.ones(5, np.int64), start=0.0, until=5.0) is None
