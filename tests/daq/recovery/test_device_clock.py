import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.recovery.device_clock import (
    Arrivals,
    BootClock,
    ClockFit,
    device_ppm,
    fit_clock,
    lower_hull,
    nominal_ns,
    scaled_arrivals,
    tolerance_u,
    unwrap,
)

# Twelve pairs with a true rate of 50 ppm and offset plus least delay of 2 001 000 µs (own set, made by hand).
DEVICE_US = np.arange(12) * 10_000_000
HOST_US = np.array(
    [
        2001700,
        12001500,
        22003400,
        32002800,
        42007200,
        52004400,
        62004000,
        72006100,
        82005450,
        92008000,
        102006000,
        112007600,
    ]
)


def arrivals(device_s, host_s, *, tick_hz=1_000_000, boot=0, first_tick=0):
    ticks = first_tick + np.rint(device_s * tick_hz).astype(np.int64)
    return Arrivals(boot, ticks, np.rint(host_s * 1e9).astype(np.int64))


def test_twelve_pairs_give_50_ppm_and_the_offset_exactly():
    instant, delay = DEVICE_US / 1e6, (HOST_US - DEVICE_US) / 1e6
    hull = lower_hull(instant, delay)
    assert hull.slope == pytest.approx(50e-6, abs=1e-15)
    assert hull.value - hull.slope * hull.mean == pytest.approx(2.001, abs=1e-14)
    # What the simple ways say of the same pairs: the reason for the hull.
    assert np.polyfit(instant, delay, 1)[0] == pytest.approx(51.451e-6, abs=5e-10)
    assert (delay[-1] - delay[0]) / instant[-1] == pytest.approx(53.636e-6, abs=5e-10)


def test_twelve_pairs_fitted_as_a_device_are_within_the_stated_uncertainty():
    fit = fit_clock([arrivals(DEVICE_US / 1e6, HOST_US / 1e6)], 1_000_000, tolerance=100e-6)
    assert fit.hull_skew == pytest.approx(50e-6, abs=1e-12)
    assert abs(fit.skew - 50e-6) < 2.0 * fit.skew_u
    assert fit.rate_ppm == pytest.approx(device_ppm(fit.skew))
    assert device_ppm(50e-6) == pytest.approx(-49.9975, abs=1e-4)  # gains host time: the device is slow


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 200)), min_size=2, max_size=14))
def test_hull_equals_the_best_of_all_lines_under_the_points(points):
    instant, delay = (np.array([p[k] for p in points], dtype=np.float64) for k in (0, 1))
    if np.ptp(instant) == 0.0:
        return
    mean = instant.mean()
    best = -np.inf
    for i, j in itertools.permutations(range(len(points)), 2):
        if instant[j] > instant[i]:
            slope = (delay[j] - delay[i]) / (instant[j] - instant[i])
            if np.all(delay - delay[i] - slope * (instant - instant[i]) >= -1e-9):
                best = max(best, delay[i] + slope * (mean - instant[i]))
    hull = lower_hull(instant, delay)
    assert hull.value == pytest.approx(best, abs=1e-9)
    assert np.all(delay - hull.value - hull.slope * (instant - mean) >= -1e-9)


def test_points_that_lie_on_a_line_but_for_rounding_have_a_hull():
    """These three are each below the line through the other two, by the last bit."""
    hull = lower_hull(np.array([0.19, 0.85, 2.53]), np.array([-0.000257644, -0.001152615, -0.003430723]))
    assert hull.slope == pytest.approx(-0.00135601667, rel=1e-6)
    assert (hull.first, hull.last) in [(0, 2), (1, 2)]


def test_one_instant_has_no_rate():
    with pytest.raises(ValueError, match="two different instants"):
        lower_hull(np.array([1.0, 1.0]), np.array([0.0, 1.0]))


def _exponential(rng, t):
    return t + rng.exponential(1e-3, t.size)


def _gamma(rng, t):
    return t + rng.gamma(4.0, 1e-3, t.size)


def _uniform(rng, t):
    return t + rng.uniform(0.0, 5e-3, t.size)


