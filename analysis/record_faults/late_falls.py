"""A tank's pressure that stands while liquid must already leave it: what lay above some level was cut off.

SI; times in seconds. A blowdown falls fastest at first, so a pressure that falls slower then than on the whole is not
the tank's.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array

BLOCK = 0.1  # s averaged
FIRST, SHARE_OF_FLOW = 1.0, 0.2  # s, and of the flow at most: its first part
# Of 80 tanks of healthy simulated firings, of two kinds of stands, the least fell at first by 1.5 of its mean rate.
STANDS = 0.3  # of the mean rate of fall: a first part that falls by less stands
SURE = 4.0  # standard deviations of a fall
SEEN = 10.0  # the same of the whole flow's, below which nothing is said


@dataclass(frozen=True, slots=True)
class LateFall:
    """A pressure that begins to fall too late."""

    time: float  # when it begins [s]
    u: float  # [s]
    late: float  # after the liquid began to leave [s]


def late_fall(time: Array, pressure: Array, *, since: float, until: float) -> LateFall | None:
    """Tell whether a pressure stands after liquid must leave its tank; ``None`` where it falls as it should.

    Parameters
    ----------
    time, pressure : (N,) array
        Samples [s], absolute [Pa], without those that are not a number.
    since, until : float
        Between these liquid leaves. [s]
    """
    count = int((until - since) / BLOCK)
    first = max(round(min(FIRST, SHARE_OF_FLOW * (until - since)) / BLOCK), 2)
    if count < 3 * first:
        return None
    at, mean = block_average(time, pressure, start=since, end=since + count * BLOCK, block=BLOCK)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    if at.size < 3 * first:
        return None
    noise = 1.05 * float(np.median(np.abs(np.diff(mean, 2)))) * math.sqrt(2.0 / 6.0)  # of a mean, by second differences
    noise = max(noise, 1e-9) * math.sqrt(2.0)  # of a fall
    whole, fall = float(mean[0] - mean[-1]), float(mean[0] - mean[first])
    due = whole * (at[first] - at[0]) / (at[-1] - at[0])
    if whole < SEEN * noise or fall + SURE * noise > STANDS * due:
        return None
    fallen = np.flatnonzero(mean < mean[0] - max(STANDS * due, SURE * noise))
    begins = float(at[fallen[0]]) if fallen.size else float(at[first])
    return LateFall(begins, BLOCK, begins - since)
