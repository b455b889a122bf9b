"""Describe one column of a bench recording: level, noise, steps, drift, spectral peaks, and whether it moves at all.

Plain arrays; values in the unit they are recorded in, counts or as printed; times in seconds. Reads no file, and
says nothing of what hangs on the column. Uncertainties are standard ones.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from standbook.analysis.signal.spectra import Peak, Spectrum, peaks, spectrum
from standbook.analysis.signal.windows import correlation_time
from standbook.daq.arrays import Array, Mask

LEAST_ROWS: Final = 30  # fewer say nothing about a scatter; judgement
LEAST_INDEPENDENT: Final = 8.0  # rows' worth, below which a drift's u is only indicated; judgement
CODE_BITS: Final = (8, 10, 12, 14, 16, 24)  # of usual converters, where the board does not say its rails
AT_CODE: Final = 0.01  # of the rows at such a converter's end before it is called its rail; judgement
BY_CHANCE: Final = 1e-6  # that so long a run of equal values stands in a record that moves as this one does elsewhere
SHORTEST_HELD: Final = 10  # rows
LONGEST_SEGMENT: Final = 4.0  # s, of a transform
WHITE_SECOND: Final = math.sqrt(140.0) / 12.0  # of a deviation by second differences, times 1 / sqrt(N)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A stretch in which the value does not change."""

    start: float  # after the first row [s]
    length: float  # [s]
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AtEnd:
    """Rows at an end of the converter's range."""

    value: float
    rows: int
    is_known: bool  # the board says that it is the rail; else an end of a usual converter's range


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its standard uncertainty; ``u`` is ``None`` where it is only indicated."""

    value: float
    u: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnFacts:
    """What one column's rows show; ``None`` where there are too few of them."""

    tag: str
    unit: str  # "counts" or "as printed"
    rows: int
    minimum: float
    maximum: float
    distinct: int  # values
    least_step: float | None  # between two of them
    mean: Estimate
    noise: Estimate | None  # standard deviation from row to row, by second differences
    deviation: Estimate | None  # standard deviation about a straight line
    drift: Estimate | None  # of that line, per second
    held: Held | None
    ends: tuple[AtEnd, ...]
    spectrum: Spectrum | None  # of the longest unbroken stretch
    peaks: tuple[Peak, ...] = ()  # strongest first

    @property
    def is_stuck(self) -> bool:
        """Tell whether no row differs from any other."""
        return self.distinct == 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColumnRows:
    """Rows of one column."""

    tag: str
    unit: str
    time: Array  # (N,) after the first row [s]
    value: Array  # (N,)
    follows: Mask  # (N-1,) the row comes straight after the one before
    rate: float  # rows a second [1/s]
    rails: tuple[float, float] | None  # as the board states them
    resolution: float  # of the counts that stand for the values


def column_facts(rows: ColumnRows) -> ColumnFacts:
    """Describe one column, of at least one row."""
    known = np.unique(rows.value)
    moves, enough = known.size > 1, rows.value.size >= LEAST_ROWS
    line = _line(rows.time, rows.value) if enough and moves else None
    least_step = float(np.min(np.diff(known))) if moves else None
    found = _spectrum(rows) if moves else None
    return ColumnFacts(
        tag=rows.tag,
        unit=rows.unit,
        rows=rows.value.size,
        minimum=float(known[0]),
        maximum=float(known[-1]),
        distinct=known.size,
        least_step=least_step,
        mean=_mean(rows.value) if line is not None else Estimate(value=float(np.mean(rows.value)), u=None),
        noise=_noise(rows, least_step) if line is not None else None,
        deviation=line[0] if line is not None else None,
        drift=line[1] if line is not None else None,
        held=_held(rows) if moves else None,
        ends=_ends(rows),
        spectrum=found,
        peaks=peaks(found) if found is not None else (),
    )


def second_difference_deviation(value: Array, follows: Mask) -> tuple[float, float] | None:
    r"""Estimate the standard deviation of white noise from row to row, blind to level and straight drift.

    Parameters
    ----------
    value : (N,) array
        Any unit.
    follows : (N-1,) array
        The row comes straight after the one before; differences across a gap are left out.

    Returns
    -------
    tuple or None
        The deviation and its standard uncertainty; ``None`` where fewer than ``LEAST_ROWS`` differences are whole.

    Notes
    -----
    :math:`s^2 = \overline{(x_{i-1} - 2 x_i + x_{i+1})^2} / 6`. Second differences of white noise of variance 1 have the
    covariances 6, -4, 1, so the variance of :math:`s^2` is :math:`(2/N)(36 + 2 \cdot 16 + 2) s^4 / 36`, and
    :math:`u(s) = s \sqrt{140} / (12 \sqrt{N})`. Derived; noise that neighbouring rows share makes s too small.
    """
    whole = follows[1:] & follows[:-1]
    second = (value[:-2] - 2.0 * value[1:-1] + value[2:])[whole]
    if second.size < LEAST_ROWS:
        return None
    deviation = math.sqrt(float(np.mean(second**2)) / 6.0)
    return deviation, deviation * WHITE_SECOND / math.sqrt(second.size)


