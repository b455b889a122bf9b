"""The study of numbers about several runs at a size for every day; its own run gives the figures."""

import numpy as np
import pytest

from tests.studies.campaign_numbers import (
    ASSUMED,
    OWN,
    PRIOR_OF_THREE,
    SLOPE_SEEN,
    WIDEST,
    Loads,
    alarm_figures,
    break_figures,
    drift_figures,
    load_figures,
    next_run_figures,
    pair_figures,
    pooling_figures,
)

pytestmark = pytest.mark.slow
SERIES = 400
THREE = 3.0 * np.sqrt(0.95 * 0.05 / SERIES)  # of a share of 95 % that so many series show: 0.033


def drawn():
    return np.random.default_rng(14)


@pytest.mark.parametrize("n", WIDEST)
def test_pooled_intervals_hold_and_are_no_wider_than_need_be(n):
    for tau, widest in zip((0.0, 1.5), WIDEST[n], strict=True):
        held, width = pooling_figures(drawn(), SERIES, n, tau)
        assert held >= 0.95 - THREE
        assert width <= 1.1 * widest


def test_pooled_intervals_hold_a_common_error_and_unequal_runs():
    for n in (3, 4, 6):
        assert pooling_figures(drawn(), SERIES, n, 0.35, 0.5)[0] >= 0.95 - THREE
    assert pooling_figures(drawn(), SERIES, 4, 0.7, own=OWN * np.array([0.6, 1.0, 1.0, 2.0]))[0] >= 0.95 - THREE


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_the_next_run_stays_below_its_bound_while_it_scatters_as_assumed(n):
    for between in (0.010, ASSUMED):
        found = next_run_figures(drawn(), SERIES, n, between)
        assert found.prior >= 0.95 - THREE
        if n > 1:
            assert found.prediction >= 0.95 - THREE
            assert found.tolerance >= 0.95
            assert found.larger >= max(found.prior, found.prediction)


@pytest.mark.parametrize("n", PRIOR_OF_THREE)
def test_a_prior_of_three_degrees_costs_what_was_asked_for(n):
    for between, (held, margin) in zip((0.010, 0.015, 0.030, 0.045), PRIOR_OF_THREE[n], strict=True):
        found = next_run_figures(drawn(), SERIES, n, between, dof=3.0)
        assert 100.0 * found.prior == pytest.approx(held, abs=6.0)  # three of 400 and of the 800 that it came from
        # margins vary by half from campaign to campaign: three of both numbers of series are 9 %
        assert 100.0 * found.margin == pytest.approx(margin, rel=0.1)


def test_a_line_and_a_split_see_nothing_in_stable_series():
    for n in (3, 5, 10):
        slope, split = alarm_figures(drawn(), 1500, n)
        assert max(slope, split) <= 0.013 + 3.0 * np.sqrt(0.01 / 1500)


@pytest.mark.parametrize("n", SLOPE_SEEN)
def test_drifts_are_seen_as_often_as_was_asked_for(n):
    _, at_five = 100.0 * drift_figures(drawn(), 1000, n)
    assert at_five == pytest.approx(SLOPE_SEEN[n], abs=5.0)
    assert n != 5 or at_five >= 85.0


def test_a_break_of_five_u_is_found_at_its_place():
    assert break_figures(drawn(), 500, 8, 5.0, 1.0, 0.0) >= 0.95


def test_differences_of_two_runs_hold_and_sameness_is_not_given_away():
    held, changed, same = pair_figures(drawn(), 2000, 0.0)
    assert 0.93 <= held <= 0.97
    assert (changed, same) == (pytest.approx(0.002, abs=0.003), pytest.approx(0.998, abs=0.003))
    assert pair_figures(drawn(), 2000, 0.5)[2] == pytest.approx(0.76, abs=0.03)
    _, changed, same = pair_figures(drawn(), 2000, 1.0)
    assert same <= 0.055 + 3.0 * np.sqrt(0.05 / 2000)
    assert changed == pytest.approx(0.96, abs=0.02)


def test_a_remount_that_nobody_marks_breaks_the_interval():
    assert pair_figures(drawn(), 2000, 0.0, remounted=True)[0] < 0.6


def test_the_next_load_keeps_the_next_firing_below_the_limit():
    loads = Loads()
    for n in (1, 2):
        bounded, alone, _ = load_figures(drawn(), loads, 8, n, ASSUMED)
        assert bounded <= 0.05
        assert alone > 0.15
