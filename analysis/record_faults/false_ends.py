"""An end that is none: after it the pressure goes on falling as the same liquid through the same valve makes it fall.

SI; times in seconds. A step of the signal, a held value or a leak looks like a closing, or like gas, for as long as it
lasts; the liquid's area comes back. After a closing the area is nothing, and gas makes it grow until it is shut in.
"""

import math
from dataclasses import dataclass

from standbook.analysis.flow_ends.departures import Detection, departures
from standbook.analysis.record_faults.flow_trace import CLEAR as END_CLEAR
from standbook.analysis.record_faults.flow_trace import SETTLED, FlowTrace

CLEAR = (0.3, 0.9)  # s left out after an end: a stroke; a step that the end lies before
STEP_CLEAR = 0.1  # s left out after a stop that another one follows: of 86 healthy simulated flows none had two
CLEAR_IN_U = 2.0  # uncertainties of the end, left out at least
LINES = (0.3, 0.6, 1.2, 2.4, 4.8)  # s after that
CERTAIN = 0.15  # of the area before: a line that is known no better says nothing
LOOKED_AT = 3  # certain lines, the shortest first: later ones may hold a vent
# Over 217 healthy simulated flows, of two kinds of stands, no three lines kept to these two.
LIKE_LIQUID = (0.5, 1.8)  # of the area before
STEADIEST = 1.1  # the same of the first two alone, where the flow's own end comes soon
STEADY, LONG_LINE, STEADIER = 1.6, 1.2, 1.2  # largest over smallest; of lines so long [s]; gas that is shut in is not
STOOD, STOOD_FOR, SURELY = 0.3, (9.6, 4.8, 2.4), 3.0  # of the flow's mean area; s before an end; standard uncertainties


@dataclass(frozen=True, slots=True)
class FlowsOn:
    """What flows after an end that was found."""

    time: float  # of that end [s]
    share: float  # of the flow before
    seconds: float  # over which it was seen


def stood_before(trace: FlowTrace) -> float | None:
    """Return how long the tank all but stood before what was taken for its flow's end; ``None``: liquid flowed. [s].

    A vent falls faster than any liquid and hides a slow end that noise covers.
    """
    mean, _ = trace.areas.one(trace.opening + SETTLED, trace.end - END_CLEAR)
    for seconds in STOOD_FOR:
        start = trace.end - END_CLEAR - seconds
        if start < 0.5 * (trace.opening + trace.end) or not mean > 0.0:
            continue
        area, u = trace.areas.one(start, trace.end - END_CLEAR)
        if area + SURELY * u < STOOD * mean:
            return seconds
    return None


def flows_on(trace: FlowTrace) -> FlowsOn | None:
    """Tell whether the flow goes on behind its end; ``None`` where it stops, gas follows, or too little is recorded."""
    found = [seen for clear in CLEAR if (seen := _after(trace, max(clear, CLEAR_IN_U * trace.end_u))) is not None]
    return found[0] if found else _stops_again(trace)


def _stops_again(trace: FlowTrace) -> FlowsOn | None:
    """Tell whether liquid flows from one stop up to another, too soon after it for several lines to tell."""
    found = departures(trace.areas, trace.opening, Detection())[:2]
    before, _ = trace.area_before_end()
    if len(found) < 2 or any(one.steeper for one in found) or not before > 0.0:
        return None
    start, stop = trace.end + max(STEP_CLEAR, CLEAR_IN_U * trace.end_u), found[1].time - found[1].line
    if not start < stop:
        return None
    area, u = trace.areas.one(start, stop)
    if not (u < CERTAIN * before and LIKE_LIQUID[0] < area / before < LIKE_LIQUID[1]):
        return None
    return FlowsOn(trace.end, area / before, stop - start)


def _after(trace: FlowTrace, clear: float) -> FlowsOn | None:
    before, before_u = trace.area_before_end()
    if not before > 0.0:
        return None
    seen: list[tuple[float, float]] = []
    for line in LINES:
        if trace.end + clear + line > trace.last:
            break
        area, u = trace.areas.one(trace.end + clear, trace.end + clear + line)
        share = area / before
        if math.hypot(u, share * before_u) < CERTAIN * before:
            seen.append((share, line))
    long = [pair for pair in seen if pair[1] >= LONG_LINE]
    for some, most in ((seen[:LOOKED_AT], STEADY), (long[: LOOKED_AT - 1], STEADIER), (seen[:2], STEADIEST)):
        shares = [share for share, _ in some]
        if len(shares) < LOOKED_AT - 1 or min(shares) < LIKE_LIQUID[0] or max(shares) > LIKE_LIQUID[1]:
            continue
        if max(shares) <= most * min(shares):
            return FlowsOn(trace.end, *some[-1])
    return None
