"""Rows that are missing where a flow begins or ends, or for too long in between.

Times in seconds. In mid-flow the pressure runs smoothly across a gap; an end that lies in one is not known.
"""

from dataclasses import dataclass

import numpy as np

from standbook.daq.arrays import Array

BESIDE_END = 0.15  # s from an end: the knee or stroke is wanted whole
HIDES, ROWS = 0.05, 3.5  # s, and intervals of the rows, from which on a gap hides something: judgement
LONG, SHARE = 1.2, 0.15  # s, and of the flow: gaps of 2 s ended simulated flows, those up to 1 s did no harm
BEFORE, AFTER = 1.0, 3.0  # s beside the flow in which a long gap may be an end


@dataclass(frozen=True, slots=True)
class HidingGap:
    """A gap that hides an end, or may."""

    time: float  # of the last row before it [s]
    seconds: float


def hiding_gap(time: Array, *, opening: float, end: float, until: float) -> HidingGap | None:
    """Find a gap at an end or a long one; ``None`` where there is none.

    Parameters
    ----------
    time : (N,) array
        Of the rows that can be used. [s]
    opening, end : float
        As they were found. [s]
    until : float
        To where the flow was planned: a gap can look like an end. [s]
    """
    steps = np.diff(time)
    if steps.size == 0:
        return None
    least = max(HIDES, ROWS * float(np.median(steps)))
    wide = np.flatnonzero(steps > min(least, LONG))
    steps, begins, ends = steps[wide], time[wide], time[wide + 1]
    hides = np.zeros(steps.size, dtype=np.bool_)
    for at in (opening, end):
        hides |= (steps > least) & (begins < at + BESIDE_END) & (ends > at - BESIDE_END)
    near = (begins >= opening - BEFORE) & (begins <= max(end, until) + AFTER)
    hides |= near & (steps > LONG)
    hides |= (begins < end) & (ends > opening) & (steps > max(SHARE * (end - opening), least))
    if not hides.any():
        return None
    k = int(np.argmax(hides))
    return HidingGap(float(begins[k]), float(steps[k]))
