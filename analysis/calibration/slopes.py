"""Slope of a slow record with what its own scatter, correlated as it is, leaves open. Plain arrays, any unit."""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.signal.windows import block_average, correlation_time
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

LEAST_POINTS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A straight line through a record. [unit/s]."""

    value: float
    blocks_u: float  # of the scatter of block means, their correlation included
    halves: float  # half the difference between the slopes of both halves
    span: float  # [s]


def slope_of(time: Array, value: Array, *, blocks: int) -> Slope:
    """Fit a straight line to a record, and see what its block means say of it.

    Parameters
    ----------
    time, value : (N,) array
        Instants, rising [s]; samples, those that are not numbers are left out.
    blocks : int
        How many means the scatter is taken of.

    Raises
    ------
    DataError
        Too few samples.

    Notes
    -----
    The statistical u of a slope of thousands of samples is worth nothing here: what is left of heat and wind moves
    over minutes. Derived.
    """
    good = np.isfinite(value)
    t, y = time[good], value[good]
    if t.size < max(LEAST_POINTS, 2 * blocks):
        raise DataError(f"{t.size} samples are too few for a slope; at least {max(LEAST_POINTS, 2 * blocks)}")
    span = float(t[-1] - t[0])
    middle, mean = (
        block_average(t, one, start=float(t[0]), end=float(t[-1]), block=span / blocks)[1] for one in (t, y)
    )
    used = np.isfinite(mean)
    middle, mean = middle[used], mean[used]
    rest = mean - np.polynomial.Polynomial.fit(middle, mean, 1)(middle)
    x = middle - middle.mean()
    variance = float(rest @ rest) / max(mean.size - 2, 1) / float(x @ x)
    half = t <= (t[0] + t[-1]) / 2.0
    return Slope(
        value=_line(t, y),
        blocks_u=math.sqrt(variance * correlation_time(rest)),
        halves=abs(_line(t[half], y[half]) - _line(t[~half], y[~half])) / 2.0,
        span=span,
    )


def _line(time: Array, value: Array) -> float:
    x = time - time.mean()
    return float(x @ (value - value.mean()) / (x @ x))