def _polled(rng, t):
    phase = rng.uniform(0.0, 1e-3)
    return np.ceil((t - phase) / 1e-3) * 1e-3 + phase + rng.exponential(1e-5, t.size)


@pytest.mark.parametrize("delays", [_exponential, _gamma, _uniform, _polled])
@pytest.mark.parametrize("span", [10.0, 60.0])
def test_stated_uncertainty_covers_the_true_rate_error(delays, span):
    rng = np.random.default_rng(7)
    pulls = []
    for _ in range(60):
        true = rng.uniform(-50e-6, 50e-6)
        device = np.arange(0.0, span, 0.01)
        fit = fit_clock([arrivals(device, delays(rng, device * (1.0 + true)))], 1_000_000, tolerance=50e-6)
        pulls.append(((fit.skew - true) / fit.skew_u, (fit.hull_skew - true) / fit.hull_skew_u))
    # The statement may be too wide (the resolution covers a USB poll that is not always there), never too
    # narrow: 60 draws of a pull of spread 1 have a root mean square below 1.25 in 99 of 100 cases.
    assert np.sqrt(np.mean(np.square(pulls), axis=0)) == pytest.approx([0.0, 0.0], abs=1.25)


def test_a_slow_ceramic_resonator_is_found_within_50_ppm_in_an_hour_and_its_declaration_dropped():
    rng = np.random.default_rng(3)
    device = np.arange(0.0, 3600.0, 0.1)
    fit = fit_clock([arrivals(device, device * 1.005 + rng.exponential(2e-3, device.size))], 1_000_000, tolerance=50e-6)
    assert fit.method == "arrivals"
    assert fit.disagreement > 3.0
    assert fit.skew == pytest.approx(0.005, abs=5e-6)
    assert fit.rate_ppm == pytest.approx(-4975.1, abs=5.0)


def test_few_arrivals_leave_the_declared_tolerance_as_it_is():
    device = np.arange(4) * 1.0
    fit = fit_clock([arrivals(device, device + 5.0)], 1_000_000, tolerance=50e-6)
    assert (fit.method, fit.skew, fit.hull_skew, fit.disagreement) == ("tolerance", 0.0, None, None)
    assert fit.skew_u == pytest.approx(28.8675e-6, rel=1e-5)  # 50 / sqrt(3): [GUM] 4.3.7
    assert fit.to_host_ns(0, np.array([0, 3_000_000])).tolist() == [5_000_000_000, 8_000_000_000]


def test_boots_share_a_rate_and_keep_their_own_offsets():
    rng = np.random.default_rng(5)
    first, second = np.arange(0.0, 600.0, 0.01), np.arange(0.0, 2.0, 0.01)
    fit = fit_clock(
        [
            arrivals(first, 1.00002 * first + 10.0 + rng.exponential(1e-4, first.size), boot=3),
            arrivals(second, 1.00002 * second + 700.0 + rng.exponential(1e-4, second.size), boot=4),
        ],
        1_000_000,
        tolerance=50e-6,
    )
    assert fit.skew == pytest.approx(20e-6, abs=2.0 * fit.skew_u)
    assert fit.skew_u < 3e-6  # 1 ms over most of 600 s; the two seconds alone would give 28.9e-6
    assert fit.to_host_ns(3, np.array([0]))[0] == pytest.approx(10e9, abs=1e6)
    assert fit.to_host_ns(4, np.array([0]))[0] == pytest.approx(700e9, abs=1e6)
    with pytest.raises(KeyError):
        fit.of_boot(5)


def test_a_rehearsal_at_twenty_times_the_speed_has_the_rate_of_the_real_thing():
    device = np.arange(0.0, 60.0, 0.01)
    played = 1000.0 + device * 1.00003 / 20.0
    stretched = scaled_arrivals(np.rint(played * 1e9).astype(np.int64), 1_000_000_000_000, 20.0)
    fit = fit_clock([Arrivals(0, np.rint(device * 1e6).astype(np.int64), stretched)], 1_000_000, tolerance=50e-6)
    assert fit.hull_skew == pytest.approx(30e-6, abs=1e-8)
    unscaled = scaled_arrivals(stretched, 5, 1.0)
    assert unscaled is stretched


