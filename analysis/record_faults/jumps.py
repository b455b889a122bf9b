"""A signal that steps in mid-flow: a zero that moved, a plug that was seated again, an amplifier that changed range.

SI; times in seconds. A curve with a step and a change of slope at one instant is fitted to a short stretch about every
instant; what valve and gas do bends the curve but does not break it, so a shorter stretch must show the same step.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.flow_ends.line_noise import settled_hold
from standbook.analysis.record_faults.flow_trace import FlowTrace
from standbook.daq.arrays import Array

HALF = 0.35  # s on either side of a step
SHORTER = 0.5  # of it: the second stretch
LEAST_MEANS = 4  # on either side
# Over 217 healthy simulated flows, of two kinds of stands: 8.2 u at 0.06 %, below which the curve's own bend counts;
# over 200 tanks of healthy firings 7.4 u at 0.10 %, and beyond 0.3 % none with more than 4.5 u by both stretches.
SURE, SHARE = 7.0, 0.001  # uncertainties of a step; of the reading
SURE_LARGE, LARGE = 5.0, 0.005  # the same of one that is larger than any bend
SURE_SHORTER, SAME = 4.0, 0.5  # uncertainties by the shorter stretch; share of the step that it must show
AFTER_OPENING, BEFORE_END = 0.5, 0.15  # s left out: a valve's stroke, a knee
HOLD = 8.0  # s before the opening that tell what noise makes of the same fit
NO_HOLD = 1.5  # times the noise of neighbours, where the hold is too short
EVEN = 1.02  # of the spacing: about a gap nothing is fitted


@dataclass(frozen=True, slots=True)
class Jump:
    """One step of a reading."""

    time: float  # [s]
    share: float  # of the reading, upwards positive
    in_u: float  # its size in standard uncertainties


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """The step that is fitted at each instant. Arrays (S,)."""

    time: Array  # [s]
    step: Array  # [Pa]
    pressure: Array  # [Pa]
    whole: Array  # no sample is missing nearby
    u: float  # of a step [Pa]
    half: float  # [s]


def jump(trace: FlowTrace, within: tuple[float, float] | None = None) -> Jump | None:
    """Find the surest step between both ends; ``None`` where there is none.

    Parameters
    ----------
    within : tuple of float, optional
        Narrower than both ends, where a change of the drive bends the curve outside. [s]
    """
    first, last = within or (trace.opening, trace.end)
    start, end = max(first, trace.opening) + AFTER_OPENING, min(last, trace.end) - BEFORE_END
    long, short = _steps(trace, HALF), _steps(trace, SHORTER * HALF)
    if long is None or short is None:
        return None
    again = np.interp(long.time, short.time, short.step)
    inside = (long.time - long.half > start) & (long.time + long.half < end) & (long.whole > 0.0)
    inside &= (again * long.step > SAME * long.step**2) & (np.abs(again) > SURE_SHORTER * short.u)
    size, share = np.abs(long.step), np.abs(long.step / long.pressure)
    inside &= (size > SURE * long.u) & (share > SHARE) | (size > SURE_LARGE * long.u) & (share > LARGE)
    if not inside.any():
        return None
    k = int(np.argmax(np.where(inside, size, 0.0)))
    return Jump(float(long.time[k]), float(long.step[k] / long.pressure[k]), float(size[k]) / long.u)


def _steps(trace: FlowTrace, half: float) -> _Steps | None:
    course = trace.course
    m = max(LEAST_MEANS, round(half / course.block))
    if course.time.size < 2 * m + 2:
        return None
    arms = _arms(m)
    step = np.correlate(course.pressure, arms, "valid")
    k = np.arange(step.size) + m
    long = course.time[k + m - 1] - course.time[k - m]
    return _Steps(
        time=0.5 * (course.time[k] + course.time[k - 1]),
        step=step,
        pressure=course.pressure[k],
        whole=np.asarray(long < EVEN * course.block * (2 * m - 1), dtype=np.float64),
        u=_step_u(trace, arms),
        half=m * course.block,
    )


def _arms(m: int) -> Array:
    """Return the weights that make the step in the middle of a parabola that also changes slope there. (2 m,)."""
    x = (np.arange(2 * m) - m + 0.5) / m
    columns = np.stack([np.ones(2 * m), x, x**2, np.maximum(x, 0.0), (x > 0.0).astype(np.float64)], axis=1)
    return np.asarray(np.linalg.pinv(columns)[4])


def _step_u(trace: FlowTrace, arms: Array) -> float:
    """Return what noise makes of a step: by the same weights over the hold, if it is long enough. [Pa]."""
    course = trace.course
    low = course.place(max(trace.opening - HOLD, trace.rest_from))
    hold = settled_hold(course.pressure[low : course.place(trace.opening - 0.1)], course.block)
    white = trace.noise.deviation * math.sqrt(float(arms @ arms))
    if hold.size < arms.size + 4:
        return NO_HOLD * white
    return max(float(np.sqrt(np.mean(np.correlate(hold, arms, "valid") ** 2))), white)
