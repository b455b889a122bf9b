"""The state of one device's link while it is recorded: rate, ages, and what is wrong with it in one sentence.

Compares what was read along with what the capture process says about itself. Times are seconds of the monotonic
clock, those of capture integer nanoseconds of the same clock. Decides nothing.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from standbook.daq.capture.process_status import CaptureStatus
from standbook.daq.config.stand import Device
from standbook.daq.recording.journal_follower import Seen
from standbook.daq.wire.hello import Hello

RATE_WINDOW: Final = 1.0  # [s]
# Capture asks for a sync 0.05 s after a write; its status is up to 0.3 s old.
SAID_FOR: Final = 30.0  # [s] that a restart or a step of the clock is called; its count stays
SLOW_SYNC: Final = 1.0  # [s] from a write until it is durable; more than this is said


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkState:
    """One device's link and its way to the disk."""

    device: str
    state: str  # "recording", "lost", "ended"
    rate: float  # rows a second, all streams, over the last second [1/s]
    lost_rows: int
    damaged_frames: int
    received_bytes: int
    openings: int
    data_age: float | None  # since the newest byte arrived [s]
    sync_age: float | None  # since the newest data known to be durable was written [s]
    message: str = ""  # one sentence when something is wrong
    restarts: int = 0  # of the board
    clock_steps: int = 0  # times that its clock contradicted its row numbers
    rate_changes: int = 0  # times that its clock went over to another rate


class LinkWatch:
    """Follows the link of one device; memory stays bounded."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self._serial = device.serial
        self._rows: deque[tuple[float, int]] = deque()  # time, rows so far

    def evaluate(
        self,
        now: float,
        seen: Seen,
        status: CaptureStatus | None,
        hellos: Sequence[Hello],
        *,
        has_ended: bool,
    ) -> LinkState:
        """Return the state at ``now``."""
        state = "ended" if has_ended else "lost" if status is not None and status.state == "lost" else "recording"
        return LinkState(
            device=seen.device,
            state=state,
            rate=self._rate(now, seen.rows),
            lost_rows=seen.lost_rows,
            damaged_frames=seen.damaged,
            received_bytes=seen.received_bytes,
            openings=seen.openings,
            data_age=_age(now, seen.newest_arrival_ns),
            sync_age=_age(now, status.synced_ns if status is not None else None),
            message=self._message(status, hellos) or self._word(now, seen),
            restarts=seen.restarts,
            clock_steps=seen.clock_steps,
            rate_changes=seen.rate_changes,
        )

    def _rate(self, now: float, rows: int) -> float:
        """Return rows a second over the last second, or over the time there is."""
        self._rows.append((now, rows))
        while len(self._rows) > 2 and now - self._rows[1][0] >= RATE_WINDOW:
            self._rows.popleft()
        then, before = self._rows[0]
        return (rows - before) / (now - then) if now > then else 0.0

    def _word(self, now: float, seen: Seen) -> str:
        """Return what was noticed of the board's start and clock, while it is new."""
        age = _age(now, seen.word_ns)
        return f"{self._device.name}: {seen.word}" if age is not None and age < SAID_FOR else ""

    def _message(self, status: CaptureStatus | None, hellos: Sequence[Hello]) -> str:
        self._serial = self._serial or next((hello.serial for hello in hellos), "")
        for hello in hellos:
            if hello.serial != self._serial:
                return (
                    f'{self._device.name}: the board says serial number "{hello.serial}", not "{self._serial}"; '
                    "another board is on this port"
                )
        if status is None:
            return ""
        if status.dropped_bytes:
            return f"{self._device.name}: the disk was too slow, {status.dropped_bytes:,} bytes are not kept"
        unsynced = (status.written_ns - status.synced_ns) / 1e9 if status.synced_ns else 0.0
        if unsynced > SLOW_SYNC:
            return f"{self._device.name}: the disk is slow; what came in the last {unsynced:.1f} s is not durable yet"
        return status.message


def _age(now: float, when_ns: int | None) -> float | None:
    return max(0.0, now - when_ns / 1e9) if when_ns else None
