"""Map device ticks to the computer's monotonic clock while recording, so that all devices share one time base.

A row cannot arrive before it was taken, so the least delay seen is the best map: the running minimum of arrival
minus ticks. It is taken over the last ``REMEMBERED`` seconds only, and so follows an oscillator that is off by 0.5 %
to within 50 ms. What remains unknown is the constant part of the delay. The sealed record maps again, better
(``daq.recovery.device_clock``).
"""

from collections import deque
from dataclasses import dataclass
from typing import Final

from standbook.daq.wire.line_edges import nearest
from standbook.daq.wire.messages import MODULUS

REMEMBERED: Final = 10  # [s] of arrivals


class TimeBase:
    """Clock of one device between two of its boots.

    Parameters
    ----------
    tick_hz : float
        Nominal rate. [1/s]
    time_scale : float
        How much faster than real time a rehearsal plays.
    """

    def __init__(self, tick_hz: float, time_scale: float = 1.0) -> None:
        self.tick_hz = tick_hz
        self.time_scale = time_scale
        self.newest: int | None = None  # ticks, unwrapped
        self._arrival = 0  # of the newest [ns]
        self._least: deque[tuple[int, int]] = deque()  # second of arrival, least delay in it
        self._offset = 0

    def place(self, ticks: int, arrival_ns: int) -> int:
        """Unwrap ticks of the 32-bit clock: the value nearest to what should be there by the time of arrival."""
        if self.newest is None:
            return ticks
        elapsed = (arrival_ns - self._arrival) * self._ticks_per_ns
        expected = self.newest + round(elapsed)
        return expected + nearest(ticks - expected, MODULUS)

    def heard(self, ticks: int, arrival_ns: int) -> None:
        """Update with unwrapped ``ticks`` that had arrived by then."""
        if self.newest is None or ticks >= self.newest:
            self.newest, self._arrival = ticks, arrival_ns
        delay = arrival_ns - self._nominal(ticks)
        second = arrival_ns // 1_000_000_000
        if self._least and self._least[-1][0] == second:
            self._least[-1] = (second, min(delay, self._least[-1][1]))
        else:
            self._least.append((second, delay))
            while len(self._least) > REMEMBERED:
                self._least.popleft()
        self._offset = min(least for _, least in self._least)

    def host_ns(self, ticks: int) -> int:
        """Map unwrapped ticks to the monotonic clock. [ns]."""
        return self._nominal(ticks) + self._offset

    def ticks_at(self, host_ns: int) -> int:
        """Map monotonic time to unwrapped ticks."""
        return round((host_ns - self._offset) * self._ticks_per_ns)

    def span(self, seconds: float) -> int:
        """Convert seconds of the device to ticks."""
        return round(seconds * self.tick_hz)

    @property
    def _ticks_per_ns(self) -> float:
        return self.tick_hz * self.time_scale * 1e-9

    def _nominal(self, ticks: int) -> int:
        return round(ticks / self._ticks_per_ns)


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant on a device's own clock: exact there, mapped elsewhere."""

    base: TimeBase
    ticks: int

    @property
    def host_ns(self) -> int:
        """On the monotonic clock. [ns]."""
        return self.base.host_ns(self.ticks)

    def on(self, other: TimeBase) -> int:
        """Ticks of another device's clock at this instant."""
        return self.ticks if other is self.base else other.ticks_at(self.host_ns)

    def later(self, seconds: float) -> "Moment":
        """Return the instant so many seconds of this device later."""
        return Moment(self.base, self.ticks + self.base.span(seconds))
