"""A clock that contradicts its own row numbers, found in a whole record and while frames come in."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.wire.messages import MODULUS
from standbook.daq.wire.tick_steps import TickFollower, TickStep, steadied, step_sentences

HZ, INTERVAL, ROWS = 1_000_000, 1000, 20
FRAMES = 60
SEQUENCE = np.arange(FRAMES) * ROWS + 7
EVEN = 5_000_000 + INTERVAL * SEQUENCE


def found(ticks, sequence=SEQUENCE):
    return steadied(sequence, ticks, INTERVAL, int(sequence[-1]) + ROWS)


def after(place, by):
    """Ticks that step by so much before a frame."""
    return EVEN + by * (np.arange(FRAMES) >= place)


def test_an_even_clock_is_met_with_silence():
    told = found(EVEN)
    assert (told.steps, told.excess.tolist()) == ((), [0] * FRAMES)


@given(st.integers(8, 50), st.sampled_from([-10_000_000, -500_000, -65_536, -1000, -10, 10, 1000, 65_536, 3_000_000]))
@settings(max_examples=40)
def test_a_step_is_found_where_it_is_and_taken_out(place, by):
    told = found(after(place, by))
    kind = "back" if by < 0 else "forward"
    assert told.steps == (TickStep(kind, int(SEQUENCE[place]), 0, by),)
    assert (after(place, by) - told.excess == EVEN).all()


@pytest.mark.parametrize("many", [1, 2, 3])
@pytest.mark.parametrize("by", [-66_000, 2000])
def test_frames_that_disagree_by_themselves_are_named_with_their_rows(many, by):
    ticks = EVEN.copy()
    ticks[30 : 30 + many] += by
    told = found(ticks)
    assert told.steps == (TickStep("frames", int(SEQUENCE[30]), many * ROWS, by),)
    assert (ticks - told.excess == EVEN).all()


def test_a_stamp_that_is_late_by_less_than_half_a_row_is_no_fault():
    ticks = EVEN.copy()
    ticks[30] += 400
    assert found(ticks).steps == ()


def test_a_counter_of_16_bits_is_called_one():
    told = found(EVEN % 2**16)
    assert all(step.is_narrow for step in told.steps)
    (text,) = step_sentences(told.steps, HZ)
    assert f"{len(told.steps)} times, as a 16-bit counter" in text
    assert np.ptp(EVEN % 2**16 - told.excess - EVEN) == 0


@pytest.mark.parametrize("rate", [-0.02, 3e-4, 0.02])
def test_a_converter_with_a_clock_of_its_own_is_no_step_even_across_lost_rows(rate):
    random = np.random.default_rng(3)
    sequence = np.delete(SEQUENCE, slice(20, 33))
    ticks = 5_000_000 + np.rint(INTERVAL * (1.0 + rate) * sequence + random.normal(0.0, 3.0, sequence.size))
    assert found(ticks.astype(np.int64), sequence).steps == ()


def test_too_few_frames_tell_nothing():
    assert steadied(SEQUENCE[:4], after(2, -500_000)[:4], INTERVAL, 80).steps == ()


def test_sentences_give_size_row_and_what_was_done():
    (text,) = step_sentences([TickStep("back", 8000, 0, -500_000)], HZ)
    assert "stepped back by 0.500 s at row 8000" in text
    assert "times after it go by row numbers" in text
    (text,) = step_sentences([TickStep("frames", 40, 20, -66_000)], HZ)
    assert "20 rows from row 40 bear ticks 0.066 s before their row numbers" in text
    assert "2^16" in step_sentences([TickStep("back", 1, 0, -65_536)], HZ)[0]
    assert len(step_sentences([TickStep("forward", k, 0, 9000) for k in range(50)], HZ)) == 4


def followed(ticks, late=0.0):
    """Follow frames that arrive one by one, evenly, the later half late by some seconds."""
    follower = TickFollower(INTERVAL, HZ)
    excess = [
        int(
            follower.follow(
                SEQUENCE[k : k + 1], ticks[k : k + 1] % MODULUS, k * 20_000_000 + (k >= 30) * round(1e9 * late)
            )[0]
        )
        for k in range(FRAMES)
    ]
    return follower, np.array(excess)


@pytest.mark.parametrize("by", [-10_000_000, -65_536, -10, 10, 500_000])
def test_a_step_is_seen_while_recording(by):
    follower, excess = followed(after(30, by))
    assert (follower.steps, follower.newest) == (1, TickStep("back" if by < 0 else "forward", int(SEQUENCE[30]), 0, by))
    assert (after(30, by) - excess == EVEN).all()


def test_one_frame_that_disagrees_is_put_right_and_the_next_stands():
    ticks = EVEN.copy()
    ticks[30] -= 66_000
    follower, excess = followed(ticks)
    assert (follower.steps, follower.newest) == (1, TickStep("frames", int(SEQUENCE[30]), ROWS, -66_000))
    assert (ticks - excess == EVEN).all()


def test_a_board_that_stood_still_is_no_step_while_recording():
    follower, excess = followed(after(30, 800_000), late=0.8)
    assert (follower.steps, excess.tolist()) == (0, [0] * FRAMES)


def test_a_clock_that_rolls_over_at_32_bits_is_no_step():
    ticks = EVEN + MODULUS - int(EVEN[30])
    follower, _ = followed(ticks)
    assert follower.steps == 0


def test_a_frame_that_comes_late_changes_nothing():
    follower, _ = followed(EVEN)
    excess = follower.follow(SEQUENCE[20:21], EVEN[20:21], 10**12)
    assert (follower.steps, excess.tolist()) == (0, [0])
