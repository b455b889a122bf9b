"""The forecast of a disk that fills, with a disk and a clock moved by hand."""

from itertools import pairwise
from pathlib import Path

import pytest

from standbook.daq.capture.disk_space import (
    OTHERS_WINDOW,
    RESERVE,
    STOP_TIME,
    WARN,
    WINDOW,
    DiskSpace,
    DiskState,
    free_bytes,
    journal_bytes,
)

MB = 1_000_000
FOLDER = Path("raw")


class Disk:
    """Its free space falls by what journals take and by what other programs take."""

    def __init__(self, free: int) -> None:
        self.free_now, self.written_now = free, 0

    def use(self, ours: int, others: int = 0) -> None:
        self.written_now += ours
        self.free_now -= ours + others

    def disk_space(self) -> DiskSpace:
        return DiskSpace(FOLDER, free=lambda _: self.free_now, written=lambda _: self.written_now)


def played(disk: Disk, seconds: int, ours: int, others: int = 0) -> tuple[DiskSpace, DiskState]:
    disk_space = disk.disk_space()
    state = disk_space.poll(0.0)
    for second in range(1, seconds + 1):
        disk.use(ours, others)
        state = disk_space.poll(float(second))
    return disk_space, state


def test_the_forecast_is_what_is_free_beyond_the_reserve_over_the_present_rate() -> None:
    disk_space, state = played(Disk(1000 * MB), 10, MB)
    assert state.free_bytes == 990 * MB
    assert state.seconds_left == pytest.approx((990 * MB - RESERVE - STOP_TIME * MB) / MB)
    assert state.warning == ""
    assert not disk_space.is_short


def test_the_forecast_is_true() -> None:
    """Going on at the present rate, recording must stop when the forecast said."""
    disk = Disk(100 * MB)
    disk_space, state = played(disk, 20, MB)
    assert state.seconds_left is not None
    foretold, second = 20 + state.seconds_left, 20
    while not disk_space.is_short:
        second += 1
        disk.use(MB)
        disk_space.poll(float(second))
    assert foretold <= second <= foretold + 1.0


def test_a_rate_that_changed_is_the_present_one_after_the_window() -> None:
    disk = Disk(100_000 * MB)
    disk_space, _ = played(disk, 100, 0)
    state = DiskState(None, None)
    for second in range(101, 101 + int(WINDOW) + 1):
        disk.use(2 * MB)
        state = disk_space.poll(float(second))
    assert state.seconds_left == pytest.approx(disk.free_now / (2 * MB), rel=0.001)


def test_another_program_that_fills_the_disk_counts() -> None:
    _, state = played(Disk(1000 * MB), 10, MB, others=9 * MB)
    assert state.seconds_left == pytest.approx((900 * MB - RESERVE) / (10 * MB) - STOP_TIME)
    assert "the disk has room for 88 s at the present rate (900.0 MB free)" in state.warning


def test_a_disk_that_is_cleared_meanwhile_does_not_last_for_ever() -> None:
    _, state = played(Disk(1000 * MB), 10, MB, others=-5 * MB)
    assert state.seconds_left == pytest.approx((1040 * MB - RESERVE) / MB - STOP_TIME)


def test_before_anything_was_written_nothing_is_foretold() -> None:
    assert Disk(1000 * MB).disk_space().poll(0.0) == DiskState(1000 * MB, None)


def test_a_forecast_that_falls_short_is_a_warning() -> None:
    for free, is_warned in ((int((WARN + 60) * MB), False), (int((WARN - 60) * MB), True)):
        _, state = played(Disk(free), 10, MB)
        assert bool(state.warning) == is_warned
    assert state.warning.startswith("the disk has room for 9 min at the present rate (530.0 MB free)")


def test_recording_stops_while_closing_records_still_fit() -> None:
    disk = Disk(RESERVE + 1)
    disk_space = disk.disk_space()
    assert disk_space.poll(0.0).warning == ""
    assert not disk_space.is_short
    disk.use(2)
    assert disk_space.poll(0.1).warning == "disk full: 1.0 MB free; recording stops now"
    assert disk_space.is_short
    assert disk_space.sentence() == (
        "raw: recording was stopped because only 1.0 MB is free on the disk; what was received until then is written; "
        "free some space or choose another disk"
    )


def test_a_burst_of_another_program_does_not_move_the_forecast() -> None:
    disk = Disk(1000 * MB)
    monitor, steady = played(disk, 20, MB)
    disk.use(MB, others=300 * MB)  # in one second
    after = monitor.poll(21.0)
    assert steady.seconds_left is not None
    assert after.seconds_left is not None
    assert after.seconds_left == pytest.approx(steady.seconds_left - 301.0, rel=0.01)


@pytest.mark.parametrize("writes_for", [5, 20, 40])
def test_a_program_that_writes_by_fits_and_starts_does_not_let_the_forecast_jump(writes_for: int) -> None:
    disk = Disk(100_000 * MB)
    disk_space, left = disk.disk_space(), []
    for second in range(600):
        disk.use(MB, others=100 * MB if second // writes_for % 2 else 0)
        state = disk_space.poll(float(second))
        if second > OTHERS_WINDOW and state.seconds_left is not None:
            left.append(state.seconds_left)
    true = [free / (51 * MB) for free in range(disk.free_now + 479 * 51 * MB, disk.free_now - 1, -51 * MB)]
    assert all(0.6 < said / at < 1.9 for said, at in zip(left, true, strict=False))
    assert max(abs(after / before - 1.0) for before, after in pairwise(left)) < 0.04


def test_a_program_that_begins_to_fill_the_disk_is_warned_of_while_there_is_room() -> None:
    disk = Disk(10_000 * MB)
    disk_space, _ = played(disk, 60, MB)
    for second in range(61, 200):
        disk.use(MB, others=100 * MB)
        if disk_space.poll(float(second)).warning:
            break
    assert second < 61 + 30
    assert disk.free_now > 7_000 * MB


def test_the_reserve_grows_with_the_rate() -> None:
    disk_space, _ = played(Disk(18 * MB), 10, MB)  # 8 MB left of which 3 MB are reserved
    assert not disk_space.is_short
    disk_space, _ = played(Disk(12 * MB), 10, MB)  # 2 MB left
    assert disk_space.is_short


def test_a_disk_that_nobody_can_ask_is_unknown_and_stops_nothing(tmp_path: Path) -> None:
    disk_space = DiskSpace(tmp_path / "none")
    assert disk_space.poll(0.0) == DiskState(None, None)
    assert not disk_space.is_short
    assert journal_bytes(tmp_path / "none") == 0


def test_memory_does_not_grow_with_the_recording() -> None:
    disk = Disk(10**15)
    disk_space = disk.disk_space()
    for step in range(20_000):
        disk.use(1000)
        disk_space.poll(step / 10)
    assert len(disk_space._looks) <= OTHERS_WINDOW + 2


def test_journals_and_nothing_else_are_counted(tmp_path: Path) -> None:
    (tmp_path / "a_001.arrows").write_bytes(bytes(100))
    (tmp_path / "b_001.arrows").write_bytes(bytes(20))
    (tmp_path / "a_capture.json").write_bytes(bytes(3))
    assert journal_bytes(tmp_path) == 120
    free = free_bytes(tmp_path)
    assert free is not None
    assert free > 0
