"""Tell whether a signal stands, and where: the level that a calibration is made of. No file, no clock."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.errors import DataError

LENGTH: Final = 5.0  # s of rows in one level: common practice, no source
BLOCKS: Final = 10  # means in it, by whose scatter a drift is judged
LEAST_ROWS: Final = 20
LONGEST_GAP: Final = 0.5  # s without rows
DRIFTS: Final = 3.0  # standard uncertainties of the change over the level
JUMP: Final = 10.0  # times the median of the steps from block to block, which chance makes in 0.4 % (simulated)
COUNTS_FOR: Final = 1e-4  # of the span of the levels: a smaller change is none, however clearly it shows


@dataclass(frozen=True, slots=True)
class Level:
    """A signal that stood."""

    mean: float  # in the signal's unit
    mean_u: float  # standard, by the scatter of means of half a second
    scatter: float  # standard deviation of the rows
    rows: int
    change: float  # over the level, by its slope
    change_u: float
    jump: float  # greatest step from block to block
    usual_jump: float  # their median
    lowest: float  # of the block means
    highest: float

    @property
    def block_u(self) -> float:
        """Standard uncertainty of the mean of one block."""
        return self.mean_u * math.sqrt(BLOCKS)

    def pushed_from(self, rest: "Level") -> float:
        """Return the block mean that lies furthest from another level's mean: what a short push reached."""
        return max((self.lowest, self.highest), key=lambda reached: abs(reached - rest.mean))

    def unsettled(self, span: float, *, unfelt: float = 0.0, told: Callable[[float], str] = "{:.2g}".format) -> str:
        """Say by how much it still moved; empty where it stood.

        Parameters
        ----------
        span : float
            Between the lowest and the highest level, as far as known; 0 where it is not.
        unfelt : float
            Change that whoever takes the level does not feel, however clearly it shows.
        told : callable
            Writes a change with its unit.
        """
        least = max(COUNTS_FOR * span, unfelt)
        if self.jump > max(JUMP * self.usual_jump, least):
            return f"jumped by {told(self.jump)} in {LENGTH:g} s"
        if abs(self.change) > max(DRIFTS * self.change_u, least):
            way = "rising" if self.change > 0.0 else "falling"
            return f"{way} {told(abs(self.change))} in {LENGTH:g} s"
        return ""


def level_before(end: float, time: NDArray[np.float64], signal: NDArray[np.float64]) -> Level:
    """Return the level that the last ``LENGTH`` seconds before an instant are.

    Parameters
    ----------
    end : float
        The instant. [s]
    time : (N,) array
        Rising. [s]
    signal : (N,) array
        Any unit; no row of it clipped or missing.

    Raises
    ------
    DataError
        Too few rows, or rows missing.

    Notes
    -----
    The slope is that of block means, its uncertainty their scatter about it ([GUM] H.3): neighbouring rows need not be
    independent, means of half a second are taken to be.
    """
    inside = (time > end - LENGTH) & (time <= end)
    t, x = time[inside], signal[inside]
    if t.size < LEAST_ROWS:
        raise DataError(f"only {t.size} rows in {LENGTH:g} s; a level needs {LEAST_ROWS}")
    gap = float(np.max(np.diff(np.concatenate(([end - LENGTH], t, [end])))))
    if gap > LONGEST_GAP:
        raise DataError(f"no rows for {gap:.1f} s; a level needs {LENGTH:g} s without a gap")
    block = np.minimum(((t - (end - LENGTH)) / LENGTH * BLOCKS).astype(np.int64), BLOCKS - 1)
    rows = np.bincount(block, minlength=BLOCKS)
    filled = np.flatnonzero(rows)
    means = np.bincount(block, weights=x, minlength=BLOCKS)[filled] / rows[filled]
    change, u = _change(filled.astype(np.float64), means)
    steps = np.abs(np.diff(means))
    return Level(
        mean=float(np.mean(x)),
        mean_u=float(np.std(means, ddof=1)) / math.sqrt(means.size),
        scatter=float(np.std(x, ddof=1)),
        rows=int(t.size),
        change=change,
        change_u=u,
        jump=float(np.max(steps)),
        usual_jump=float(np.median(steps)),
        lowest=float(np.min(means)),
        highest=float(np.max(means)),
    )


def _change(x: NDArray[np.float64], means: NDArray[np.float64]) -> tuple[float, float]:
    """Return how much block means at places ``x`` change over the level, and its standard uncertainty."""
    x = x - np.mean(x)
    slope = float(x @ means / (x @ x))
    rest = means - np.mean(means) - slope * x
    u = math.sqrt(float(rest @ rest) / (x.size - 2) / float(x @ x))
    return slope * BLOCKS, u * BLOCKS
