"""Find the stretch of a pressure record that is a hold: settled after pressurising, before venting. SI, no file."""

import math

import numpy as np

from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

BLOCK = 5.0  # s of one mean
ROSE = 0.02  # of the pressure, within ten blocks: somebody pressurised
VENTED = 0.95  # of the pressure when it had settled: below it, it was let go
COOLED = 0.7  # of the pressure at the end of pressurising: hot gas loses less than that while it settles
AHEAD = 10  # means
CLEAR = 10.0  # s before the venting, not counted
LEAST = 120.0  # s of a hold
LEAST_PRESSURE = 2e5  # Pa absolute, below which nothing was held


def held_stretch(time: Array, pressure: Array, *, settle: float) -> tuple[float, float]:
    """Return from when to when a pressure was held. [s].

    Parameters
    ----------
    time, pressure : (N,) array
        Rising instants [s]; absolute [Pa], not a number where nothing was read.
    settle : float
        Waited after pressurising. [s]

    Raises
    ------
    DataError
        Nothing was held, or less than two minutes of it are left.

    Notes
    -----
    Pressurising ends with the last means that rise by 2 % of the greatest; a leak never rises.
    """
    start, end = float(time[0]), float(time[-1])
    blocks = max(int((end - start) / BLOCK), 1)
    at, mean = block_average(time, pressure, start=start, end=start + blocks * BLOCK, block=BLOCK)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    if mean.size < 2 or float(np.max(mean)) < LEAST_PRESSURE:
        raise DataError("no pressure was held: the tank stayed near the pressure of the air")
    ahead = np.minimum(np.arange(mean.size) + AHEAD, mean.size - 1)
    rising = np.flatnonzero(mean[ahead] - mean > ROSE * float(np.max(mean)))
    last = int(rising[-1]) if rising.size else 0
    # a supply that passes lifts it on and on, by less than that in ten means: what it reaches later is no beginning
    full = last + int(np.argmax(mean[last : last + AHEAD + 1])) if rising.size else 0
    begun = float(at[full]) + settle
    settled = mean[min(int(np.searchsorted(at, begun)), mean.size - 1)]
    kept = np.where(at > begun, VENTED * settled, COOLED * mean[full])
    fallen = np.flatnonzero((at > at[full]) & (mean < kept))
    over = float(at[fallen[0]]) - CLEAR - BLOCK if fallen.size else end
    if not math.isfinite(begun) or over - begun < LEAST:
        raise DataError(
            f"{max(over - begun, 0.0):.0f} s are left of the hold after {settle:.0f} s to settle; {LEAST:.0f} s are "
            "needed"
        )
    return begun, over
