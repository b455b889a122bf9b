"""The first run-out of a firing, found in its chamber pressure. SI, absolute; times in seconds after T-0."""

import math

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.signal.valve_events import Event
from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array

FALLEN = 0.7  # of the chamber pressure before; by then the run-out lies behind
HINGE_BEFORE, HINGE_BLOCK = 1.5, 0.005  # s
HINGE_SHARE, LEAST_BEFORE = 0.4, 0.6  # of the burn, s: shorter lines hide the bend
FADES = 0.15  # s from the first run-out until thrust has fallen, and its uncertainty where nothing else tells it


def run_out_of(chamber: Channel | None, start: float, end: float) -> Event:
    """Find the first run-out in the chamber pressure: the tanks' own break comes 0.05 to 0.1 s later, with the gas."""
    if chamber is None:
        return Event("run-out", end, 0.3, "thrust stop, no chamber pressure to find it in")
    time, pressure = chamber.known()
    level = float(np.median(pressure[(time >= end - 1.2) & (time <= end - 0.7)]))
    late = (time >= end - 0.7) & (time <= end + 0.2)
    fallen = np.flatnonzero(running_mean(time[late], pressure[late], 4.0 * HINGE_BLOCK) < FALLEN * level)
    before = min(HINGE_BEFORE, HINGE_SHARE * (end - start))
    if fallen.size == 0 or before < LEAST_BEFORE:
        return Event("run-out", end - FADES, FADES, "thrust stop, no fall of the chamber pressure found")
    last = float(time[late][fallen[0]])
    at, mean = block_average(time, pressure, start=last - before, end=last, block=HINGE_BLOCK)
    known = np.isfinite(mean)
    return _hinge(at[known], mean[known])


def _hinge(time: Array, value: Array) -> Event:
    """Fit a straight line that bends at a free instant into a parabola; the bend is the event."""

    def misfit(bend: float) -> float:
        after = np.maximum(time - bend, 0.0)
        design = np.column_stack([np.ones_like(time), time - time[-1], after, after**2])
        return float(np.sum((value - design @ np.linalg.lstsq(design, value, rcond=None)[0]) ** 2))

    trials = np.linspace(time[-1] - 0.5, time[-1] - 0.01, 99)
    costs = np.array([misfit(float(t)) for t in trials])
    best = int(np.argmin(costs))
    # Where the cost has risen by one variance lies one standard uncertainty.
    near = trials[costs <= costs[best] * (1.0 + 1.0 / max(time.size - 5, 1))]
    u = math.hypot((near[-1] - near[0]) / 2.0, trials[1] - trials[0])
    return Event("run-out", float(trials[best]), u, "line bending into a parabola, chamber pressure")
