"""A step that was taken for an end: a curve that breaks explains the record about it better than any that bends.

SI; times in seconds, abscissa the drive integral in seconds of the drive at the end. A valve or gas bends the curve,
over any width; what breaks it is the signal. Both are fitted to the same stretch, beside the same smooth curve.
"""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.flow_ends.bends import EARLY, EVEN, LATE, Candidates, Stretch, reduced, tried, whitened
from standbook.analysis.flow_ends.course import abscissa
from standbook.analysis.record_faults.flow_trace import FlowTrace
from standbook.daq.arrays import Array

REACH, PLACES = 0.8, 61  # s about the end in which it is looked for; places tried
BEFORE, AFTER = 2.0, (1.6, 0.8)  # s that are fitted; the shorter where the flow's own end comes soon
LEAST_BEFORE, LEAST_AFTER = 0.5, 0.35  # s
CLEAR_OF_OPENING = 0.4  # s
EDGE = 5  # means that a step has on either side at least
WIDTHS = (0.0, 0.04, 0.08, 0.12, 0.17, 0.23, 0.3, 0.42, 0.6, 1.0)  # of a bend [s]
ORDER = 3
# Over 217 healthy simulated flows, of two kinds of stands, the square sum gained 5 at most.
GAIN = 20.0  # of the sum of squares, noise scaled
SHARE = 0.001  # of the reading
SMALL = 1e-9


@dataclass(frozen=True, slots=True)
class StepAtEnd:
    """A step where an end was found."""

    time: float  # [s]
    share: float  # of the reading, upwards positive
    gain: float  # of the sum of squares over the best bend, noise scaled


def step_at_end(trace: FlowTrace) -> StepAtEnd | None:
    """Tell whether a step made the end that was found; ``None`` where a bend will do, or too little is recorded."""
    found = [step for after in AFTER if (step := _within(trace, after)) is not None]
    return max(found, key=lambda step: step.gain) if found else None


def _within(trace: FlowTrace, after: float) -> StepAtEnd | None:
    end = trace.end
    start, stop = max(trace.opening + CLEAR_OF_OPENING, end - BEFORE), min(end + after, trace.last)
    if end - start < LEAST_BEFORE or stop - end < LEAST_AFTER:
        return None
    part, x = abscissa(trace.course, start, stop, end)
    if x.size < 4 * EDGE:
        return None
    pressure = trace.course.pressure[part]
    stretch = Stretch(
        at=x,
        value=np.log(pressure),
        weight=pressure / trace.noise.deviation,
        neighbours=trace.noise.neighbours,
        order=ORDER,
    )
    places = np.linspace(max(-REACH, float(x[EDGE])), min(REACH, float(x[-EDGE])), PLACES)
    best, bends = np.inf, 1.0
    for tail in ("relax", "square"):
        shapes = (EVEN, EARLY, LATE)
        found = tried(stretch, Candidates(places=places, widths=WIDTHS, shapes=shapes, after=tail))
        best, bends = min(best, float(found.cost.min())), float(max(found.freedom, 1))
    place, share, cost = _best_step(stretch, places)
    # What neither follows is no noise; slow noise makes more of both than neighbours tell.
    scale = max(min(best, cost) / bends, 1.0) * trace.noise.factor(REACH) ** 2
    gain = (best - cost) / scale
    if gain < GAIN or abs(share) < SHARE:
        return None
    return StepAtEnd(float(np.interp(place, x, trace.course.time[part])), share, gain)


def _best_step(stretch: Stretch, places: Array) -> tuple[float, float, float]:
    """Return place, size in logarithm, and sum of squares of the best step beside the smooth curve."""
    basis = reduced(stretch)
    spacing = float(np.median(np.diff(stretch.at)))  # of the means: the one that the step falls into lies between
    steps = np.clip((stretch.at[:, None] - places[None, :]) / spacing + 0.5, 0.0, 1.0)
    free = basis.free(whitened(steps * stretch.weight[:, None], stretch.neighbours))
    square, right = np.sum(free**2, axis=0) + SMALL, free.T @ basis.rest
    cost = float(basis.rest @ basis.rest) - right**2 / square
    k = int(np.argmin(cost))
    return float(places[k]), float(right[k] / square[k]), float(cost[k])
