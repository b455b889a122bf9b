"""Read the computer's three clocks as one instant and report where they disagree.

The monotonic clock orders arrivals and stands still while the computer sleeps; the boot clock counts on
through sleep; the wall clock is what people and other computers share, and may be set at any time. All in
integer nanoseconds. What a device's own clock says is another subject (``daq.recovery.device_clock``).
"""

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

# Reading three clocks takes about 1 µs. When the process was held up between two of them the readings do not
# belong together, so they are taken again; after a few tries on a loaded machine the tightest one serves.
TIGHT_NS: Final = 200_000
_TRIES: Final = 5

# A time service slews by at most 500 ppm (about 0.03 ms in 50 ms) and steps only what is too large to slew
# (128 ms by default in common services). 20 ms between two readings is therefore a step, never a slew.
STEP_NS: Final = 20_000_000


@dataclass(frozen=True, slots=True)
class HostTime:
    """One instant, read on three clocks."""

    monotonic_ns: int  # [ns]
    wall_ns: int  # since 1970, UTC [ns]
    boottime_ns: int  # [ns]


class Clocks(Protocol):
    """Where instants come from; tests hand in one that is moved by hand."""

    def now(self) -> HostTime:
        """Read the clocks."""


def _boot_clock() -> Callable[[], int]:
    if sys.platform == "linux":
        return lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        # There CLOCK_MONOTONIC counts on during sleep, and time.monotonic() is the one that stands still.
        return lambda: time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    return time.monotonic_ns  # no such clock: sleep then shows as a wall clock step only


class HostClocks:
    """The clocks of this computer."""

    def __init__(self) -> None:
        self._boottime = _boot_clock()

    def now(self) -> HostTime:
        """Read the three clocks close enough together to be compared."""
        best, best_spread = self._read()
        for _ in range(_TRIES - 1):
            if best_spread <= TIGHT_NS:
                break
            again, spread = self._read()
            if spread < best_spread:
                best, best_spread = again, spread
        return best

    def _read(self) -> tuple[HostTime, int]:
        before = time.monotonic_ns()
        wall = time.time_ns()
        boottime = self._boottime()
        after = time.monotonic_ns()
        return HostTime(after, wall, boottime), after - before


@dataclass(frozen=True, slots=True)
class ClockStep:
    """By how much the clocks disagree between two instants: a sleep, or a step of the wall clock."""

    slept_ns: int  # the computer slept this long [ns]
    wall_step_ns: int  # the wall clock was set forward (positive) or back by this much [ns]

    def __str__(self) -> str:
        """Describe the disagreement in one clause, for the record."""
        parts = []
        if self.slept_ns:
            parts.append(f"computer slept {self.slept_ns / 1e9:.3f} s")
        if self.wall_step_ns:
            parts.append(f"wall clock stepped {self.wall_step_ns / 1e9:+.3f} s")
        return "; ".join(parts)


def clock_step(before: HostTime, after: HostTime) -> ClockStep | None:
    """Return what the clocks disagree on between two instants, or None when they agree.

    Notes
    -----
    Sleep is boot time minus monotonic time; a wall clock step is wall time minus boot time, so a
    computer that only slept shows no step. Each counts from ``STEP_NS`` on.
    """
    boottime = after.boottime_ns - before.boottime_ns
    slept = boottime - (after.monotonic_ns - before.monotonic_ns)
    stepped = (after.wall_ns - before.wall_ns) - boottime
    slept = slept if slept >= STEP_NS else 0
    stepped = stepped if abs(stepped) >= STEP_NS else 0
    return ClockStep(slept, stepped) if slept or stepped else None
