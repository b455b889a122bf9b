"""Measure rise, overshoot and shutdown of thrust, by named definitions. SI; times in seconds after T-0. Plain arrays.

A peak is never taken from single samples: noise and a ringing stand would make it. Total impulse does not depend on
anything here.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

SETTLED = (0.3, 1.0)  # s after the start; the straight line through it is the steady-state trend
LOW, HIGH = 0.10, 0.90  # of the steady-state trend
LOOK_FOR_PEAK = 0.5  # s after the start
FALLEN = 0.90  # of the level before, below which shutdown has begun
EXPECTED_GREATEST = 2.0  # standard deviations that the greatest of some tens of noisy means lies above its mean


@dataclass(frozen=True, slots=True)
class Rise:
    """10 to 90 % rise and overshoot of one record."""

    low: float  # when it passed 10 % [s]
    high: float  # and 90 %
    rise: Measured  # [s]
    overshoot: Measured  # share of the steady-state trend [-]


def rise_of(time: Array, value: Array, *, start: float, span: float) -> Rise:
    """Measure rise and overshoot against the steady-state trend.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and what rises from zero.
    start : float
        Roughly when. [s]
    span : float
        Means are taken over this length: 1 / f1 of a ringing stand, else a few milliseconds. [s]

    Raises
    ------
    DataError
        The record does not hold the steady part, or never passes the levels.

    Notes
    -----
    The steady-state trend is a straight line through ``SETTLED``, drawn back. A mean over a length smears a sudden step
    by 0.4 of it on either side of its middle, rectangular in u. Of noise alone the greatest mean lies
    ``EXPECTED_GREATEST`` deviations high; that is in u, not taken off.
    """
    mean = running_mean(time, value, span)
    settled = (time >= start + SETTLED[0]) & (time <= start + SETTLED[1])
    if np.count_nonzero(settled) < 16 or time[-1] < start + SETTLED[1]:
        raise DataError(f"no steady part within {SETTLED[1]:g} s of the start, so rise and overshoot are not known")
    slope, level = np.polyfit(time[settled] - start, mean[settled], 1)
    scatter = float(np.std(mean[settled] - level - slope * (time[settled] - start), ddof=2))
    near = (time >= start - 0.5) & (time <= start + LOOK_FOR_PEAK)
    at, part = time[near], mean[near]
    if at.size < 8 or not level > 0.0:
        raise DataError("nothing rises here")
    half = _last_crossing(at, part, 0.5 * level, before=start + SETTLED[0])
    high = _crossing(at[at >= half], part[at >= half], HIGH * level)
    low = _last_crossing(at, part, LOW * level, before=high)
    step = float(np.median(np.diff(time)))
    each = math.hypot(step / math.sqrt(12.0), 0.4 * span / math.sqrt(3.0))
    course = level + slope * (at - start)
    top = float(np.max(np.where(at >= high, part / course, -math.inf)))
    return Rise(
        low,
        high,
        Measured(high - low, math.sqrt(2.0) * each, "s"),
        Measured(top - 1.0, EXPECTED_GREATEST * scatter / float(level), "1"),
    )


def shutdown_begin(time: Array, thrust: Array, *, after: float, level: float, span: float) -> Measured:
    """Find when the mean first falls below ``FALLEN`` of the level before, for good.

    Raises
    ------
    DataError
        It does not fall.
    """
    mean = running_mean(time, thrust, span)
    late = time >= after
    above = np.flatnonzero(mean[late] >= FALLEN * level)
    if above.size == 0 or above[-1] + 1 >= np.count_nonzero(late):
        raise DataError("thrust does not fall inside the record")
    at, part = time[late], mean[late]
    k = int(above[-1])
    share = (part[k] - FALLEN * level) / (part[k] - part[k + 1])
    step = float(at[k + 1] - at[k])
    u = math.hypot(step / math.sqrt(12.0), 0.4 * span / math.sqrt(3.0))
    return Measured(float(at[k] + share * step), u, "s")


def _crossing(time: Array, value: Array, level: float) -> float:
    above = np.flatnonzero(value >= level)
    if above.size == 0 or above[0] == 0:
        raise DataError(f"the record does not rise through {level:.4g}")
    return _between(time, value, int(above[0]) - 1, level)


def _last_crossing(time: Array, value: Array, level: float, *, before: float) -> float:
    """Return the last rise through a level before an instant: a spike of the igniter lies earlier."""
    under = np.flatnonzero((value < level) & (time < before))
    if under.size == 0:
        raise DataError(f"the record does not rise through {level:.4g}")
    return _between(time, value, int(under[-1]), level)


def _between(time: Array, value: Array, k: int, level: float) -> float:
    share = (level - value[k]) / (value[k + 1] - value[k])
    return float(time[k] + min(max(share, 0.0), 1.0) * (time[k + 1] - time[k]))
