"""Closed forms, additivity and one-sided doubt of the impulse integral."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.physics.impulse import (
    gap_allowance,
    integrate,
    noise_u,
    vacuum_terms,
)

DT = 1e-3


def trapezoid_pulse(time):
    """5000 N, rise 0.2 s, hold 6.0 s, fall 0.5 s, beginning at 1 s."""
    return np.interp(time, [1.0, 1.2, 7.2, 7.7], [0.0, 5000.0, 5000.0, 0.0])


def test_trapezoid_pulse_has_its_exact_impulse():
    # Closed form F (tc + (tr + tf)/2) = 31 750 N*s, derived.
    time = np.arange(0.0, 9.0, DT)
    record = integrate(time, trapezoid_pulse(time))
    assert record.between(0.0, 8.9) == pytest.approx(31_750.0, rel=1e-12)
    # 10 % to 10 %: 31 732.5 N*s, derived; both ends fall on samples, so only rounding is left.
    assert record.between(1.02, 7.65) == pytest.approx(31_732.5, rel=1e-10)


@pytest.mark.parametrize(("steps", "ratio"), [(10, 0.991761769), (100, 0.999917752), (1000, 0.999999178)])
def test_half_sine_falls_short_by_the_known_ratio(steps, ratio):
    # (pi/2N) cot(pi/2N), derived; printed to nine digits.
    time = np.linspace(0.0, 1.0, steps + 1)
    record = integrate(time, np.sin(np.pi * time))
    assert record.between(0.0, 1.0) * math.pi / 2.0 == pytest.approx(ratio, abs=6e-10)


@pytest.mark.slow
def test_noise_formula_agrees_with_drawn_noise():
    rng = np.random.default_rng(11)
    samples, deviation = 200, 7.0
    time = np.arange(samples) * DT
    drawn = [integrate(time, rng.normal(0.0, deviation, samples)).between(time[0], time[-1]) for _ in range(4000)]
    # 4000 draws know their standard deviation to 1.1 %; four of these.
    assert np.std(drawn) == pytest.approx(noise_u(deviation, DT, samples), rel=0.045)


@given(st.floats(0.0, 8.9), st.floats(0.0, 8.9), st.floats(0.0, 8.9))
def test_splitting_a_burn_adds_impulses(a, b, c):
    first, middle, last = sorted((a, b, c))
    time = np.delete(np.arange(0.0, 9.0, DT), slice(3000, 3033))
    record = integrate(time, trapezoid_pulse(time) + 40.0 * np.sin(40.0 * time))
    whole = record.between(first, last)
    assert record.between(first, middle) + record.between(middle, last) == pytest.approx(whole, abs=1e-8)


def test_a_hole_adds_nothing_and_its_length_is_the_rows_lost():
    time = np.arange(0.0, 9.0, DT)
    lost = slice(3000, 3030)
    record = integrate(np.delete(time, lost), np.delete(trapezoid_pulse(time), lost))
    assert record.lost(0.0, 8.0) == pytest.approx(0.030, abs=1e-12)
    assert record.between(0.0, 8.9) == pytest.approx(31_750.0 - 30 * DT * 5000.0, rel=1e-12)
    assert gap_allowance(record, start=0.0, end=8.0) == pytest.approx(150.0, rel=1e-12)


def test_a_hole_is_charged_at_the_predicted_upper_band_where_that_is_higher():
    time = np.delete(np.arange(0.0, 9.0, DT), slice(3000, 3030))
    record = integrate(time, trapezoid_pulse(time))
    band_time = np.array([0.0, 10.0])
    hidden = gap_allowance(
        record, start=0.0, end=8.0, predicted_time=band_time, predicted_high=np.array([6000.0, 6000.0])
    )
    assert hidden == pytest.approx(0.030 * 6000.0, rel=1e-12)


def test_samples_that_are_not_numbers_are_a_hole():
    time = np.arange(0.0, 9.0, DT)
    value = trapezoid_pulse(time)
    value[3000:3010] = np.nan
    assert integrate(time, value).lost(0.0, 8.0) == pytest.approx(0.010, abs=1e-12)


@pytest.mark.parametrize("lost", [[4000], [1100, 4000, 7400]])
def test_a_single_lost_row_is_crossed_and_told_with_its_u(lost):
    time = np.arange(0.0, 9.0, DT)
    value = trapezoid_pulse(time) + np.random.default_rng(2).normal(0.0, 20.0, time.size)
    whole, record = integrate(time, value), integrate(np.delete(time, lost), np.delete(value, lost))
    assert (record.holes, record.lost(0.0, 8.0)) == ((), 0.0)
    seconds, rows, u = record.bridged(0.0, 8.0)
    assert (rows, seconds) == (len(lost), pytest.approx(len(lost) * DT))
    # a sample departs from the line between its neighbours by sqrt(3/2) of its noise
    assert u == pytest.approx(DT * 20.0 * math.sqrt(1.5 * len(lost)), rel=0.4)
    assert abs(record.between(0.0, 8.9) - whole.between(0.0, 8.9)) < 3.0 * u
    assert record.bridged(0.0, 1.0) == (0.0, 0, 0.0)


def test_two_rows_together_or_beside_another_gap_are_not_crossed():
    time = np.arange(0.0, 9.0, DT)
    for lost, seconds in (([4000, 4001], 0.002), ([4000, 4002], 0.002), ([4000, 4002, 4003], 0.003)):
        record = integrate(np.delete(time, lost), np.delete(trapezoid_pulse(time), lost))
        assert record.bridges == ()
        assert record.lost(0.0, 8.0) == pytest.approx(seconds, abs=1e-12)


def test_where_many_rows_are_lost_one_by_one_none_is_crossed():
    time = np.arange(0.0, 9.0, DT)
    lost = np.arange(100, 8900, 150)
    record = integrate(np.delete(time, lost), np.delete(trapezoid_pulse(time), lost))
    assert record.bridges == ()
    assert record.lost(0.0, 9.0) == pytest.approx(lost.size * DT, abs=2.0 * DT)


def test_record_that_starts_late_or_ends_early_counts_as_lost():
    time = np.arange(1.5, 6.0, DT)
    assert integrate(time, trapezoid_pulse(time)).lost(1.0, 7.0) == pytest.approx(0.5 + 1.0 + DT, abs=1e-9)


def test_vacuum_adds_exit_area_times_ambient_times_duration():
    # eps * pi/4 d² * pa * t worked by hand: 3.4 * 8.04248e-4 * 97800 * 19.5 = 5214.855
    added, terms = vacuum_terms(
        throat_diameter=0.032,
        throat_diameter_u=0.05e-3,
        expansion_ratio=3.4,
        expansion_ratio_u=0.03,
        ambient=97_800.0,
        ambient_u=100.0,
        duration=19.5,
        duration_u=0.0,
    )
    assert added == pytest.approx(5214.855, abs=0.001)
    assert {t.source: t.u for t in terms}["throat area"] == pytest.approx(added * 2 * 0.05 / 32.0)
