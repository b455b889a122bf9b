"""Hold a device's clock to its own row numbers: steps, single frames that disagree, counters that are too narrow.

Rows are evenly spaced on the device's clock, so ticks less row numbers times the interval stand still, or move evenly
where a converter has a clock of its own. What jumps is the clock, or rows that were not made: arrivals tell which
(``daq.recovery.clock_steps``). Ticks and rows are whole numbers since boot; no seconds here.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, Literal

import numpy as np

from standbook.daq.arrays import Ints
from standbook.daq.wire.line_edges import nearest
from standbook.daq.wire.messages import MODULUS

EXACT: Final = 4  # ticks that a stamp may be off by
SCATTERS: Final = 12.0  # times the usual scatter of stamps, beyond which they disagree
SLOW: Final = 2e-4  # of lost rows' time: by so much the rate may be off over a gap
BESIDE: Final = 3  # frames at most that stand off by themselves
OWN_RATE: Final = 0.05  # of the interval: no converter's own clock is off by more; judgement
FEWEST: Final = 5  # frames that tell what is usual
SETTLED: Final = 8  # frames on either side that a step must move
NARROW: Final = 2**16  # ticks after which a counter of 16 bits starts again
REMEMBERED: Final = 32  # frames that tell what is usual while recording
LATE: Final = 4e-3  # s: arrivals tell no less
Kind = Literal["back", "forward", "frames", "stall"]


@dataclass(frozen=True, slots=True)
class TickStep:
    """One place where ticks do not go on as the row numbers do."""

    kind: Kind
    sequence: int  # first row behind it
    rows: int  # that stand off; 0: all that follow
    ticks: int  # by which they stand later than the row numbers say

    @property
    def is_narrow(self) -> bool:
        """A counter of 16 bits that started again takes just that away."""
        return self.kind == "back" and abs(self.ticks + NARROW * round(-self.ticks / NARROW)) <= EXACT


@dataclass(frozen=True, slots=True, eq=False)
class Steadied:
    """What is taken from the ticks of each frame, and why."""

    excess: Ints  # (F,) [ticks]
    steps: tuple[TickStep, ...]


def steadied(sequence: Ints, ticks: Ints, interval: int, end: int) -> Steadied:
    """Find where the ticks of frames contradict the row numbers.

    Parameters
    ----------
    sequence, ticks : (F,) arrays
        First row of each frame in order, and the ticks at it.
    interval : int
        Ticks between two rows, nominal.
    end : int
        Row past the last frame's last.

    Returns
    -------
    Steadied
        Excess that leaves ticks which go on with the rows.
    """
    excess = np.zeros(sequence.size, np.int64)
    if sequence.size < FEWEST:
        return Steadied(excess, ())
    jumps, allowed = _jumps(sequence, ticks, interval)
    steps: list[TickStep] = []
    place, beyond = 0, np.flatnonzero(np.abs(jumps) > allowed)
    while place < beyond.size:
        at = int(beyond[place])
        back = _comes_back(jumps, allowed, beyond, place)
        if back is not None:
            last = int(beyond[back])
            off = round(float(jumps[at]))
            if abs(off) > interval / 2:  # a stamp that was late by less is no fault
                excess[at + 1 : last + 1] += off
                rows = int(sequence[last + 1] - sequence[at + 1])
                steps.append(TickStep("frames", int(sequence[at + 1]), rows, off))
            place = back + 1
            continue
        off = round(float(jumps[at]))
        if at + 2 == sequence.size and abs(off) > interval / 2:  # the last frame alone
            excess[at + 1 :] += off
            steps.append(TickStep("frames", int(sequence[at + 1]), int(end - sequence[at + 1]), off))
        elif _stays(jumps, at, off, float(allowed[at])):
            excess[at + 1 :] += off
            steps.append(TickStep("back" if off < 0 else "forward", int(sequence[at + 1]), 0, off))
        place += 1
    return Steadied(excess, tuple(steps))


def _jumps(sequence: Ints, ticks: Ints, interval: int) -> tuple[np.ndarray, np.ndarray]:
    """Return by how much ticks jump between frames beyond what rows and an even rate make, and what is allowed."""
    rows = np.diff(sequence)
    apart = (np.diff(ticks) - interval * rows).astype(float)
    rate = float(np.median(apart / np.maximum(rows, 1)))
    if abs(rate) > OWN_RATE * interval:
        rate = 0.0
    jumps = apart - rate * rows
    scatter = 1.4826 * float(np.median(np.abs(jumps - np.median(jumps))))
    usual = float(np.median(rows))
    allowed = np.maximum(EXACT, SCATTERS * scatter) + SLOW * interval * np.maximum(rows - usual, 0.0)
    return jumps, allowed


def _comes_back(jumps: np.ndarray, allowed: np.ndarray, beyond: Ints, place: int) -> int | None:
    """Return which of the jumps undoes this one within a few frames."""
    at = int(beyond[place])
    for other in range(place + 1, min(place + BESIDE + 1, beyond.size)):
        then = int(beyond[other])
        if then - at > BESIDE:
            return None
        if abs(float(np.sum(jumps[at : then + 1]))) <= allowed[at] + allowed[then]:
            return other
    return None


def _stays(jumps: np.ndarray, at: int, off: int, allowed: float) -> bool:
    """Tell whether what follows stays where a jump has put it."""
    after = np.concatenate(([0.0], np.cumsum(jumps[at + 1 : at + SETTLED])))
    before = np.concatenate(([0.0], -np.cumsum(jumps[max(at - SETTLED + 1, 0) : at][::-1])))
    moved = off + float(np.median(after)) - float(np.median(before))
    return abs(moved) > allowed and moved * off > 0.0


def step_sentences(steps: Sequence[TickStep], tick_hz: float) -> tuple[str, ...]:
    """Say what was found, one sentence a kind, without naming the device."""
    said = []
    narrow = [step for step in steps if step.is_narrow]
    for kind, way in (("back", "back"), ("forward", "on")):
        own = [step for step in steps if step.kind == kind and not (step.is_narrow and len(narrow) > 1)]
        said += [
            f"clock stepped {way} by {_seconds(step.ticks, tick_hz)} at row {step.sequence} while its row numbers "
            f"went on{', by 2^16 ticks as a 16-bit counter that starts again' if step.is_narrow else ''}; times after "
            "it go by row numbers"
            for step in own[:3]
        ]
        if len(own) > 3:
            said.append(f"clock stepped {way} {len(own) - 3} times more; times go by row numbers")
    if len(narrow) > 1:
        said.append(
            f"clock fell back by 2^16 ticks {len(narrow)} times, as a 16-bit counter that starts again; times go by "
            "row numbers; widen the counter in the firmware"
        )
    off = [step for step in steps if step.kind == "frames"]
    said += [
        f"{step.rows} rows from row {step.sequence} bear ticks {_seconds(step.ticks, tick_hz)} "
        f"{'before' if step.ticks < 0 else 'after'} their row numbers; they stand where their row numbers say"
        for step in off[:3]
    ]
    if len(off) > 3:
        said.append(f"ticks of {len(off) - 3} frames more disagree with their row numbers, which place them")
    return tuple(said)


def _seconds(ticks: int, tick_hz: float) -> str:
    seconds = abs(ticks) / tick_hz
    return f"{seconds:.3f} s" if seconds >= 0.01 else f"{1e6 * seconds:.0f} us"


class TickFollower:
    """Does the same while frames of one stream and boot come in; what is past is not looked at again.

    Parameters
    ----------
    interval : int
        Ticks between two rows, nominal.
    tick_hz : float
        Nominal rate of the clock. [1/s]
    time_scale : float
        How much faster than real time a rehearsal plays.
    """

    def __init__(self, interval: int, tick_hz: float, time_scale: float = 1.0) -> None:
        self.steps = 0
        self.newest: TickStep | None = None
        self._interval, self._tick_hz, self._time_scale = interval, tick_hz, time_scale
        self._last: tuple[int, int, int] | None = None  # sequence, ticks as sent, arrival of the newest frame [ns]
        self._excess = self._rows = 0
        self._usual: deque[float] = deque(maxlen=REMEMBERED)  # ticks a row beyond the interval

    def follow(self, sequence: Ints, ticks: Ints, arrival_ns: int) -> Ints:
        """Take in frames that arrived together; return what to take from their ticks, (F,)."""
        return np.array(
            [self._one(*frame, arrival_ns) for frame in zip(sequence.tolist(), ticks.tolist(), strict=True)], np.int64
        )

    def _one(self, sequence: int, ticks: int, arrival_ns: int) -> int:
        last, self._last = self._last, (sequence, ticks, arrival_ns)
        if last is None:
            return 0
        rows = nearest(sequence - last[0], MODULUS)
        if rows <= 0:  # it came late or twice
            self._last = last
            return self._excess
        self._rows = max(self._rows, rows) if len(self._usual) < FEWEST else self._rows
        beyond = nearest(ticks - last[1] - self._interval * rows, MODULUS)
        if len(self._usual) < FEWEST:
            self._usual.append(beyond / rows)
            return self._excess
        rate = median(self._usual)
        off = round(beyond - rate * rows)
        # Nearly every frame is exact, of a thousand a second: what scatter allows is asked of the others.
        if abs(off) <= EXACT or abs(off) <= self._allowed(rate, rows):
            self._usual.append(beyond / rows)
        elif not self._waited(off, rows, arrival_ns - last[2]):
            self._excess += off
            self._step(sequence, off)
        return self._excess

    def _allowed(self, rate: float, rows: int) -> float:
        """Return what ticks may be off by after so many rows, by the scatter of the frames before."""
        scatter = 1.4826 * rows * median(abs(one - rate) for one in self._usual)
        return max(EXACT, SCATTERS * scatter) + SLOW * self._interval * rows

    def _step(self, sequence: int, off: int) -> None:
        """Note a step, or that it undoes the one before: then only frames between stood off."""
        before = self.newest
        rows = nearest(sequence - before.sequence, MODULUS) if before is not None else 0
        if before is not None and not before.rows and rows <= BESIDE * self._rows and abs(before.ticks + off) <= EXACT:
            self.newest = TickStep("frames", before.sequence, rows, before.ticks)
            return
        self.steps += 1
        self.newest = TickStep("back" if off < 0 else "forward", sequence, 0, off)

    def _waited(self, off: int, rows: int, apart_ns: int) -> bool:
        """Tell whether the frame came as late as its clock says that it was made."""
        apart = 1e-9 * apart_ns * self._time_scale * self._tick_hz - self._interval * rows
        return off > 0 and off > LATE * self._tick_hz and apart > off / 2
