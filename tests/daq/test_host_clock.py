"""Sleep and a wall clock that was set are told apart, and slewing is neither."""

import itertools

import pytest

from standbook.daq.host_clock import HostClocks, HostTime, clock_step

SECOND = 1_000_000_000
START = HostTime(5 * SECOND, 1_900_000_000 * SECOND, 7 * SECOND)


def later(monotonic: int, wall: int, boottime: int) -> HostTime:
    return HostTime(START.monotonic_ns + monotonic, START.wall_ns + wall, START.boottime_ns + boottime)


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        (later(SECOND, SECOND, SECOND), None),
        (later(SECOND // 20, SECOND // 20 + 25_000, SECOND // 20), None),  # a slew of 500 ppm
        (later(0, 3600 * SECOND, 3600 * SECOND), (3600 * SECOND, 0)),
        (later(SECOND, 3 * SECOND, SECOND), (0, 2 * SECOND)),
        (later(SECOND, -SECOND, SECOND), (0, -2 * SECOND)),
        (later(SECOND, 5 * SECOND, 3 * SECOND), (2 * SECOND, 2 * SECOND)),
        (later(SECOND, SECOND + 19_999_999, SECOND), None),
        (later(SECOND, SECOND + 20_000_000, SECOND), (0, 20_000_000)),
    ],
)
def test_the_clocks_say_what_happened(after: HostTime, expected: tuple[int, int] | None) -> None:
    step = clock_step(START, after)
    assert (None if step is None else (step.slept_ns, step.wall_step_ns)) == expected


def test_a_step_reads_as_words() -> None:
    assert str(clock_step(START, later(0, 60 * SECOND, 61 * SECOND))) == (
        "computer slept 61.000 s; wall clock stepped -1.000 s"
    )


def test_the_clocks_of_this_computer_move_together() -> None:
    clocks = HostClocks()
    readings = [clocks.now() for _ in range(200)]
    for before, after in itertools.pairwise(readings):
        assert after.monotonic_ns >= before.monotonic_ns
        assert clock_step(before, after) is None


def test_readings_that_were_torn_apart_are_taken_again(monkeypatch: pytest.MonkeyPatch) -> None:
    # The process is held up for 100 ms between two clocks in the first two tries.
    ticks = iter([0, 100_000_000, 100_000_000, 200_000_000, 300_000_000, 300_000_100])
    monkeypatch.setattr("time.monotonic_ns", lambda: next(ticks))
    assert HostClocks().now().monotonic_ns == 300_000_100


def test_when_every_reading_is_torn_the_tightest_serves(monkeypatch: pytest.MonkeyPatch) -> None:
    ticks = iter([0, 900_000, 1_000_000, 1_400_000, 2_000_000, 2_900_000, 3_000_000, 3_900_000, 4_000_000, 4_900_000])
    monkeypatch.setattr("time.monotonic_ns", lambda: next(ticks))
    assert HostClocks().now().monotonic_ns == 1_400_000
