"""Find a clock whose rate changed within a record: the least delays of arrivals turn from one line into another.

An oscillator that warms up changes by some parts in a hundred thousand. Far more is a fault of the board, or a computer
that fell behind; arrivals alone cannot tell which.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

BLOCKS: Final = 16  # pieces whose least delays are compared
FEWEST: Final = 4  # arrivals in each, on the mean
BENT: Final = 1e-3  # relative change of rate that is told; judgement
MOVED: Final = 0.01  # s that it must have moved times by: a link that is held up wanders by as much; judgement
CLEARLY: Final = 4.0  # times the misfit of two straight pieces, that a single line misses by; judgement


def rate_change(instant: NDArray[np.float64], delay: NDArray[np.float64], resolution: float) -> float | None:
    """Return by how much arrivals say that a clock's rate changed; ``None`` where one rate will do.

    Parameters
    ----------
    instant, delay : (N,) arrays
        Device time, and arrival less device time. [s]
    resolution : float
        Full width by which the least delay of the link may wander unseen. [s]

    Returns
    -------
    float or None
        Change of host seconds gained per device second. [-]
    """
    if instant.size < FEWEST * BLOCKS:
        return None
    start, length = float(np.min(instant)), float(np.ptp(instant))
    block = np.minimum((BLOCKS * (instant - start) / length).astype(np.int64), BLOCKS - 1)
    own = [inside for k in range(BLOCKS) if (inside := np.flatnonzero(block == k)).size]
    if len(own) < BLOCKS // 2:
        return None
    least = [int(inside[np.argmin(delay[inside])]) for inside in own]
    at, lowest = instant[least], delay[least]
    one_line, _ = _fitted(np.column_stack((np.ones_like(at), at)), lowest)
    tried = []
    for knot in (at[1:-2] + at[2:-1]) / 2.0:
        misfit, found = _fitted(np.column_stack((np.ones_like(at), at, np.maximum(at - knot, 0.0))), lowest)
        tried.append((misfit, float(knot), float(found[2])))
    misfit, knot, change = min(tried)
    moved = abs(change) * min(knot - start, start + length - knot)
    blurred = max(misfit, resolution / math.sqrt(12.0))
    if abs(change) < BENT or moved < MOVED or one_line < CLEARLY * blurred:
        return None
    return change


def _fitted(columns: NDArray[np.float64], values: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    found = np.asarray(np.linalg.lstsq(columns, values, rcond=None)[0], np.float64)
    return float(np.sqrt(np.mean((values - columns @ found) ** 2))), found
