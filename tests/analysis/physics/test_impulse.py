"""Closed forms, additivity and one-sided doubt of the impulse integral."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.physics.impulse import (
    combined,
    effective_dof,
    gap_allowance,
    impulse_result,
    integrate,
    noise_u,
    vacuum_terms,
)
from standbook.analysis.results.results import BudgetTerm

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


def test_budget_combines_in_square_and_drops_what_is_nought():
    result = impulse_result(
        100.0, [BudgetTerm("a", 3.0), BudgetTerm("b", 0.0), BudgetTerm("c", 4.0)], lower_bound_only=False, unseen=0.0
    )
    assert (result.u, result.expanded) == (5.0, 10.0)
    assert [t.source for t in result.budget] == ["c", "a"]


# [GUM] G.4.1 and H.1, inputs and printed results from memory, recomputed; the third from a package's manual page.
@pytest.mark.parametrize(
    ("terms", "u", "dof"),
    [
        (((0.25, 9), (0.57, 4), (0.82, 14)), 1.0295, 19.0),
        (((25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)), 31.671, 16.8),
        (((0.1, None), (0.6, 6), (0.6, 8), (0.55, 3)), 1.016120, 15.60796),
    ],
)
def test_effective_degrees_of_freedom_are_those_of_the_worked_examples(terms, u, dof):
    budget = [BudgetTerm(f"term {k}", value, known) for k, (value, known) in enumerate(terms)]
    assert combined(budget) == pytest.approx(u, rel=5e-5)
    assert effective_dof(budget) == pytest.approx(dof, rel=3e-3)


def test_terms_that_are_known_well_leave_the_normal_distribution():
    result = impulse_result(1000.0, [BudgetTerm("a", 3.0), BudgetTerm("b", 4.0)], lower_bound_only=False, unseen=0.0)
    assert (result.u, result.dof, result.coverage_factor) == (5.0, None, 2.0)


def test_a_coverage_factor_of_four_degrees_of_freedom_is_student_s():
    result = impulse_result(1000.0, [BudgetTerm("runs", 4.0, 4.0)], lower_bound_only=False, unseen=0.0)
    assert result.coverage_factor == pytest.approx(2.776, abs=5e-4)  # t(0.975), printed digits
    assert result.expanded == pytest.approx(4.0 * result.coverage_factor)
