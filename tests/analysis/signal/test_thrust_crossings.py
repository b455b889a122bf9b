"""Start, stop and window of thrust records with and without a ringing stand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.signal.thrust_crossings import (
    aft_tangent_bisector,
    full_window,
    running_mean,
    thrust_start_stop,
)
from standbook.daq.errors import DataError

RATE = 2000.0
MODE = 40.0  # Hz


def trapezoid(time, *, start=2.0, rise=0.2, hold=6.0, fall=0.5, thrust=5000.0):
    corners = np.cumsum([start, rise, hold, fall])
    return np.interp(time, corners, [0.0, thrust, thrust, 0.0])


def ringing(time, force, damping=0.02):
    """Response of a stand of one mode, exact for a force linear between samples."""
    from scipy.signal import lsim

    w = 2 * np.pi * MODE
    return lsim(([w * w], [1.0, 2 * damping * w, w * w]), force, time)[1]


@pytest.fixture
def time():
    return np.arange(0.0, 14.0, 1.0 / RATE)


def test_ten_percent_points_of_a_trapezoid_are_exact(time):
    """Derived: 10 % to 10 % time is hold + 0.9 (rise + fall) = 6.63 s; impulse inside it 31 732.5 N s."""
    start, stop = thrust_start_stop(time, trapezoid(time), 0.0)
    assert stop.time - start.time == pytest.approx(6.63, abs=1e-9)
    assert start.time == pytest.approx(2.02, abs=1e-9)
    fine = np.linspace(start.time, stop.time, 200001)
    assert np.trapezoid(trapezoid(fine), fine) == pytest.approx(31732.5, abs=0.01)


def test_the_impulse_over_the_full_window_is_all_of_it(time):
    """Derived: 5000 (6.0 + 0.35) = 31 750 N s."""
    thrust = trapezoid(time)
    window = full_window(time, thrust, 1.0 / MODE)
    inside = window.of(time)
    assert np.trapezoid(thrust[inside], time[inside]) == pytest.approx(31750.0, rel=1e-6)
    assert 1.9 < window.start < 2.0
    assert 8.7 < window.end < 8.8


def test_ringing_moves_start_and_stop_by_milliseconds_only(time):
    thrust = ringing(time, trapezoid(time, rise=0.05, hold=6.2, fall=0.0125))  # half a period: rings at its loudest
    thrust = thrust + 5.0 * np.random.default_rng(1).standard_normal(time.size)
    start, stop = thrust_start_stop(time, thrust, 1.0 / MODE)
    assert start.time == pytest.approx(2.005, abs=0.010)
    assert stop.time == pytest.approx(8.2 + 0.05 + 0.01125, abs=0.015)
    # the raw last crossing waits for the ringing to die
    raw = time[np.flatnonzero(np.abs(thrust) > 0.1 * thrust.max())[-1]]
    assert raw - stop.time > 0.3


def test_the_full_window_of_a_ringing_stand_holds_the_impulse(time):
    force = trapezoid(time, rise=0.05, fall=0.1)
    thrust = ringing(time, force) + 10.0 * np.random.default_rng(2).standard_normal(time.size)
    window = full_window(time, thrust, 1.0 / MODE, margin=0.2)
    inside = window.of(time)
    # white noise 10 N: u = s dt sqrt(N) = 0.6 N s of 30 375
    assert np.trapezoid(thrust[inside], time[inside]) == pytest.approx(5000 * 6.075, abs=3.0)
    assert window.end - window.start < 8.0


def test_the_mean_over_one_period_takes_a_sine_out(time):
    wave = 100.0 + 30.0 * np.sin(2 * np.pi * MODE * time)
    mean = running_mean(time, wave, 1.0 / MODE)
    # trapezoid rule over 50 samples a period is exact for a sine, up to linear interpolation at the ends
    np.testing.assert_allclose(mean[100:-100], 100.0, atol=0.05)


def test_uneven_sampling_keeps_the_mean():
    rng = np.random.default_rng(3)
    time = np.sort(rng.uniform(0.0, 1.0, 5000))
    np.testing.assert_allclose(
        running_mean(time, 2.0 + 3.0 * time, 0.05)[300:-300], 2.0 + 3.0 * time[300:-300], atol=2e-3
    )


@settings(max_examples=25, deadline=None)
@given(shift=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3))
def test_thrust_events_move_with_the_clock_and_not_with_the_unit(shift, scale):
    time = np.arange(0.0, 14.0, 0.01)
    base = thrust_start_stop(time, trapezoid(time), 0.02)
    moved = thrust_start_stop(time + shift, scale * trapezoid(time), 0.02)
    for a, b in zip(base, moved, strict=True):
        assert b.time - shift == pytest.approx(a.time, abs=1e-8)


SMEAR = 0.4 / MODE / np.sqrt(3.0)  # of a mean over one period at the 10 % point, as a standard uncertainty


def test_the_uncertainty_of_a_start_holds_its_scatter_and_the_smear_of_the_mean(time):
    found = []
    for k in range(30):
        noise = 60.0 * np.random.default_rng(k).standard_normal(time.size)
        found.append(thrust_start_stop(time, trapezoid(time, rise=0.5) + noise, 1.0 / MODE)[0])
    spread = np.std([e.time for e in found])
    scatter = np.sqrt(np.mean([e.u**2 - SMEAR**2 for e in found]))
    assert 0.5 < spread / scatter < 1.5


def test_a_sudden_step_lies_inside_the_stated_half_width(time):
    step = np.where((time >= 2.0) & (time < 9.0), 1000.0, 0.0)
    start, stop = thrust_start_stop(time, step, 1.0 / MODE)
    for event, true in ((start, 1.9995), (stop, 8.9995)):  # within half a sample
        assert 0.5 * SMEAR < abs(event.time - true) < np.sqrt(3.0) * event.u + 0.0005


def test_the_bisector_meets_a_rounded_tail_between_its_tangents(time):
    """Plateau that bends into a straight fall: the instant lies at the bend, before the 10 % point."""
    thrust = np.interp(time, [2.0, 2.1, 8.0, 8.2], [0.0, 5000.0, 4000.0, 0.0])
    event = aft_tangent_bisector(time, thrust, 1.0 / MODE)
    assert event.time == pytest.approx(8.0, abs=0.010)
    assert "burn time" in event.method


def test_the_bisector_of_a_ringing_tail_stays_at_the_bend(time):
    thrust = ringing(time, np.interp(time, [2.0, 2.1, 8.0, 8.1], [0.0, 5000.0, 4000.0, 0.0]))
    assert aft_tangent_bisector(time, thrust, 1.0 / MODE).time == pytest.approx(8.0, abs=0.015)


def test_thrust_that_starts_or_ends_outside_the_record_is_refused(time):
    thrust = trapezoid(time)
    with pytest.raises(DataError, match="its start is not in the record"):
        thrust_start_stop(time[time > 3.0], thrust[time > 3.0], 0.0)
    with pytest.raises(DataError, match="its end is not in the record"):
        thrust_start_stop(time[time < 7.0], thrust[time < 7.0], 0.0)


@pytest.mark.parametrize("sign", [0.0, -1.0, np.nan])
def test_a_record_without_positive_thrust_is_refused(time, sign):
    with pytest.raises(DataError, match="no positive thrust"):
        thrust_start_stop(time, sign * trapezoid(time), 0.0)


def test_a_burn_without_a_tail_off_has_no_bisector(time):
    triangle = np.interp(time, [2.0, 3.0, 9.0], [0.0, 5000.0, 0.0])
    with pytest.raises(DataError, match="aft tangent"):
        aft_tangent_bisector(time, triangle, 1.0 / MODE)


def test_a_window_reaches_the_ends_of_a_record_that_is_never_quiet(time):
    thrust = trapezoid(time) + 200.0
    window = full_window(time, thrust, 1.0 / MODE)
    assert (window.start, window.end) == (time[0], time[-1])
