"""A pressure that stood after the flow, fell as liquid makes it fall, and stood again: a valve that opened once more.

SI; times in seconds, pressures absolute. A vented tank does not stand again above the ambient pressure, and one that
leaks never stands.
"""

from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.record_faults.flow_trace import FlowTrace

LINES = (0.4, 0.8)  # s of fall that are looked for
CLEAR = 0.3  # s after the end
STANDS = 0.5  # s before and after the fall, in which the tank stands
FALLS, SURE = 0.25, 5.0  # of the liquid's area, in standard uncertainties: a valve may open by half
EARLY = (0.05, 0.4)  # s after its begin that tell what flows
STILL = 0.2  # of the liquid's area: below it a tank stands, warming or leaking
ABOVE = 0.6e5  # Pa above the back pressure, at which a tank that was vented does not stand
VENTED = 0.3  # of the drive at the end, below which it was as good as vented


@dataclass(frozen=True, slots=True)
class SecondFall:
    """A fall between two stands."""

    time: float  # of its begin [s]
    share: float  # of the liquid's area before the end
    before: float  # pressure, absolute [Pa]
    after: float  # [Pa]


def second_fall(trace: FlowTrace, back_pressure: float) -> SecondFall | None:
    """Find the first fall after the flow that begins and ends with a stand; ``None`` where there is none."""
    area, _ = trace.area_before_end()
    if not area > 0.0:
        return None
    found = [fall for line in LINES if (fall := _by_lines(trace, back_pressure, area, line)) is not None]
    return min(found, key=lambda fall: fall.time) if found else None


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
