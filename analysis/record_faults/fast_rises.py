"""A pressure that rises at once: gas would have to enter a tank that empties, so the signal moved and not the tank.

SI; times in seconds. A hold that warms rises slowly, and water hammer averages out.
"""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array

BLOCK, LEAST_IN_BLOCK = 0.03, 2  # s, samples
SPAN = 0.15  # s averaged before and after
# Of 217 healthy simulated records, of two kinds of stands, the greatest rise was 1.1 % of the start pressure.
SHARE = 0.025  # of the start pressure: judgement
BEYOND_NOISE = 12.0  # standard deviations of both means


@dataclass(frozen=True, slots=True)
class FastRise:
    """The greatest rise of a record."""

    time: float  # [s]
    share: float  # of the pressure before the flow
    seconds: float  # within which it rose


def fast_rise(time: Array, pressure: Array, *, after: float) -> FastRise | None:
    """Find a rise that no discharging tank can do after an instant; ``None`` where there is none.

    Parameters
    ----------
    time, pressure : (N,) array
        Samples [s], absolute [Pa], lone spikes left out.
    after : float
        From where on the tank only empties. [s]
    """
    block = max(BLOCK, LEAST_IN_BLOCK * float(np.median(np.diff(time))))
    count, k = int((time[-1] - time[0]) / block), max(2, round(SPAN / block))
    if count < 4 * k:
        return None
    start = float(time[0])
    at, mean = block_average(time, pressure, start=start, end=start + count * block, block=block)
    known = np.isfinite(mean)
    mean = np.interp(at, at[known], mean[known])
    total = np.concatenate(([0.0], np.cumsum(mean)))
    i = np.arange(k, count - k - 1)
    rise = (total[i + 1 + k] - total[i + 1] - total[i] + total[i - k]) / k
    rise = np.where(at[i] > after, rise, -np.inf)
    most = int(np.argmax(rise))
    noise = float(np.median(np.abs(np.diff(mean)))) * 1.05  # of a block: from neighbours, 1.4826 / sqrt(2)
    level = float(np.median(mean[at <= after][-2 * k :])) if (at <= after).any() else float(mean[0])
    least = max(SHARE * abs(level), BEYOND_NOISE * noise * (2.0 / k) ** 0.5)
    if not rise[most] > least:
        return None
    return FastRise(float(at[i[most]]), float(rise[most]) / abs(level), (k + 1) * block)
