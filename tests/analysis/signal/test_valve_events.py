"""Event finders on curves whose breaks are known.

Required: opening within 15 ms, knee within 30 ms at 1 kHz with 0.1 to 0.25 % of full scale of noise. The curves
are local-law blowdowns, with gas breakthrough as a ten times faster fall.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.physics.blowdown import Discharge, discharge_history
from standbook.analysis.signal.valve_events import closing_time, knee_time, opening_time
from standbook.daq.errors import DataError

TRUTH = Discharge(
    start_pressure=35e5,
    ullage_volume=0.020,
    exponent=1.48,
    cda=1.4e-5,
    density=998.2,
    back_pressure=101325.0,
    end_volume=0.033,
    exponent_drift=-0.31,
)
FULL_SCALE = 50e5


def record(*, rate=1000.0, noise=0.0, seed=0, stroke=0.15, close=12.0, opening=4.0, knee=None, vent=None):
    """A tank at rest, opened, then closed or emptied; stroke linear in flow area at both ends."""
    time = np.arange(0.0, 18.0, 1.0 / rate)
    start = opening - stroke / 2
    after = np.maximum(time - start, 0.0)
    warped = np.where(after < stroke, after**2 / (2 * stroke), after - stroke / 2)
    shut = close - stroke / 2
    left = np.clip((time - shut) / stroke, 0.0, 1.0)
    warped = np.where(time > shut, shut - opening + stroke * (left - left**2 / 2), warped)
    if knee is not None:
        warped = np.minimum(time - opening, knee - opening).clip(0.0)
    pressure = discharge_history(warped, TRUTH).pressure
    if knee is not None:
        pressure = 1e5 + (pressure - 1e5) * np.exp(-np.maximum(time - knee, 0.0) / 3.0)
    if vent is not None:
        pressure = 1e5 + (pressure - 1e5) * np.exp(-np.maximum(time - vent, 0.0) / 1.0)
    return time, pressure + noise * FULL_SCALE * np.random.default_rng(seed).standard_normal(time.size)


@pytest.mark.parametrize("stroke", [0.05, 0.15, 0.4])
@pytest.mark.parametrize("rate", [100.0, 1000.0])
def test_opening_and_closing_of_a_noise_free_record_are_mid_stroke(stroke, rate):
    time, pressure = record(rate=rate, stroke=stroke)
    # 6 ms: what parabolas leave of a curve that is none, most with the longest stroke
    assert opening_time(time, pressure).time == pytest.approx(4.0, abs=0.006)
    assert closing_time(time, pressure, start=5.0).time == pytest.approx(12.0, abs=0.006)


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.001, 0.0025])
def test_opening_is_found_within_fifteen_milliseconds_and_honestly(noise):
    found = [opening_time(*record(noise=noise, seed=k)) for k in range(25)]
    error = np.array([event.time for event in found]) - 4.0
    assert np.abs(error).max() < 0.015
    assert abs(error.mean()) < 0.004
    u = np.mean([event.u for event in found])
    assert 0.4 < np.sqrt(np.mean(error**2)) / u < 1.3  # u also covers longer strokes than this one


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.001, 0.0025])
def test_the_knee_is_found_within_thirty_milliseconds(noise):
    found = [knee_time(*record(noise=noise, seed=k, knee=11.0), start=5.0) for k in range(25)]
    error = np.array([event.time for event in found]) - 11.0
    assert np.abs(error).max() < 0.030
    assert np.sqrt(np.mean(error**2)) < 1.3 * np.mean([event.u for event in found])


@pytest.mark.slow
def test_closing_is_found_within_its_uncertainty():
    found = [closing_time(*record(noise=0.001, seed=k), start=5.0) for k in range(25)]
    pull = np.array([(event.time - 12.0) / event.u for event in found])
    assert np.abs(pull).max() < 3.5
    assert 0.5 < np.sqrt(np.mean(pull**2)) < 1.4


def test_a_vent_that_falls_faster_is_not_the_opening():
    time, pressure = record(noise=0.001, vent=15.0)
    assert opening_time(time, pressure).time == pytest.approx(4.0, abs=0.015)


def test_the_knee_needs_no_hint_where_nothing_falls_faster():
    time, pressure = record(noise=0.001, knee=11.0)
    assert knee_time(time, pressure).time == pytest.approx(11.0, abs=0.030)
    assert opening_time(time, pressure).time == pytest.approx(4.0, abs=0.015)


def test_correlated_noise_before_the_opening_is_not_taken_for_it():
    from scipy.signal import lfilter

    rho = np.exp(-1 / 50.0)
    for seed in range(5):
        time, pressure = record(noise=0.001, seed=seed)
        drive = np.random.default_rng(100 + seed).standard_normal(time.size) * np.sqrt(1 - rho**2)
        found = opening_time(time, pressure + 0.001 * FULL_SCALE * lfilter([1.0], [1.0, -rho], drive))
        assert found.time == pytest.approx(4.0, abs=0.12)
        assert found.u > 0.008, "50 ms of correlation must widen the uncertainty"


def test_spikes_do_not_move_an_opening():
    time, pressure = record(noise=0.001)
    spoilt = pressure.copy()
    spoilt[np.random.default_rng(1).choice(time.size, 90, replace=False)] += 20e5
    assert opening_time(time, spoilt).time == pytest.approx(opening_time(time, pressure).time, abs=0.004)


@pytest.mark.slow
@settings(max_examples=20, deadline=None)
@given(shift=st.floats(-1e3, 1e3), scale=st.floats(0.1, 10.0))
def test_an_event_moves_with_the_clock_and_not_with_the_unit(shift, scale):
    time, pressure = record(noise=0.001)
    base = opening_time(time, pressure)
    moved = opening_time(time + shift, scale * pressure)
    assert moved.time - shift == pytest.approx(base.time, abs=1e-4)
    assert moved.u == pytest.approx(base.u, rel=0.02)
    assert moved.method == base.method


def test_strong_noise_is_met_with_straight_pieces_and_a_wider_u():
    time, pressure = record(rate=100.0, noise=0.006)
    found = closing_time(time, pressure, start=6.0)
    assert "straight" in found.method
    assert found.u > 0.02
    assert abs(found.time - 12.0) < 3 * found.u


def test_a_still_record_has_no_opening():
    time, _ = record()
    still = 35e5 + 5e3 * np.random.default_rng(2).standard_normal(time.size)
    with pytest.raises(DataError, match="no opening stands out"):
        opening_time(time, still)


def test_a_dead_channel_has_no_opening():
    time, _ = record()
    with pytest.raises(DataError, match="no opening stands out"):
        opening_time(time, np.full(time.size, 35e5))


def test_a_record_too_short_to_look_is_refused():
    time, pressure = record()
    with pytest.raises(DataError, match=r"valve: 1.000 s with 100\d samples is too short"):
        opening_time(time, pressure, start=3.5, end=4.5, name="valve")
