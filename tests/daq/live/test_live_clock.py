import numpy as np
import pytest

from standbook.daq.live.live_clock import Moment, TimeBase

SECOND = 1_000_000_000


def test_rows_are_placed_by_the_least_delay_seen():
    base = TimeBase(1_000_000)
    for k, delay in enumerate([30, 5, 40, 12]):  # [ms]
        base.heard(k * 100_000, (k * 100 + delay) * 1_000_000)
    assert base.host_ns(300_000) == (300 + 5) * 1_000_000
    assert base.ticks_at(base.host_ns(300_000)) == 300_000


@pytest.mark.parametrize("rate", [0.005, -0.005, 50e-6])
def test_a_clock_that_is_off_is_followed_to_within_its_error_over_the_memory(rate):
    # 0.5 % over the 10 s remembered: 50 ms.
    base = TimeBase(1_000_000)
    worst = 0.0
    for k in range(6000):
        true = k * 20_000_000
        ticks = round(true / 1000 * (1 + rate))
        base.heard(ticks, true + 2_000_000)
        worst = max(worst, abs(base.host_ns(ticks) - true - 2_000_000) / 1e9)
    assert worst <= abs(rate) * 10.1 + 1e-6


def test_a_stall_then_a_burst_moves_nothing():
    base = TimeBase(1_000_000)
    for k in range(100):
        base.heard(k * 20_000, k * 20_000_000)
    for k in range(100, 400):  # all of these arrive together, 6 s late
        base.heard(k * 20_000, 400 * 20_000_000)
    assert base.host_ns(100 * 20_000) == 100 * 20_000_000


def test_ticks_unwrap_by_the_time_that_has_passed():
    base = TimeBase(1_000_000)
    base.heard(2**32 - 10, 0)
    assert base.place(5, 15_000) == 2**32 + 5
    assert base.place(2**32 - 20, 15_000) == 2**32 - 20
    # Two rollovers of 71.6 min while nothing came.
    two_later = 2 * 2**32 * 1000
    assert base.place(2**32 - 10, two_later) == 3 * 2**32 - 10


def test_a_rehearsal_that_plays_fast_keeps_device_seconds():
    base = TimeBase(1_000_000, time_scale=20.0)
    base.heard(20_000_000, SECOND)
    assert base.host_ns(40_000_000) == 2 * SECOND
    assert base.span(0.5) == 500_000


def test_a_moment_on_another_clock_is_the_same_moment():
    one, two = TimeBase(1_000_000), TimeBase(48_000_000)
    one.heard(5_000_000, 20 * SECOND)
    two.heard(0, 18 * SECOND)
    moment = Moment(one, 5_500_000)
    assert moment.on(one) == 5_500_000
    assert moment.on(two) == 48_000_000 * 2.5
    assert np.isclose(moment.later(1.5).host_ns, 22 * SECOND)
