"""One value held while the pressure had to move, and a flat top: readings that repeat more often than noise lets them.

Times in seconds; counts of one converter. What counts as often is measured beside each run of equal readings, so that
a coarse converter may stand still as long as it likes to.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Array, Mask

LEAST_HELD = 0.08  # s; what is held for less moves no end of a flow: judgement
LEAST_RUN = 5  # samples
FOR_INTERVAL = 100_000  # samples, enough to tell the usual time between two
BESIDE, LEAST_BESIDE = 2.0, 30  # s and samples on either side, that tell how often neighbours are equal
# Of 217 healthy simulated records, of two kinds of stands, the longest run came to 0.67 of what these two allow.
CHANCE, MORE = 1000.0, 3.0  # one false alarm in so many records; samples beyond
MOST_EQUAL = 0.999
TIMES_OTHERS = 3.0  # the longest run beside; healthy records of coarse converters came to 2.2
BOTH_WAYS = 0.1  # of the steps beside a run go up, and as many down: noise, which never rests; a smooth fall may
LEAPS, LEAPS_OVER = 3, 4.0  # counts, and usual steps, to what follows a run that no noise tells
AT_TOP, AT_LEAST = 4.0, 12  # times as many samples on the top count as one below it, and so many more: judgement
LIVELY = 0.4  # counts of noise; with less a tank at rest may stand on one count by itself
RATIO_OF_SECOND_DIFFERENCES = math.sqrt(6.0)
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True, slots=True)
class HeldValue:
    """One value given again and again."""

    time: float  # of the first [s]
    seconds: float
    samples: int


def held_value(time: Array, counts: NDArray[np.int64], *, start: float, until: float) -> HeldValue | None:
    """Find the stretch of equal readings that is least likely to be chance; ``None`` where none is unlikely.

    Parameters
    ----------
    time, counts : (N,) array
        Samples of one channel, those without a number left out.
    start, until : float
        Stretches that reach past the first and begin before the second count. [s]

    Notes
    -----
    Where neighbours are equal with probability p, a run of k in N samples is expected :math:`N (1 - p) p^{k}` times.
    Without noise a tank that stands gives one count too: then only what leaps to the next reading was held.
    """
    if counts.size < LEAST_BESIDE:
        return None
    interval = float(np.median(np.diff(time[:FOR_INTERVAL])))
    wide = max(round(BESIDE / interval), 2 * LEAST_BESIDE)
    number, part = counts.size, _looked_at(time, counts, start, until, wide)
    time, counts = time[part], counts[part]
    equal = counts[1:] == counts[:-1]
    first, last = _runs(equal, LEAST_RUN)
    long = (last - first) * interval >= LEAST_HELD
    first, last = first[long], last[long]
    inside = (time[last - 1] > start) & (time[first] < until)
    first, last = first[inside], last[inside]
    if first.size == 0:
        return None
    worst: tuple[float, HeldValue | None] = (1.0, None)
    for begin, end in zip(first, last, strict=True):
        share = _equal_share(equal, int(begin), int(end), wide)
        if share is None:
            continue
        if not (_moved_by_noise(counts, int(begin), int(end), wide) or _leaps(counts, int(begin), int(end), wide)):
            continue  # a quiet tank between closing and vent
        if end - begin < TIMES_OTHERS * _longest_beside(counts, int(begin), int(end), wide):
            continue  # noise of a part of a count rests where the pressure stands in the middle of one
        allowed = math.log(CHANCE * max(number * (1.0 - share), 1.0)) / -math.log(share) + MORE
        if (end - begin) / allowed > worst[0]:
            found = HeldValue(float(time[begin]), float((end - begin - 1) * interval), int(end - begin))
            worst = ((end - begin) / allowed, found)
    return worst[1]


def _looked_at(time: Array, counts: NDArray[np.int64], start: float, until: float, wide: int) -> slice:
    """Return the samples between two instants, the whole runs that stand there, and as many beside as are compared."""
    begin, end = (int(at) for at in np.searchsorted(time, (start, until)))
    begin, end = max(begin - 1, 0), min(end, counts.size - 1)
    before = np.flatnonzero(counts[:begin] != counts[begin])
    after = np.flatnonzero(counts[end:] != counts[end])
    begin = int(before[-1]) if before.size else 0
    end = end + int(after[0]) if after.size else counts.size
    return slice(max(begin - 2 * wide, 0), end + 2 * wide)


def _runs(equal: Mask, least: int = 1) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where runs of so many equal readings begin and end; ``equal`` tells it of each and the next. (N - 1,)."""
    edges = np.concatenate(([0], np.flatnonzero(~equal) + 1, [equal.size + 1]))
    long = np.flatnonzero(np.diff(edges) >= least)
    return edges[long], edges[long + 1]


def _equal_share(equal: Mask, begin: int, end: int, wide: int) -> float | None:
    """Return how often neighbours are equal beside a run, the larger of both sides; ``None`` where nothing tells."""
    spans = [(max(begin - 1 - wide, 0), begin - 1), (end, min(end + wide, equal.size))]
    shares = [float(np.count_nonzero(equal[a:b])) / (b - a) for a, b in spans if b - a >= LEAST_BESIDE]
    return min(max(*shares, 0.5 / wide), MOST_EQUAL) if shares else None


def _longest_beside(counts: NDArray[np.int64], begin: int, end: int, wide: int) -> int:
    """Return the longest run of equal readings on either side of a run. [samples]."""
    sides = (counts[max(begin - wide, 0) : begin], counts[end : end + wide])
    return max(
        (
            int(np.max(last - first))
            for first, last in map(_runs, (side[1:] == side[:-1] for side in sides if side.size))
        ),
        default=0,
    )


def _moved_by_noise(counts: NDArray[np.int64], begin: int, end: int, wide: int) -> bool:
    """Tell whether readings go both ways on a side of a run."""
    for side in (counts[max(begin - wide, 0) : begin], counts[end : end + wide]):
        steps = np.diff(side)
        if steps.size >= LEAST_BESIDE and min(np.mean(steps > 0), np.mean(steps < 0)) >= BOTH_WAYS:
            return True
    return False


def _leaps(counts: NDArray[np.int64], begin: int, end: int, wide: int) -> bool:
    """Tell whether readings leap where a run ends, or never come back."""
    if end >= counts.size:
        return True
    sides = (counts[max(begin - wide, 0) : begin], counts[end : end + wide])
    usual = max(float(np.median(np.abs(np.diff(side)))) if side.size > 1 else 0.0 for side in sides)
    return bool(abs(int(counts[end]) - int(counts[begin])) > max(LEAPS, LEAPS_OVER * usual))


def flat_top(counts: NDArray[np.int64]) -> Mask | None:
    """Mark samples on the record's top count where noise should carry some beyond; ``None`` where it may not."""
    top = int(counts.max())
    marks = counts == top
    if np.count_nonzero(marks) <= AT_TOP * np.count_nonzero(counts == top - 1) + AT_LEAST:
        return None
    away = ~(marks[2:] | marks[1:-1] | marks[:-2])
    bends = np.diff(counts, 2)[away]
    if bends.size < LEAST_BESIDE:
        return None
    noise = MAD_TO_SIGMA * float(np.median(np.abs(bends))) / RATIO_OF_SECOND_DIFFERENCES
    return marks if noise >= LIVELY else None
