"""Spread rows evenly that share a time because their clock was printed more coarsely than rows came.

Times in ticks. Between two readings of such a clock nothing is known but the order of the rows; where as many of them
share each reading, or the readings lie close, an even spread is right to about a row's distance. Otherwise it would be
an invention, and is refused.
"""

from dataclasses import dataclass

import numpy as np

from standbook.daq.arrays import Ints

EVEN_SHARE = 0.1  # by which the rows of a reading may differ in number, and by one
NEAR_ENOUGH = 0.02  # s between readings below which rows that come unevenly are spread all the same


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Spread:
    """Rows with a time of their own each."""

    ticks: Ints  # (N,) in finer ticks, rising
    factor: int  # finer ticks in one of before
    shared: int  # rows that had the reading of the row before them
    step: int  # usual distance of two readings, in ticks of before
    even: bool  # as many rows with each reading


def spread(ticks: Ints) -> Spread:
    """Spread rows of one reading evenly until the next.

    Parameters
    ----------
    ticks : (N,) array
        Readings, never falling, not all alike.
    """
    first = np.flatnonzero(np.diff(ticks, prepend=ticks[0] - 1))
    sizes = np.diff(first, append=ticks.size)
    readings = ticks[first]
    step = int(np.median(np.diff(readings)))
    if first.size == ticks.size:
        return Spread(ticks=ticks, factor=1, shared=0, step=step, even=True)
    # In a gap rows do not spread: they came at the usual distance, then none did.
    room = np.minimum(np.diff(readings, append=readings[-1] + step), step).astype(np.float64)
    usual = float(np.median(sizes))
    own = np.maximum(sizes, usual)
    begun = np.maximum(usual - sizes[0], 0.0)  # a file may begin amid a reading
    group = np.repeat(np.arange(first.size), sizes)
    place = np.arange(ticks.size) - first[group] + np.where(group == 0, begun, 0.0)
    factor = 10 ** (2 + len(str(int(sizes.max()))))
    finer = ticks * factor + np.floor(factor * room[group] * place / own[group]).astype(np.int64)
    inner = sizes[1:-1]
    even = bool(inner.size == 0 or np.all(np.abs(inner - usual) <= 1.0 + EVEN_SHARE * usual))
    return Spread(ticks=finer, factor=factor, shared=ticks.size - first.size, step=step, even=even)
