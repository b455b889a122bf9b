"""Thrust over chamber pressure along the burn: the greatest difference between a window and the rest of it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.witnesses.course import greatest_departure

BLOCKS = 100  # so that windows of 6, 12, 25, 40 and 50 % are whole blocks
WINDOWS = (0.06, 0.12, 0.25, 0.40, 0.50)
TIME = 1.0 + 0.1 * np.arange(BLOCKS)
LIMIT, NOTED = 0.02, 0.017
SECOND_ORDER = 0.05  # whether a difference of some percent is taken of the median, or of the rest


def with_step(size, begin, end):
    """Return a flat ratio that lies off by ``size`` between two shares of the burn."""
    ratio = np.ones(BLOCKS)
    ratio[round(begin * BLOCKS) : round(end * BLOCKS)] += size
    return ratio


def by_hand(ratio):
    """Return the greatest difference by trying every window."""
    relative = ratio / np.median(ratio)
    summed = np.concatenate(([0.0], np.cumsum(relative)))
    found = []
    for n in (round(w * BLOCKS) for w in WINDOWS):
        inside = summed[n:] - summed[:-n]
        found.append(float(np.max(np.abs(inside / n - (summed[-1] - inside) / (BLOCKS - n)))))
    return max(found)


def test_a_flat_ratio_does_not_depart():
    assert greatest_departure(TIME, np.full(BLOCKS, 1.03)).departure == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("size", [-0.02, 0.02, -0.05, 0.10])
def test_a_step_over_thirty_to_seventy_percent_departs_by_its_size_there(size):
    found = greatest_departure(TIME, with_step(size, 0.3, 0.7))
    assert found.departure == pytest.approx(size, rel=1e-9)
    assert (found.start, found.end) == pytest.approx((TIME[30], TIME[70]), abs=0.11)


@pytest.mark.parametrize("share", WINDOWS[:-1])
def test_a_step_as_long_as_any_window_departs_by_its_whole_size(share):
    assert greatest_departure(TIME, with_step(-0.03, 0.2, 0.2 + share)).departure == pytest.approx(-0.03, rel=1e-9)


def test_a_change_from_the_middle_on_is_seen_whole_from_either_half():
    found = greatest_departure(TIME, with_step(-0.03, 0.5, 1.0))
    assert abs(found.departure) == pytest.approx(0.03, rel=SECOND_ORDER)
    assert found.end - found.start == pytest.approx(0.5 * BLOCKS * 0.1, abs=0.11)


def test_a_tenth_of_the_burn_shows_in_the_window_below_it():
    # six blocks of the ten that lie low; four of them are left among the ninety-four others
    found = greatest_departure(TIME, with_step(-0.05, 0.4, 0.5))
    assert found.departure == pytest.approx(-0.05 * (1.0 - 4.0 / 94.0), rel=5e-3)


@pytest.mark.parametrize("drift", [-0.03, -0.05, 0.08])
def test_a_drift_departs_by_half_of_it_whatever_the_window(drift):
    # mean of the first share w of a straight line less the mean of the rest: half of the line's whole change
    ratio = 1.0 + drift * (np.arange(BLOCKS) / (BLOCKS - 1.0) - 0.5)
    found = greatest_departure(TIME, ratio)
    assert abs(found.departure) == pytest.approx(0.5 * abs(drift), rel=SECOND_ORDER)


def test_a_drift_of_three_percent_stays_below_what_is_noted_and_one_of_five_passes_the_limit():
    line = np.arange(BLOCKS) / (BLOCKS - 1.0) - 0.5
    assert abs(greatest_departure(TIME, 1.0 - 0.03 * line).departure) < NOTED
    assert abs(greatest_departure(TIME, 1.0 - 0.05 * line).departure) > LIMIT


def test_noise_of_one_percent_a_block_stays_below_the_limit():
    """A mean of 6 of 100 blocks less that of the rest has a deviation of 0.42 %; 2 % is 4.7 of them."""
    random = np.random.default_rng(20541)
    found = [abs(greatest_departure(TIME, 1.0 + 0.01 * random.standard_normal(BLOCKS)).departure) for _ in range(200)]
    assert max(found) < LIMIT
    assert np.median(found) > 0.004  # it is a greatest one of many windows, and not averaged away


def test_twice_that_noise_is_told_from_none():
    random = np.random.default_rng(20542)
    ratio = 1.0 + 0.002 * random.standard_normal(BLOCKS)
    low = ratio.copy()
    low[30:70] -= 0.02
    assert abs(greatest_departure(TIME, ratio).departure) < NOTED
    assert greatest_departure(TIME, low).departure == pytest.approx(-0.02, abs=0.002)


def block_noise(seed):
    return 1.0 + np.random.default_rng(seed).uniform(-0.02, 0.02, BLOCKS)


noisy = st.integers(0, 10**6).map(block_noise)


@settings(max_examples=40)
@given(noisy)
def test_no_window_of_the_burn_departs_more(ratio):
    found = abs(greatest_departure(TIME, ratio).departure)
    assert found == pytest.approx(by_hand(ratio), rel=SECOND_ORDER, abs=1e-9)


@settings(max_examples=40)
@given(noisy, st.floats(0.2, 5.0))
def test_what_the_ratio_is_as_a_whole_does_not_matter(ratio, factor):
    one, other = greatest_departure(TIME, ratio), greatest_departure(TIME, factor * ratio)
    assert other.departure == pytest.approx(one.departure, rel=1e-9, abs=1e-12)


@settings(max_examples=40)
@given(noisy)
def test_a_burn_read_backwards_departs_as_much(ratio):
    one, other = greatest_departure(TIME, ratio), greatest_departure(TIME, ratio[::-1].copy())
    assert abs(other.departure) == pytest.approx(abs(one.departure), rel=SECOND_ORDER, abs=1e-9)


@settings(max_examples=40)
@given(noisy, st.floats(-3.0, 30.0))
def test_when_the_burn_was_moves_the_window_and_nothing_else(ratio, later):
    one, other = greatest_departure(TIME, ratio), greatest_departure(TIME + later, ratio)
    assert other.departure == pytest.approx(one.departure, rel=1e-9, abs=1e-12)
    assert other.start - one.start == pytest.approx(later, abs=1e-6)
