"""A clock that goes over to another rate is told within 5 s; delays that wander and stalls are not."""

import numpy as np
import pytest

from standbook.daq.recording.rate_watch import RateWatch, rate_sentence

FRAME = 0.02  # [s]


def watched(*, change=0.0, at=1e9, jitter=5e-4, seed=0, held_up=lambda time: 0.0, scale=1.0, seconds=30.0, start=0):
    """Play frames with their delays; give what was told, as (seconds after the change, change)."""
    random = np.random.default_rng(seed)
    watch, found = RateWatch(1_000_000, scale), []
    for k in range(round(seconds / FRAME)):
        made = k * FRAME
        true = made if made < at else at + (made - at) * (1.0 + change)
        late = 1e-3 + jitter * random.exponential() + held_up(true)
        told = watch.heard((start + round(made * 1e6 * scale)) % 2**32, round((true + late) * 1e9))
        if told is not None:
            found.append((true - at, told))
    return found


@pytest.mark.parametrize("change", [0.01, -0.01, 0.02, -0.04])
@pytest.mark.parametrize("at", [8.0, 10.25, 13.6])
def test_a_jump_of_one_per_cent_is_told_once_and_within_five_seconds(change, at):
    ((after, told),) = watched(change=change, at=at)
    assert 0.0 < after < 5.0
    assert told == pytest.approx(change, rel=0.2)


def test_it_is_told_of_a_rehearsal_that_plays_fast_and_across_the_end_of_the_counter():
    ((after, told),) = watched(change=0.02, at=10.0, scale=4.0)
    assert (after < 5.0, told) == (True, pytest.approx(0.02, rel=0.2))
    ((_, told),) = watched(change=0.02, at=10.0, start=2**32 - 10_500_000)
    assert told == pytest.approx(0.02, rel=0.2)


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("jitter", [1e-4, 3e-3])
def test_a_clock_that_keeps_its_rate_is_met_with_silence(seed, jitter):
    assert watched(seed=seed, jitter=jitter, seconds=60.0) == []


@pytest.mark.parametrize("seed", range(5))
def test_a_computer_that_stalls_or_falls_behind_now_and_then_is_no_clock(seed):
    random = np.random.default_rng(seed)
    stalls = np.sort(random.uniform(0.0, 60.0, 25))
    lasts = random.exponential(0.1, stalls.size)
    wander = np.abs(np.cumsum(random.normal(0.0, 0.01, 1000)))

    def stalled(time):
        left = stalls + lasts - time
        return float(max(0.0, *left[(stalls <= time) & (left > 0.0)], 0.0))

    assert watched(held_up=stalled, seed=seed, seconds=60.0) == []
    assert watched(held_up=lambda t: float(np.interp(10 * t, np.arange(1000), wander)), seed=seed, seconds=60.0) == []


def test_what_waited_while_a_port_was_away_is_not_compared():
    def away(time):
        return max(0.0, 13.0 - time) if time > 10.0 else 0.0

    assert watched(held_up=away, seconds=20.0) == []


def test_words_say_which_way_and_what_else_it_can_be():
    assert rate_sentence(0.0123).startswith("the clock runs about 1.2 % slower than before against this computer's, or")
    assert rate_sentence(-0.0123) == (
        "the clock runs about 1.2 % faster than before against this computer's; sealing looks again"
    )
