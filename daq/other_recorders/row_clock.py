"""Fit the clock of rows that a logger stamped unevenly: which place each row has on an even lattice.

Times in ticks. A logger samples by its own timer and stamps late, early, or with few digits; the rows themselves are
even. Steps between stamps then say little of rows that were lost, and much of the stamping: a running median of the
stamps beside the lattice says how many places were left out, and no single late stamp can.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from standbook.daq.arrays import Array, Ints

FEWEST = 64  # rows, below which nothing is fitted
EVEN = 0.15  # of a step: by less than this off a whole number of steps, no stamp is uneven
EVEN_SHARE = 0.95  # of the steps that are one step long
FIRST_STRIDE = 8  # rows between two stamps from which an interval is first taken
NEIGHBOURS = (31, 63, 127)  # rows of the running median; more where the stamps scatter more
TELLS = 0.4  # of an interval: scatter of the stamps up to which the lattice can be told
FAR, FAR_SHARE = 3.0, 0.03  # standard deviations; share of the stamps that may lie beyond
NARROW, FAR_NARROW = 0.2, 0.12  # of an interval: stamps that scatter less may have more of them late
ROUNDS = 3
AT_ONCE = 50_000  # rows of a running median in memory together
RATES = tuple(m * 10.0**e for e in range(5) for m in (1.0, 1.25, 2.0, 2.5, 4.0, 5.0, 8.0))  # Hz, in use; judgement
RATE_WITHIN = 0.03  # of such a rate
LOSS_PRICE, LOSS_GROWS, MOST_A_STAMP = 9.2, 0.3, 12.0  # logarithms: one loss in ten thousand rows; longer ones; a stamp
MAD_TO_SIGMA = 1.4826  # of a normal distribution
UNSURE_ENDS = 6  # rows at either end, whose lost neighbours nothing tells


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RowClock:
    """Rows on an even lattice."""

    place: Ints  # (N,) of each row on the lattice, rising
    interval: float  # of the lattice [ticks]
    start: float  # time of place zero [ticks]
    scatter: float  # standard deviation of the stamps about it, in intervals
    beyond: float  # share of the stamps further off than FAR times that

    @property
    def tells(self) -> bool:
        """Tell whether the stamps are even enough for a lattice to be found in them."""
        return self.scatter <= TELLS and self.beyond <= (FAR_SHARE if self.scatter > NARROW else FAR_NARROW)

    @property
    def lost(self) -> Ints:
        """Places left out before each row. (N,)."""
        return np.diff(self.place, prepend=self.place[0] - 1) - 1

    @property
    def time(self) -> Array:
        """Time of each row on the lattice. (N,) [ticks]."""
        return np.asarray(self.start + self.interval * self.place, dtype=np.float64)


def fit_row_clock(stamps: Ints, tick_hz: float) -> RowClock | None:
    """Find the lattice behind uneven stamps; ``None`` where they are even, too few, or in no lattice's order.

    Parameters
    ----------
    stamps : (N,) array
        As printed, in ticks.
    tick_hz : float
        Ticks a second. [Hz]
    """
    time = stamps.astype(np.float64)
    if time.size < FEWEST or time[-1] <= time[0]:
        return None
    if _is_even(time):
        return None
    tried = (_first_fit(time, interval) for interval in _starts(time, tick_hz))
    found = [place for place in tried if place is not None]
    place = min(found, key=lambda one: _price(one, time), default=None)
    if place is None:
        return None
    interval, start, rest = _line(place, time)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(rest))) / interval
    beyond = float(np.mean(np.abs(rest) > FAR * max(scatter, 1e-9) * interval))
    return RowClock(
        place=place - place[0], interval=interval, start=start + interval * place[0], scatter=scatter, beyond=beyond
    )


def _is_even(time: Array) -> bool:
    """Tell whether every step is a whole number of usual steps, and nearly all are one: nothing is to be fitted."""
    steps = np.diff(time)
    usual = float(np.median(steps))
    if usual <= 0.0 or steps.min() <= 0.0:
        return False
    whole = np.rint(steps / usual)
    return bool(np.max(np.abs(steps / usual - whole)) < EVEN and np.mean(whole == 1.0) > EVEN_SHARE)


def _first_fit(time: Array, interval: float) -> Ints | None:
    """Find places with the shortest running median that orders them."""
    fitted = (_fitted(time, interval, size) for size in NEIGHBOURS if 2 * size < time.size)
    return next((place for place in fitted if place is not None), None)


def _fitted(time: Array, interval: float, size: int) -> Ints | None:
    """Find places and interval by turns, with a running median of ``size`` rows."""
    place = _places(time, interval, size)
    for _ in range(ROUNDS):
        if place is None:
            return None
        interval, start, _rest = _line(place, time)
        place = _places(time - start, interval, size)
    return place


def _starts(time: Array, tick_hz: float) -> Iterator[float]:
    """Yield intervals to begin from: by strides, by the whole record without loss, by the nearest rate in use."""
    whole = float(time[-1] - time[0]) / (time.size - 1)
    near = float(np.median(time[FIRST_STRIDE:] - time[:-FIRST_STRIDE])) / FIRST_STRIDE
    yield whole
    if near <= 0.0:
        return
    yield _by_strides(time, near)
    rate = min(RATES, key=lambda one: abs(math.log(one * near / tick_hz)))
    if abs(rate * near / tick_hz - 1.0) < RATE_WITHIN:
        yield tick_hz / rate


def _by_strides(time: Array, interval: float) -> float:
    """Refine an interval by strides that double: each tells how many intervals lie in the next."""
    stride = FIRST_STRIDE
    while stride < time.size // 2:
        apart = time[stride:] - time[:-stride]
        interval = float(np.median(apart / np.maximum(np.rint(apart / interval), 1.0)))
        stride *= 2
    return interval


def _price(place: Ints, time: Array) -> float:
    """Weigh a lattice: stamps far from it cost, up to a limit, and so does each loss."""
    interval, _start, rest = _line(place, time)
    scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(rest))), 1e-6 * interval)
    lost = np.diff(place) - 1
    losses = lost[lost > 0]
    of_stamps = float(np.sum(np.minimum(0.5 * (rest / scatter) ** 2, MOST_A_STAMP))) + time.size * math.log(scatter)
    return of_stamps + float(np.sum(LOSS_PRICE + LOSS_GROWS * np.log1p(losses)))


def _places(time: Array, interval: float, size: int) -> Ints | None:
    """Give each row its place; ``None`` where places would have to fall."""
    ahead = time / interval - np.arange(time.size)
    smooth = _running_median(ahead, size)
    phase = float(np.angle(np.mean(np.exp(2j * np.pi * smooth)))) / (2.0 * np.pi)
    left_out = np.rint(smooth - phase).astype(np.int64)
    steps = np.diff(left_out)
    if np.any(steps < 0):
        return None
    found = left_out.copy()
    for row in np.flatnonzero(steps > 0).tolist():
        _settle(found, ahead - phase, row + 1, size // 2)
    found[:UNSURE_ENDS], found[-UNSURE_ENDS:] = found[UNSURE_ENDS], found[-UNSURE_ENDS - 1]
    return np.arange(time.size) + found


def _running_median(values: Array, size: int) -> Array:
    """Return the median of the ``size`` values about each, the ends held. (N,)."""
    windows = sliding_window_view(np.pad(values, size // 2, mode="edge"), size)
    parts = [np.median(windows[at : at + AT_ONCE], axis=1) for at in range(0, values.size, AT_ONCE)]
    return np.concatenate(parts)


def _settle(found: Ints, ahead: Array, at: int, reach: int) -> None:
    """Move a loss to the row where the stamps themselves step, within the running median's reach."""
    before, after = int(found[at - 1]), int(found[at])
    first, last = max(at - reach, 0), min(at + reach, found.size)
    if np.any(found[first:at] != before) or np.any(found[at:last] != after):
        return  # another loss is near: they stay as the median has them
    own = ahead[first:last]
    low, high = np.cumsum((own - before) ** 2), np.cumsum(((own - after) ** 2)[::-1])[::-1]
    cost = np.concatenate(([0.0], low)) + np.concatenate((high, [0.0]))
    found[first:last] = after
    found[first : first + int(np.argmin(cost))] = before


def _line(place: Ints, time: Array) -> tuple[float, float, Array]:
    """Fit time against place; return interval, start and what is left, of stamps that are far off the least."""
    good = np.ones(time.size, np.bool_)
    interval, start, rest = 0.0, 0.0, time
    for _ in range(ROUNDS):
        if np.count_nonzero(good) < 2:
            break
        middle = float(np.mean(place[good]))
        away = place[good] - middle
        interval = float(away @ time[good] / (away @ away))
        start = float(np.mean(time[good])) - interval * middle
        rest = time - start - interval * place
        good = np.abs(rest) <= FAR * MAD_TO_SIGMA * float(np.median(np.abs(rest))) + 1e-9
    return interval, start, rest
