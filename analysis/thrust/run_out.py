"""The first run-out of a firing, found in its chamber pressure. SI, absolute; times in seconds after T-0."""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.signal.valve_events import Event
from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array

FALLEN = 0.7  # of the chamber pressure before; by then the run-out lies behind
HINGE_BEFORE, HINGE_BLOCK = 1.5, 0.005  # s
HINGE_SHARE, LEAST_BEFORE = 0.4, 0.6  # of the burn, s: shorter lines hide the bend
LINE_BEFORE, LINE_SHARE, CLEAR = 1.5, 0.4, 0.15  # s, of the burn, s before the first gas: a chamber that still burns on
BEGUN, OUT = 0.9, 0.15  # of the pressure carried on: a fading has begun; the chamber has gone out
WENT_OUT, LONGEST_FADING = 0.5, 3.0  # of the pressure at first, at most, so many s after
FILLING = 0.02  # s; what a chamber's filling and its sensor's line make of a fading: judgement
LEAST_IN_LINE = 8  # samples
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


@dataclass(frozen=True, slots=True)
class Fading:
    """How a chamber went out as one of its liquids ended."""

    begun: float  # [s]
    out: float  # [s]
    time: float  # when all of the liquid would have gone at full flow [s]
    u: float  # [s]


def fading_of(chamber: Channel, first_gas: float, u: float, *, opened: float, share: float) -> Fading | None:
    r"""Tell from the chamber's fading when all of the liquid that ended would have gone; ``None`` where it shows none.

    Parameters
    ----------
    first_gas, u : float
        When gas came with the liquid, by the tank's own pressure, and what that end is uncertain by. [s]
    opened : float
        When both liquids flowed. [s]
    share : float
        Of the liquid in all that flowed before. [-]

    Notes
    -----
    No engine burns on without one of its liquids. Of the pressure carried on as it fell before, the chamber holds
    :math:`q`; the other liquid flows on, at first as well as before. Did the mixture burn as well as before, the
    liquid's own part would be :math:`f = (q - 1 + s) / s`; it burns worse, so that :math:`f` lies above that, and below
    :math:`q` as long as anything burns. The end is the area below their middle, its uncertainty half of what lies
    between the areas. Derived.
    """
    time, pressure = chamber.known()
    mean = running_mean(time, pressure, 4.0 * HINGE_BLOCK)
    since = first_gas - max(CLEAR, 3.0 * u)
    before = (time < since) & (time >= since - min(LINE_BEFORE, LINE_SHARE * (since - opened)))
    late = (time >= since) & (time <= since + LONGEST_FADING)
    if min(np.count_nonzero(before), np.count_nonzero(late)) < LEAST_IN_LINE:
        return None
    line = np.polynomial.Polynomial.fit(time[before], pressure[before], 1)
    at, cold = time[late], float(np.min(mean[late]))
    if cold > WENT_OUT * float(line(since)):
        return None
    held = np.clip((mean[late] - cold) / np.maximum(line(at) - cold, 1.0), 0.0, 1.0)
    begun, burning = np.flatnonzero(held < BEGUN), np.flatnonzero(held > OUT)
    if not begun.size or burning[-1] == at.size - 1:
        return None
    least = np.clip((held - 1.0 + share) / share, 0.0, 1.0)
    above, below = (since + float(np.trapezoid(part, at)) for part in (held, least))
    half = 0.5 * (above - below)
    return Fading(float(at[begun[0]]), float(at[burning[-1]]), below + half, math.hypot(half, FILLING))


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
