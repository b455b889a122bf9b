"""Find drifts and breaks in a series of runs. Own uncertainties known; what is common to all runs moves none of this.

A configuration change that is noted starts a new series and is never tested across. Limits of the largest split were
found by simulation of series without a break; they are of this rule, not of a handbook.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from standbook.daq.errors import DataError

FEWEST = 3
FALSE = 0.01  # share of series without a drift or break that are called one
SPLIT_LIMITS = {3: 2.82, 4: 2.92, 5: 3.00, 6: 3.05, 8: 3.11, 10: 3.19}  # at FALSE, by the number of runs
SLACK = 0.5  # of a departure that is no move, in its u: moves of twice that are found soonest
MOVE_LIMITS = {2: 2.72, 3: 3.21, 4: 3.59, 5: 3.92, 6: 4.19, 8: 4.61, 10: 4.95, 20: 5.96, 50: 7.13}  # as SPLIT_LIMITS
LEAST_SCATTER = 0.003  # of a CdA or a c* from run to run, share: no series is steadier than this


@dataclass(frozen=True, slots=True)
class Slope:
    """Straight line through a series, one step a run."""

    per_run: float
    u: float
    is_seen: bool  # at FALSE, two-sided


@dataclass(frozen=True, slots=True)
class Split:
    """The place where a series parts best in two levels."""

    before: int  # runs in front of it
    step: float
    z: float
    is_seen: bool  # at FALSE


@dataclass(frozen=True, slots=True)
class Move:
    """Where a series left a known value for good, by the cumulative sum of its departures."""

    since: int  # number of the first run that counts to it
    level: float  # mean departure since then, in u
    total: float  # the largest sum
    is_seen: bool  # at FALSE, two-sided


def slope_of(values: Sequence[float], u_own: Sequence[float], *, scatter: float = 0.0) -> Slope:
    """Fit a line by weighted least squares with known uncertainties.

    Parameters
    ----------
    values, u_own : (N,) sequence
        In order of the runs; same unit.
    scatter : float
        Between runs beyond their own errors, added in square. Same unit.

    Raises
    ------
    DataError
        Fewer than three runs, or an uncertainty that is not above zero.
    """
    y, variance = _series(values, u_own, scatter)
    x, weight = np.arange(y.size, dtype=float), 1.0 / variance
    centre = np.sum(weight * x) / np.sum(weight)
    spread = float(np.sum(weight * (x - centre) ** 2))
    per_run = float(np.sum(weight * (x - centre) * y)) / spread
    u = 1.0 / math.sqrt(spread)
    return Slope(per_run, u, abs(per_run) > float(ndtri(1.0 - FALSE / 2.0)) * u)


def split_of(values: Sequence[float], u_own: Sequence[float], *, scatter: float = 0.0) -> Split:
    """Return the split with the largest step for its uncertainty; as for :func:`slope_of`."""
    y, variance = _series(values, u_own, scatter)
    weight = 1.0 / variance
    splits = []
    for k in range(1, y.size):
        (low, u_low), (high, u_high) = (_level(y[part], weight[part]) for part in (slice(0, k), slice(k, None)))
        step = high - low
        splits.append((abs(step) / math.hypot(u_low, u_high), k, step))
    z, before, step = max(splits)
    return Split(before, step, z, z > split_limit(y.size))


def move_of(departures: Sequence[float]) -> Move:
    r"""Look for a lasting move away from a known value.

    Parameters
    ----------
    departures : (N,) sequence
        From the known value, each divided by its standard uncertainty. Two at least.

    Raises
    ------
    DataError
        Fewer than two, or one that is no number.

    Notes
    -----
    :math:`S_i = \max(0, S_{i-1} \pm z_i - 1/2)` on each side; the largest S is held against a limit that steady series
    of as many runs pass once in a hundred.
    """
    z = np.asarray(departures, dtype=float)
    if z.size < min(MOVE_LIMITS) or not np.all(np.isfinite(z)):
        raise DataError(f"a move is looked for in {min(MOVE_LIMITS)} departures or more, each of them a number")
    best, since = 0.0, 0
    for side in (1.0, -1.0):
        total, began = 0.0, 0
        for place, departure in enumerate(side * z):
            total += departure - SLACK
            if total <= 0.0:
                total, began = 0.0, place + 1
            elif total > best:
                best, since = total, began
    return Move(since, float(np.mean(z[since:])), best, best > _between(MOVE_LIMITS, z.size))


def split_limit(runs: int) -> float:
    """Return the limit of the largest split at ``FALSE``, between the numbers of runs by a straight line."""
    return _between(SPLIT_LIMITS, runs)


def _between(limits: Mapping[int, float], runs: int) -> float:
    known = sorted(limits)
    return float(np.interp(runs, known, [limits[number] for number in known]))


def _level(y: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    return float(np.sum(weight * y) / np.sum(weight)), 1.0 / math.sqrt(float(np.sum(weight)))


def _series(values: Sequence[float], u_own: Sequence[float], scatter: float) -> tuple[np.ndarray, np.ndarray]:
    y, own = np.asarray(values, dtype=float), np.asarray(u_own, dtype=float)
    if y.size < FEWEST:
        raise DataError(f"{y.size} runs: {FEWEST} at least make a series")
    variance = own**2 + scatter**2
    if y.shape != own.shape or not np.all(variance > 0.0) or not np.all(np.isfinite(y)):
        raise DataError("each run of a series needs a number and an uncertainty above zero")
    return y, variance
