"""A pressure that stood after the flow, fell as liquid makes it fall, and stood again: a valve that opened once more.

SI; times in seconds, pressures absolute. A vented tank does not stand again above the ambient pressure, and one that
leaks never stands. Slopes tell at once what flowed; where noise wanders too much for them, levels tell that it did.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.record_faults.flow_trace import FlowTrace
from standbook.daq.arrays import Array

LINES = (0.4, 0.8)  # s of fall that are looked for
CLEAR = 0.3  # s after the end
STANDS = 0.5  # s before and after the fall, in which the tank stands
FALLS, SURE = 0.25, 5.0  # of the liquid's area, in standard uncertainties: a valve may open by half
EARLY = (0.05, 0.4)  # s after its begin that tell what flows
STILL = 0.2  # of the liquid's area: below it a tank stands, warming or leaking
ABOVE = 0.6e5  # Pa above the back pressure, at which a tank that was vented does not stand
VENTED = 0.3  # of the drive at the end, below which it was as good as vented
LEVEL, LEAST_LEVELS = 0.5, 4  # s of a mean level; levels in the hold before the opening that tell how they scatter
DROPS, FEW = 5.0, 3.0  # times that scatter, more where few levels tell it: 0 of 75 healthy flows that were closed
LEAST_DROP = 2e-3  # of the pressure: gas in a closed tank may settle by less
STAYS, AFTER = 0.5, 3  # of the drop, within which that many levels from the lowest on must stay


@dataclass(frozen=True, slots=True)
class SecondFall:
    """A fall between two stands."""

    time: float  # of its begin [s]
    share: float  # of the liquid's area before the end
    before: float  # pressure, absolute [Pa]
    after: float  # [Pa]


def second_fall(trace: FlowTrace, back_pressure: float, *, closed: bool) -> SecondFall | None:
    """Find the first fall after the flow that begins and ends with a stand; ``None`` where there is none.

    Parameters
    ----------
    closed : bool
        A valve ended the flow. Where gas did, the pressure goes on falling until somebody closes.
    """
    area, _ = trace.area_before_end()
    if not area > 0.0:
        return None
    found = [fall for line in LINES if (fall := _by_lines(trace, back_pressure, area, line)) is not None]
    if found:
        return min(found, key=lambda fall: fall.time)
    return _by_levels(trace, back_pressure, area) if closed else None


def _by_lines(trace: FlowTrace, back: float, area: float, line: float) -> SecondFall | None:
    course = trace.course
    m, w = max(3, round(line / course.block)), max(3, round(STANDS / course.block))
    first = course.place(trace.end + max(CLEAR, 2.0 * trace.end_u))
    at = np.arange(first + w, course.time.size - m - w)
    if at.size == 0:
        return None
    behind, behind_u = trace.areas.of(at - w, at)
    ahead, ahead_u = trace.areas.of(at, at + m)
    begins = (ahead > FALLS * area) & (ahead - behind > SURE * np.hypot(ahead_u, behind_u))
    begins &= behind < STILL * area + behind_u
    later = np.arange(first + w, course.time.size - w)
    then, then_u = trace.areas.of(later, later + w)
    level = course.pressure[later] - back
    still = (then < STILL * area + then_u) & (level > ABOVE) & (level > VENTED * level[0])
    for k in np.flatnonzero(begins):
        rest = np.flatnonzero(still & (later >= at[k] + m))
        if rest.size:
            found = _fall(trace, int(at[k]), m, int(later[rest[0]]))
            if found.after < found.before:
                return replace(found, share=found.share / area)
    return None


def _by_levels(trace: FlowTrace, back: float, area: float) -> SecondFall | None:
    """Find the greatest fall between two levels after the flow that more than scatter explains."""
    hold, _ = _levels(trace, trace.rest_from, trace.opening - CLEAR)
    level, time = _levels(trace, trace.end + max(CLEAR, 2.0 * trace.end_u), trace.last)
    if hold.size < LEAST_LEVELS or level.size < AFTER + 2:
        return None
    x = np.arange(hold.size)
    rest = hold - np.polyval(np.polyfit(x, hold, 1), x)
    scatter = float(np.sqrt(rest @ rest / (hold.size - 2)))
    stands = (level - back > ABOVE) & (level - back > VENTED * (level[0] - back))
    # From the second level on: the first may still fall from the flow itself.
    highest = np.maximum.accumulate(np.concatenate(([-np.inf], level[1:])))
    drop = np.where(stands, highest - level, -np.inf)
    lowest = int(np.argmax(drop))
    least = max(DROPS * (1.0 + FEW / (hold.size - 2)) * scatter, LEAST_DROP * level[0])
    tail = slice(lowest, lowest + AFTER)
    stays = np.abs(level[tail] - level[lowest]) <= STAYS * drop[lowest]
    if drop[lowest] < least or stays.size < AFTER or not np.all(stays & stands[tail]):
        return None
    began = 1 + int(np.argmax(level[1:lowest]))
    share, _ = trace.areas.one(float(time[began]), float(time[lowest]))
    return SecondFall(float(time[began]) + LEVEL / 2.0, share / area, float(level[began]), float(level[lowest]))


def _levels(trace: FlowTrace, start: float, end: float) -> tuple[Array, Array]:
    """Return mean pressures over ``LEVEL`` from ``start`` on, and the middles of their times."""
    course = trace.course
    edges = start + LEVEL * np.arange(max(0, math.floor((end - start) / LEVEL)) + 1)
    first = np.searchsorted(course.time, edges)
    counts = np.diff(first)
    if counts.size == 0 or np.min(counts) == 0:
        return np.empty(0), np.empty(0)
    total = np.add.reduceat(course.pressure[: first[-1]], first[:-1])
    return total / counts, np.asarray(edges[:-1] + LEVEL / 2.0, dtype=np.float64)


def _fall(trace: FlowTrace, first: int, count: int, stands: int) -> SecondFall:
    """Return a fall that begins within some means; its share is still the area itself."""
    course = trace.course
    w = max(3, round(STANDS / course.block))
    near = course.pressure[first : first + count]
    stood = float(np.mean(course.pressure[max(first - w, 0) : first + 1]))
    begin = first + int(np.max(np.flatnonzero(near >= stood - trace.noise.deviation), initial=0))
    time = float(course.time[begin])
    # Before gas may come: what the valve does is told by the fall's first part.
    share, _ = trace.areas.one(time + EARLY[0], time + EARLY[1])
    before = float(np.mean(course.pressure[max(begin - w, 0) : begin + 1]))
    return SecondFall(time, share, before, float(np.mean(course.pressure[stands : stands + w])))
