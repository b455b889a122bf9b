"""Tell rows that were lost from rows that came late, by steps of a board's own clock alone.

A board that paces itself by a grid repays a late row by short steps; a lost row is never repaid and leaves a whole
number of intervals. What is neither is counted apart, and no row is called lost for it. A counter column tells better.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from standbook.daq.arrays import Ints

LONG: Final = 1.5  # intervals; a longer step wants an explanation
SHORT: Final = 0.75  # intervals; a shorter one repays
REPAID_WITHIN: Final = 8  # steps
WHOLE: Final = 0.02  # of an interval that lost rows may miss a whole number by
SCATTERS: Final = 5.0  # the same in usual scatters of a step
LOOSEST: Final = 0.25  # of an interval, and at most
PACED: Final = 0.5  # of long steps that a board on a grid repays at least
TELLING: Final = 4  # long steps that tell how a board is paced


@dataclass(frozen=True, slots=True, eq=False)
class LongSteps:
    """What long steps of a clock mean."""

    lost: Ints  # (N,) rows missing just before each row
    undecided: int  # steps that are late rows or lost ones
    repaid: int  # steps that were repaid, at least in part

    @property
    def is_paced_by_delay(self) -> bool:
        """A board that waits for a while after each row never repays what it was late by."""
        long = self.undecided + self.repaid
        return self.undecided >= TELLING and self.repaid < PACED * long


def long_steps(ticks: Ints, interval: int) -> LongSteps:
    """Judge every long step of a clock.

    Parameters
    ----------
    ticks : (N,) array
        Of rows in order.
    interval : int
        Usual ticks between two rows.
    """
    steps = np.diff(ticks, prepend=ticks[:1] - interval)
    lost = np.zeros(steps.size, np.int64)
    scatter = float(np.median(np.abs(steps - np.median(steps)))) / interval if steps.size else 0.0
    allowed = max(WHOLE, min(LOOSEST, SCATTERS * scatter))
    undecided = repaid = 0
    for row in np.flatnonzero(steps > LONG * interval).tolist():
        back = _paid_back(steps, row, interval)
        rows = (float(steps[row]) - interval - back) / interval
        whole = round(rows)
        if whole >= 1 and abs(rows - whole) <= allowed:
            lost[row] = whole
        elif back > 0.0:
            repaid += 1
        undecided += not lost[row] and rows > 1.0 - LOOSEST
    return LongSteps(lost, undecided, repaid)


def _paid_back(steps: Ints, row: int, interval: int) -> float:
    """Return what short steps right behind a long one take back. [ticks]."""
    back = 0.0
    for step in steps[row + 1 : row + 1 + REPAID_WITHIN].tolist():
        if step >= SHORT * interval:
            break
        back += interval - step
    return back
