"""A pressure that stood after the flow, fell as liquid makes it fall, and stood again: a valve that opened once more.

SI; times in seconds, pressures absolute. A vented tank does not stand again above the ambient pressure, and one that
leaks never stands.
"""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.record_faults.flow_trace import FlowTrace

LINES = (0.4, 0.8)  # s of fall that are looked for
CLEAR = 0.3  # s after the end
STANDS = 0.5  # s before and after the fall, in which the tank stands
FALLS, SURE = 0.25, 5.0  # of the liquid's area, in standard uncertainties: a valve may open by half
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
        rest = np.flatnonzero(still & (later >= at[k] + m // 2))
        if rest.size and ahead[k] == np.max(ahead[k : k + m]):
            before = float(np.mean(course.pressure[at[k] - w : at[k]]))
            after = float(np.mean(course.pressure[later[rest[0]] : later[rest[0]] + w]))
            if after < before:
                return SecondFall(float(course.time[at[k]]), float(ahead[k]) / area, before, after)
    return None