@settings(deadline=None)
@given(
    skew=st.floats(-0.01, 0.01),
    ticks=st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=20),
    tick_hz=st.sampled_from([1, 32_768, 1_000_000, 84_000_000, 1_000_000_000, Fraction(10, 3)]),
    anchor_ns=st.integers(10**18, 2 * 10**18),
)
def test_host_times_are_right_to_the_nanosecond(skew, ticks, tick_hz, anchor_ns):
    frequency = Fraction(tick_hz)
    # Within a day, or what 64 bits hold: beyond it no run goes.
    ticks = [t for t in ticks if abs(t) / frequency < 86_400] or [0]
    fit = ClockFit(
        tick_hz=frequency,
        skew=skew,
        skew_u=1e-6,
        method="arrivals",
        hull_skew=None,
        hull_skew_u=None,
        tolerance=0.0,
        boots=(BootClock(0, 17, anchor_ns),),
    )
    got = fit.to_host_ns(0, np.array(ticks, dtype=np.int64) + 17)
    for tick, host in zip(ticks, got.tolist(), strict=True):
        exact = anchor_ns + Fraction(tick) * 10**9 / frequency * (1 + Fraction(skew))
        assert abs(host - exact) <= 2
    assert np.all(np.diff(got[np.argsort(ticks, kind="stable")]) >= 0)


def test_nominal_time_does_not_overflow_where_ticks_times_a_billion_would():
    ticks = np.array([84_000_000 * 86_400 * 30])
    assert nominal_ns(ticks, Fraction(84_000_000))[0] == 30 * 86_400 * 10**9


def test_rollover_unwraps_to_steps_of_290_20_and_496_microseconds():
    # Own arithmetic: 4294967296 - 4294967290 + 14 = 20.
    ticks = unwrap(np.array([4294967000, 4294967290, 14, 510]), 2**32)
    assert np.diff(ticks).tolist() == [290, 20, 496]
    assert unwrap(np.array([], dtype=np.int64), 2**32).size == 0


@given(
    start=st.integers(0, 2**32 - 1),
    steps=st.lists(st.integers(-(2**31) + 1, 2**31 - 1), max_size=30),
)
def test_unwrapping_undoes_any_wrapping(start, steps):
    true = start + np.cumsum([0, *steps])
    assert unwrap(np.mod(true, 2**32), 2**32).tolist() == true.tolist()


def test_a_tolerance_of_zero_width_is_no_claim():
    device = np.arange(0.0, 60.0, 0.01)
    fit = fit_clock([arrivals(device, device * 1.00001)], 1_000_000, tolerance=0.0)
    assert fit.method == "arrivals"
    assert tolerance_u(0.0) == 0.0


@pytest.mark.parametrize("slow", [0.30, -0.06])
def test_arrivals_that_no_board_s_clock_could_make_correct_nothing(slow):
    device = np.arange(0.0, 60.0, 0.05)
    fit = fit_clock([arrivals(device, device * (1.0 + slow) + 0.01)], 1_000_000, tolerance=50e-6)
    assert fit.hull_skew == pytest.approx(slow, abs=1e-4)
    assert not fit.is_credible
    assert (fit.skew, fit.method) == (0.0, "tolerance")
    assert fit.skew_u == pytest.approx(50e-6 / 3.0**0.5)


def test_a_resonator_that_is_two_percent_off_is_corrected():
    device = np.arange(0.0, 60.0, 0.05)
    fit = fit_clock([arrivals(device, device * 1.02 + 0.01)], 1_000_000, tolerance=50e-6)
    assert fit.is_credible
    assert fit.skew == pytest.approx(0.02, abs=1e-4)


@pytest.mark.parametrize(("seconds", "scale", "late"), [(12.0, 20.0, 0.18), (60.0, 1.0, 18.0)])
def test_what_arrivals_gained_is_in_seconds_of_the_computer(seconds, scale, late):
    device = np.arange(0.0, seconds, 0.05)
    fit = fit_clock([arrivals(device, device * 1.3 / scale)], 1_000_000, tolerance=50e-6, time_scale=scale)
    assert fit.gained == pytest.approx(late, rel=0.02)
