"""What noise makes of slopes, measured on lines of the same length while the tank stands before its opening.

SI. Correlated noise of one time constant says less than slow noise does to a long line; the factor between the two is
measured, and carried on to lines for which the hold is too short.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.daq.arrays import Array

LEAST_HOLD = 1.0  # s; a shorter one tells nothing of slow noise
LEAST_MEANS = 8
LATER, CALMER = (0.8, 0.6, 0.4, 0.3), 0.6  # shares of a hold; how much calmer a later part is where the rest moved
HOLD_ORDER = 3
STRETCH = 2.0  # s of record that a cubic follows
FACTOR_UNKNOWN = 1.5  # where the hold is that short: slow noise of simulated sensors does so much
SHARE_OF_HOLD = 1.0 / 3.0  # longest lines that a hold can tell
MOST_CORRELATED = 0.95  # between neighbouring means; beyond it a fit's own curve would be taken for noise


@dataclass(frozen=True, slots=True, eq=False)
class LineNoise:
    """Noise of means of one pressure channel."""

    deviation: float  # of one mean [Pa]
    neighbours: float  # correlation of neighbouring means [-]
    block: float  # between means [s]
    lengths: Array  # of lines (L,) [s]
    factors: Array  # what their slopes scatter by over what the correlation says (L,) [-]

    def factor(self, length: float) -> float:
        """Return the factor for lines of a length. [-]."""
        if self.lengths.size == 0:
            return FACTOR_UNKNOWN
        inside = float(np.interp(length, self.lengths, self.factors))
        beyond = max(length / float(self.lengths[-1]), 1.0)
        # Slow noise: slopes fall by the length alone, those of the correlated kind by its 3/2nd power.
        return max(inside * (math.sqrt(beyond) if self.factors[-1] > 1.0 else 1.0), 1.0)

    def slope_u(self, length: float) -> float:
        """Return the standard uncertainty of the slope of a line of a length. [Pa/s]."""
        return self.factor(length) * self.plain_slope_u(length)

    def plain_slope_u(self, length: float) -> float:
        """Return the same by the correlation of neighbours alone. [Pa/s]."""
        return _slope_u(self.deviation, self.neighbours, self.block, max(3, round(length / self.block)))


def line_noise(hold: Array, block: float, *, least: float) -> LineNoise:
    """Measure the noise of a tank at rest.

    Parameters
    ----------
    hold : (H,) array
        Means before the opening. [Pa]
    block : float
        Between them. [s]
    least : float
        Deviation below which none is believed: of a converter's step, or of what is left of a flow's fit. [Pa]
    """
    if hold.size < LEAST_MEANS:
        return LineNoise(max(least, 1e-9), 0.0, block, np.zeros(0), np.zeros(0))
    rest = _detrended(hold)
    deviation = float(np.sqrt(np.mean(rest**2)))
    if not deviation > 0.0 or deviation < least:
        return LineNoise(max(least, 1e-9), 0.0, block, np.zeros(0), np.zeros(0))
    neighbours = min(max(float(np.mean(rest[1:] * rest[:-1])) / deviation**2, 0.0), MOST_CORRELATED)
    if hold.size * block < LEAST_HOLD:
        return LineNoise(deviation, neighbours, block, np.zeros(0), np.zeros(0))
    longest = int(SHARE_OF_HOLD * hold.size)
    sizes = np.unique(np.geomspace(4, max(longest, 5), 10).astype(int))
    factors = [_slopes_rms(rest, block, n) / _slope_u(deviation, neighbours, block, n) for n in sizes]
    return LineNoise(deviation, neighbours, block, sizes * block, np.maximum.accumulate(np.array(factors)))


def settled_hold(hold: Array, block: float) -> Array:
    """Leave out the early part of a hold where that is no noise: the last of pressurising. (H,)."""
    kept = hold
    for share in LATER:
        later = hold[-max(round(share * hold.size), 1) :]
        if later.size * block < LEAST_HOLD:
            break
        if float(np.std(_detrended(later))) < CALMER * float(np.std(_detrended(kept))):
            kept = later
    return kept


def quiet_stretch(value: Array, block: float) -> Array:
    """Return what a cubic leaves of a stretch of a record that moves, of those a quarter from the quietest. (H,).

    For records that begin too late for a hold: something in them, a flow, a hold or a vented tank, is smooth.
    """
    size = min(round(STRETCH / block), value.size)
    starts = range(0, value.size - size + 1, max(size // 2, 1))
    x = np.linspace(-1.0, 1.0, size)
    rests = [value[k : k + size] - np.polyval(np.polyfit(x, value[k : k + size], 3), x) for k in starts]
    rests.sort(key=lambda rest: float(np.mean(rest**2)))
    return rests[len(rests) // 4] if rests else np.zeros(0)


def _detrended(value: Array) -> Array:
    """Take out what fresh gas does as it cools."""
    x = np.linspace(-1.0, 1.0, value.size)
    return np.asarray(value - np.polyval(np.polyfit(x, value, HOLD_ORDER), x))


def _arms(count: int, block: float) -> Array:
    """Return the weights that make a slope of evenly spaced means. (count,) [1/s]."""
    x = (np.arange(count) - 0.5 * (count - 1)) * block
    return np.asarray(x / float(x @ x))


def _slopes_rms(rest: Array, block: float, count: int) -> float:
    slopes = np.convolve(rest, _arms(count, block)[::-1], mode="valid")
    return float(np.sqrt(np.mean(slopes**2)))


def _slope_u(deviation: float, neighbours: float, block: float, count: int) -> float:
    arms = _arms(count, block)
    lags = min(count, 200)
    own = np.correlate(arms, arms, mode="full")[count - 1 : count - 1 + lags]
    weight = neighbours ** np.arange(lags)
    return deviation * math.sqrt(max(float(own[0] + 2.0 * own[1:] @ weight[1:]), 0.0))
