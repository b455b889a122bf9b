"""Tell while recording that a device's clock runs at another rate than before: arrivals move away evenly.

A row cannot arrive before it was taken, so the least delay of half a second hardly moves while the rate stays. A link
or a computer that is held up delays by steps, and seldom evenly for seconds; where it does, arrivals alone cannot tell
the two apart, and the words say so. The sealed record looks again, at all of it (``daq.recovery.clock_bend``).
"""

from collections import deque
from typing import Final

import numpy as np

from standbook.daq.wire.line_edges import nearest
from standbook.daq.wire.messages import MODULUS

BLOCK: Final = 0.5  # [s] of the computer whose least delay is kept
RECENT: Final = 7  # blocks that must move evenly: with a begun one before and after them, told within 5 s
BEFORE: Final = 6  # blocks at least that they are compared with
MOST_BEFORE: Final = 20
TOLD: Final = 0.007  # relative change of rate: 1 % is told for certain; judgement
EVENLY: Final = (0.5, 1.5)  # a block's movement in mean ones; judgement
MISFIT: Final = 0.2  # of the movement in a block, that the blocks before may scatter by; judgement
SILENT: Final = 4  # blocks without rows after which one begins again: a port that came back hands on what waited


class RateWatch:
    """Watches the clock of one boot of a device.

    Parameters
    ----------
    tick_hz : float
        Nominal rate. [1/s]
    time_scale : float
        How much faster than real time a rehearsal plays.
    """

    def __init__(self, tick_hz: float, time_scale: float = 1.0) -> None:
        self._hz = tick_hz * time_scale
        self._newest: int | None = None  # ticks, unwrapped
        self._start = 0  # of both clocks
        self._start_ns = 0
        self._number = 0  # of the block that fills
        self._least: tuple[float, float] | None = None  # device time and least delay in it [s of the computer]
        self._blocks: deque[tuple[float, float]] = deque(maxlen=RECENT + MOST_BEFORE)

    def heard(self, ticks: int, arrival_ns: int) -> float | None:
        """Take in the clock of a row and when it had arrived; return by how much the rate has changed, once.

        Returns
        -------
        float or None
            Seconds of the computer gained per second of the device, more than before. [-]
        """
        if self._newest is None:
            self._newest = self._start = ticks
            self._start_ns = arrival_ns
        self._newest += nearest(ticks - self._newest, MODULUS)
        device = (self._newest - self._start) / self._hz
        delay = (arrival_ns - self._start_ns) / 1e9 - device
        number = (arrival_ns - self._start_ns) // round(BLOCK * 1e9)
        if number == self._number:
            if self._least is None or delay < self._least[1]:
                self._least = (device, delay)
            return None
        if number - self._number > SILENT:
            self._blocks.clear()
        elif self._least is not None:
            self._blocks.append(self._least)
        self._number, self._least = number, (device, delay)
        return self._change()

    def _change(self) -> float | None:
        """Compare the newest blocks with those before them."""
        if len(self._blocks) < RECENT + BEFORE:
            return None
        at, delay = np.array(self._blocks).T
        line = np.polynomial.Polynomial.fit(at[:-RECENT], delay[:-RECENT], 1)
        apart = delay - line(at)
        moved = np.diff(apart[-RECENT:])
        change = float(moved.sum() / np.ptp(at[-RECENT:]))
        mean = float(moved.mean())
        scatter = float(np.sqrt(np.mean(apart[:-RECENT] ** 2)))
        if abs(change) < TOLD or scatter > MISFIT * abs(mean):
            return None
        if not all(EVENLY[0] <= share <= EVENLY[1] for share in (moved / mean).tolist()):
            return None
        recent = list(self._blocks)[-RECENT:]
        self._blocks.clear()
        self._blocks.extend(recent)
        return change


def rate_sentence(change: float) -> str:
    """Say what was found, without naming the device."""
    way = "slower" if change > 0.0 else "faster"
    held_up = ", or what it sends comes later and later" if change > 0.0 else ""
    return (
        f"the clock runs about {100.0 * abs(change):.1f} % {way} than before against this computer's{held_up}; "
        "sealing looks again"
    )