def _noise(rows: ColumnRows, least_step: float | None) -> Estimate | None:
    found = second_difference_deviation(rows.value, rows.follows)
    if found is None:
        return None
    deviation, u = found
    is_coarse = least_step is not None and deviation < 0.5 * least_step  # rounding is no noise any more [Widrow1996]
    return Estimate(value=deviation, u=None if is_coarse else u)


def _mean(value: Array) -> Estimate:
    tau = correlation_time(value)
    deviation = float(np.std(value))
    independent = value.size / tau
    return Estimate(
        value=float(np.mean(value)), u=deviation / math.sqrt(independent) if independent >= LEAST_INDEPENDENT else None
    )


def _line(time: Array, value: Array) -> tuple[Estimate, Estimate] | None:
    """Return the deviation about a straight line and the line's slope, neighbouring rows' likeness allowed for."""
    centred = time - np.mean(time)
    spread = float(centred @ centred)
    if spread <= 0.0:
        return None
    level = value - np.mean(value)
    slope = float(centred @ level) / spread
    rest = level - slope * centred
    deviation = math.sqrt(float(rest @ rest) / max(value.size - 2, 1))
    tau = correlation_time(rest)
    independent = value.size / tau
    slope_u = deviation * math.sqrt(tau / spread) if deviation > 0.0 and independent >= LEAST_INDEPENDENT else None
    return deviation_of(rest, free=2), Estimate(value=slope, u=slope_u)


def deviation_of(rest: Array, *, free: int) -> Estimate:
    r"""Return the standard deviation of what a fit leaves, its u by the scatter of the squares.

    Parameters
    ----------
    rest : (N,) array
        Residuals of mean zero.
    free : int
        Parameters that were fitted.

    Notes
    -----
    :math:`u(s) = u(s^2) / 2s`, and :math:`u(s^2)` is the deviation of the squares over the root of how many of them are
    independent; no distribution is assumed. Indicated where these are fewer than ``LEAST_INDEPENDENT``.
    """
    squares = rest**2
    deviation = math.sqrt(float(np.sum(squares)) / max(rest.size - free, 1))
    independent = rest.size / correlation_time(squares)
    if deviation == 0.0 or independent < LEAST_INDEPENDENT:
        return Estimate(value=deviation, u=None)
    return Estimate(value=deviation, u=float(np.std(squares)) / math.sqrt(independent) / (2.0 * deviation))


def _held(rows: ColumnRows) -> Held | None:
    """Return the longest run of equal values, where a record that moves as the rest does would hardly have it."""
    changes = np.flatnonzero(np.diff(rows.value) != 0.0) + 1
    firsts = np.concatenate(([0], changes))
    lengths = np.diff(np.append(firsts, rows.value.size))
    longest = int(np.argmax(lengths))
    size, rest = int(lengths[longest]), np.delete(lengths, longest)
    if size < SHORTEST_HELD or rest.size < 2:
        return None
    equal = float(np.sum(rest - 1)) / float(np.sum(rest))  # chance that a row repeats the one before, elsewhere
    if equal > 0.0 and rows.value.size * equal ** (size - 1) >= BY_CHANCE:
        return None
    first = int(firsts[longest])
    last = min(first + size, rows.time.size - 1)
    return Held(
        start=float(rows.time[first]),
        length=float(rows.time[last] - rows.time[first]),
        value=float(rows.value[first]),
    )


def _ends(rows: ColumnRows) -> tuple[AtEnd, ...]:
    if rows.rails is not None:
        low, high = rows.rails
        at = ((low, rows.value <= low), (high, rows.value >= high))
        return tuple(AtEnd(value=v, rows=n, is_known=True) for v, mask in at if (n := int(np.count_nonzero(mask))))
    if rows.resolution != 1.0:
        return ()
    usual = {0.0} | {2.0**bits - 1.0 for bits in CODE_BITS}
    usual |= {sign * 2.0 ** (bits - 1) + end for bits in CODE_BITS for sign, end in ((-1.0, 0.0), (1.0, -1.0))}
    found = []
    for value in {float(np.min(rows.value)), float(np.max(rows.value))} & usual:
        number = int(np.count_nonzero(rows.value == value))
        if number >= max(AT_CODE * rows.value.size, 2.0):
            found.append(AtEnd(value=value, rows=number, is_known=False))
    return tuple(sorted(found, key=lambda end: end.value))


def _spectrum(rows: ColumnRows) -> Spectrum | None:
    """Average spectra over the longest stretch of rows of which none is missing."""
    bounds = np.concatenate(([0], np.flatnonzero(~rows.follows) + 1, [rows.value.size]))
    longest = int(np.argmax(np.diff(bounds)))
    part = rows.value[bounds[longest] : bounds[longest + 1]]
    if part.size < LEAST_ROWS or float(np.ptp(part)) == 0.0:
        return None
    return spectrum(part, rows.rate, segment=max(16.0, min(LONGEST_SEGMENT * rows.rate, part.size / 2.5)) / rows.rate)
