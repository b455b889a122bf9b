"""Monitor free disk space: how much there is, and how long it lasts at the present rate of recording.

Looks at one folder's file system and at the growth of the journals in it. Decides nothing: ``DiskSpace.is_short`` says
that recording should stop now, while ``closed`` records and a status still fit. Sizes are bytes, times seconds.
"""

import itertools
import os
import shutil
import statistics
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from standbook.daq.journal.writer import SUFFIX

WINDOW: Final = 30.0  # [s] over which the present rate is taken
WARN: Final = 600.0  # [s] left; time to finish a test that has begun, or to hold one that has not

# Kept free when recording stops: the bytes that come while captures are being stopped, two pieces of 64 kB in
# the making per device, the `closed` records, and a status that is written beside the old one.
RESERVE: Final = 1 << 20  # [byte]
STOP_TIME: Final = 2.0  # [s] of the present rate on top of it

# What other programs take counts from half of what the journals take on. They write by fits and starts: their mean over
# a longer time, the most and the least tenth of its seconds left out, moves by little where they go on as they did.
OTHERS_WINDOW: Final = 120.0  # [s]
_OTHERS: Final = 0.5
_LEFT_OUT: Final = 0.1


@dataclass(frozen=True, slots=True)
class DiskState:
    """Free space of a disk and the recording time that it allows."""

    free_bytes: int | None
    seconds_left: float | None  # until recording must stop, at the present rate
    warning: str = ""  # one sentence, when it is short


def free_bytes(folder: Path) -> int | None:
    """Return the bytes that an ordinary user may still write on the disk of ``folder``, or None where unknown."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def journal_bytes(folder: Path) -> int:
    """Return the size of all journals in ``folder``."""
    try:
        with os.scandir(folder) as entries:
            return sum(entry.stat().st_size for entry in entries if entry.name.endswith(SUFFIX))
    except OSError:
        return 0


class DiskSpace:
    """Monitor the free space under a folder; memory stays bounded.

    Parameters
    ----------
    folder
        Where journals are written.
    free, written
        How to find what is free, and what the journals hold.
    """

    def __init__(
        self,
        folder: Path,
        *,
        free: Callable[[Path], int | None] = free_bytes,
        written: Callable[[Path], int] = journal_bytes,
    ) -> None:
        self.folder = folder
        self.is_short = False  # recording should stop now
        self._free = free
        self._written = written
        self._looks: deque[tuple[float, int, int]] = deque()  # time, free, written; at most one a second
        self._others = 0.0  # rate at which other programs fill the disk [byte/s]

    def poll(self, now: float) -> DiskState:
        """Return the state at ``now``, a time that only grows. [s]."""
        free = self._free(self.folder)
        if free is None:
            return DiskState(None, None)
        rate = self._rate(now, free, self._written(self.folder))
        reserve = RESERVE + STOP_TIME * rate
        self.is_short = free < reserve
        left = max(0.0, free - reserve) / rate if rate > 0.0 else None
        return DiskState(free, left, self._warning(free, left))

    def sentence(self) -> str:
        """Say why recording was stopped."""
        free = self._free(self.folder) or 0
        return (
            f"{self.folder}: recording was stopped because only {_size(free)} is free on the disk; "
            "what was received until then is written; free some space or choose another disk"
        )

    def _rate(self, now: float, free: int, written: int) -> float:
        """Return the rate at which room is used up, in bytes a second."""
        if not self._looks or now - self._looks[-1][0] >= 1.0:
            self._looks.append((now, free, written))
            self._others = self._usual_use()
        while len(self._looks) > 1 and now - self._looks[1][0] >= OTHERS_WINDOW:
            self._looks.popleft()
        since = next((look for look in reversed(self._looks) if now - look[0] >= WINDOW), self._looks[0])
        span = now - since[0]
        if span < 1.0:
            return 0.0
        ours, others = (written - since[2]) / span, self._others
        return max(0.0, ours + (others if others > _OTHERS * ours else 0.0))

    def _usual_use(self) -> float:
        """Return the rate at which other programs fill the disk, in bytes a second; their bursts end."""
        rates = sorted(
            ((one[1] - other[1]) - (other[2] - one[2])) / (other[0] - one[0])
            for one, other in itertools.pairwise(self._looks)
            if other[0] > one[0]
        )
        out = max(1, round(_LEFT_OUT * len(rates)))
        return max(0.0, statistics.fmean(rates[out:-out])) if len(rates) > 2 * out else 0.0

    def _warning(self, free: int, left: float | None) -> str:
        if self.is_short:
            return f"disk full: {_size(free)} free; recording stops now"
        if left is None or left >= WARN:
            return ""
        return f"the disk has room for {_duration(left)} at the present rate ({_size(free)} free); free some space"


def _size(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


def _duration(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds >= 90.0 else f"{seconds:.0f} s"
