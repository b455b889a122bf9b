"""Find quiet windows, average blocks, and estimate how many independent samples a correlated record holds.

SI throughout; ``time`` is in seconds and increasing, ``value`` in whatever unit the channel has. The module
knows nothing of engines or tanks, closes no gap and reads no file.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

DESPIKE_LIMIT = 5.0  # robust standard deviations; white noise loses 6 samples in ten million
MAD_TO_SIGMA = 1.482602218505602  # 1 / (sqrt(2) erfinv(1/2)): median absolute deviation of a normal sample
QUANTUM_SAMPLES = 100_000  # enough to meet the least step of a converter
PART_SAMPLES = 1 << 16  # 512 kB of numbers
LONE_WIDTH, LONE_LIMIT = 7, 8.0  # samples; robust standard deviations, in which white noise loses none
MIN_BLOCK = 8  # samples; below this a block's own scatter cannot tell a spike from noise
MAX_LAG_SAMPLES = 1 << 17  # longer records are averaged in groups first: the tail of rho needs no full rate
MIN_QUIET_SAMPLES = 8
MAX_SPIKE_SHARE = 0.02  # more than this is not spikes but unrest
QUIET_FACTOR = 2.0  # a window this much more restless than the quietest one is no longer called quiet


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a record, both ends included. [s]."""

    start: float
    end: float

    def of(self, time: Array) -> NDArray[np.bool_]:
        """Tell which samples lie inside."""
        return (time >= self.start) & (time <= self.end)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Means over consecutive groups of samples."""

    time: Array  # (B,) mean instant of the samples kept [s]
    value: Array  # (B,) mean of the samples kept
    count: NDArray[np.int64]  # (B,) samples kept
    removed: int  # samples left out as spikes, whole record


def parts_of(size: int) -> Iterator[slice]:
    """Cut a long record into parts that stay in the processor's cache while they are worked on."""
    return (slice(begin, begin + PART_SAMPLES) for begin in range(0, size, PART_SAMPLES))


def between(time: Array, start: float, end: float) -> slice:
    """Return the slice of samples between two instants, both included; ``time`` does not fall."""
    return slice(int(np.searchsorted(time, start)), int(np.searchsorted(time, end, side="right")))


def spikes(value: Array, blocks: int) -> NDArray[np.bool_]:
    """Mark samples that lie far from their neighbourhood.

    Parameters
    ----------
    value : (N,) array
        Equally weighted samples.
    blocks : int
        Number of neighbourhoods; each one must be short enough to look like a straight line.

    Notes
    -----
    In each block a line through the medians of its halves is taken off and whatever lies further than
    ``DESPIKE_LIMIT`` robust standard deviations is marked. The scale of a block is never taken below the
    record's median scale nor below the least step between samples, so that a quantised quiet stretch keeps
    its codes.
    """
    marks = np.zeros(value.size, dtype=np.bool_)
    blocks = min(blocks, value.size // MIN_BLOCK)
    if blocks < 1:
        return marks
    steps = np.abs(np.diff(value[:QUANTUM_SAMPLES]))
    steps = steps[steps > 0.0]
    quantum = float(steps.min()) if steps.size else 0.0
    departures = []
    scales = []
    for rows in _equal_groups(value, blocks):
        half = rows.shape[1] // 2
        low, high = np.median(rows[:, :half], axis=1), np.median(rows[:, -half:], axis=1)
        slope = (high - low) / (rows.shape[1] - half)
        offset = np.arange(rows.shape[1]) - (rows.shape[1] - 1) / 2.0
        rest = rows - slope[:, None] * offset
        rest = np.abs(rest - np.median(rest, axis=1)[:, None])
        departures.append(rest)
        scales.append(MAD_TO_SIGMA * np.median(rest, axis=1))
    floor = max(float(np.median(np.concatenate(scales))), quantum)
    begin = 0
    for rest, scale in zip(departures, scales, strict=True):
        out = rest > DESPIKE_LIMIT * np.maximum(scale, floor)[:, None]
        marks[begin : begin + out.size] = out.ravel()
        begin += out.size
    return marks


def lone_spikes(value: Array) -> NDArray[np.bool_]:
    """Mark single samples, or a few together, that jump off a curve however steep or bent.

    Notes
    -----
    A running median of ``LONE_WIDTH`` samples is the sample itself wherever the curve only rises or only falls, so a
    valve's opening or a vent is never marked. The scale is that of the whole record, never below its least step nor
    below the scatter of second differences: where a slow record falls steeply, most samples are their own median.
    """
    from scipy.ndimage import median_filter  # a report draws windows and filters nothing

    if value.size < LONE_WIDTH:
        return np.zeros(value.size, dtype=np.bool_)
    rest = np.asarray(median_filter(value, LONE_WIDTH, mode="nearest"))
    np.abs(np.subtract(value, rest, out=rest), out=rest)
    steps = np.abs(np.diff(value[:QUANTUM_SAMPLES]))
    steps = steps[steps > 0.0]
    quantum = float(steps.min()) if steps.size else 0.0
    scale = max(MAD_TO_SIGMA * float(np.median(rest)), _second_difference_scale(value), quantum)
    return np.asarray(rest > LONE_LIMIT * scale)


def _second_difference_scale(value: Array) -> float:
    """Return the standard deviation of white noise by second differences, blind to any slope; of long records a part.

    Those of white noise have six times its variance.
    """
    at = np.arange(1, value.size - 1)
    if at.size > QUANTUM_SAMPLES:
        at = at[:: at.size // QUANTUM_SAMPLES]
    second = np.abs(value[at - 1] - 2.0 * value[at] + value[at + 1])
    return MAD_TO_SIGMA * float(np.median(second)) / math.sqrt(6.0)


def block_means(time: Array, value: Array, blocks: int) -> Blocks:
    """Average a record in blocks of equal count, spikes left out.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and samples. Not a number is refused: cut it out before.
    blocks : int
        How many means are wanted; fewer come back when the record is shorter.

    Raises
    ------
    DataError
        Nothing to average, or samples that are not finite.

    Notes
    -----
    Averaging keeps the information of every sample; picking samples throws it away (a fit of every 2000th
    sample has 45 times the standard error). A mean belongs to the mean instant of the samples kept.
    """
    if value.size == 0 or not (np.isfinite(value).all() and np.isfinite(time).all()):
        raise DataError(
            f"{int(np.isfinite(value).sum())} of {value.size} samples are finite; block means need all of them,"
            " at least one"
        )
    blocks = max(1, min(blocks, value.size))
    keep = ~spikes(value, blocks)
    edges = _edges(value.size, blocks)
    count = np.add.reduceat(keep.astype(np.int64), edges)
    weight = keep.astype(np.float64)
    used = count > 0
    origin = float(time[0])  # sums of host times since boot would lose digits
    time_mean = np.add.reduceat((time - origin) * weight, edges)[used] / count[used] + origin
    value_mean = np.add.reduceat(value * weight, edges)[used] / count[used]
    return Blocks(time_mean, value_mean, count[used], int(value.size - count.sum()))


def correlation_time(residual: Array) -> float:
    """Compute tau = 1 + 2 sum rho_k of a stationary record, in samples.

    Parameters
    ----------
    residual : (N,) array
        Equally spaced; its mean is taken off.

    Notes
    -----
    The sum stops before the first pair ``rho_2k + rho_2k+1`` that is not positive, and pairs are not allowed
    to rise again (initial monotone sequence: a stationary record of a reversible process has positive, falling
    pairs, so what follows is noise). Never below 1: a record is worth at most its sample count.
    Source: [Geyer1992] section 3.3 (from memory).
    """
    residual = np.asarray(residual, dtype=np.float64)
    variance = float(np.var(residual))
    if residual.size < MIN_BLOCK or variance == 0.0:
        return 1.0
    group = math.ceil(residual.size / MAX_LAG_SAMPLES)
    if group > 1:
        whole = residual[: residual.size // group * group].reshape(-1, group).mean(axis=1)
        # var(mean) = var(group means) tau_g / (N/group): the same number, told in single samples
        return max(1.0, group * _monotone_tau(whole) * float(np.var(whole)) / variance)
    return _monotone_tau(residual)


def effective_sample_size(residual: Array) -> float:
    """Compute how many independent samples a correlated record holds, N / tau."""
    return residual.size / correlation_time(residual)


def quiet_window(time: Array, value: Array, *, start: float, end: float, length: float, latest: bool) -> Window | None:
    """Find a quiet stretch of a given length inside a part of a record.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and samples.
    start, end : float
        Where to look. [s]
    length : float
        Length of the stretch. [s]
    latest : bool
        Of all stretches that are quiet take the latest (before an event) or the earliest (after one).

    Returns
    -------
    Window or None
        None when no stretch fits between ``start`` and ``end`` with samples enough.

    Notes
    -----
    Restlessness is the standard deviation of a stretch, a drift through it included, without its spikes as
    long as these are rare; a stretch that is often out is restless.
    Every stretch not more than ``QUIET_FACTOR`` times as restless as the quietest one is called quiet.
    """
    scores: list[tuple[float, Window]] = []
    for begin in np.arange(start, end - length * (1.0 - 1e-9), length / 4.0):
        window = Window(float(begin), float(begin + length))
        first, last = np.searchsorted(time, [window.start, window.end])
        part = value[first:last]
        part = part[np.isfinite(part)]
        if part.size >= MIN_QUIET_SAMPLES:
            scores.append((_restlessness(part), window))
    if not scores:
        return None
    limit = QUIET_FACTOR * min(score for score, _ in scores)
    quiet = [window for score, window in scores if score <= limit]
    return quiet[-1] if latest else quiet[0]


def _restlessness(value: Array) -> float:
    marks = spikes(value, 1)
    return float(np.std(value if np.mean(marks) > MAX_SPIKE_SHARE else value[~marks]))


def _edges(size: int, blocks: int) -> NDArray[np.int64]:
    """Return the first index of each block; the longer blocks come first."""
    short, longer = divmod(size, blocks)
    counts = np.full(blocks, short, dtype=np.int64)
    counts[:longer] += 1
    return np.concatenate(([0], np.cumsum(counts)[:-1])).astype(np.int64)


def _equal_groups(value: Array, blocks: int) -> list[Array]:
    """Return the blocks of ``_edges`` as one or two matrices, in order."""
    short, longer = divmod(value.size, blocks)
    split = longer * (short + 1)
    parts = [value[:split].reshape(longer, short + 1), value[split:].reshape(blocks - longer, short)]
    return [part for part in parts if part.size]


def _monotone_tau(value: Array) -> float:
    centred = value - value.mean()
    size = 1 << (2 * centred.size - 1).bit_length()  # zero padding, else the record meets its own start
    spectrum = np.fft.rfft(centred, size)
    covariance = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: centred.size]
    if covariance[0] <= 0.0:
        return 1.0
    rho = covariance / covariance[0]
    pairs = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0.0)
    pairs = pairs[: negative[0]] if negative.size else pairs
    return max(1.0, 2.0 * float(np.minimum.accumulate(pairs).sum()) - 1.0)


BLOCK = 0.1  # s; noise and ringing are averaged over this before they are held against a band


def block_average(time: Array, value: Array, *, start: float, end: float, block: float = BLOCK) -> tuple[Array, Array]:
    """Average samples in equal spans of time, which does not fall; a span without samples is not a number."""
    count = max(1, round((end - start) / block))
    edges = np.linspace(start, end, count + 1)
    first = np.searchsorted(time, edges)
    filled = first[1:] > first[:-1]
    mean = np.full(count, np.nan)
    if filled.any():
        begin, inside = first[:-1][filled] - first[0], value[first[0] : first[-1]]
        number, known = np.diff(first)[filled], np.isfinite(inside)
        if not known.all():
            inside, number = np.where(known, inside, 0.0), np.add.reduceat(known, begin, dtype=np.int64)
        mean[filled] = np.divide(
            np.add.reduceat(inside, begin), number, out=np.full(number.size, np.nan), where=number > 0
        )
    return (edges[1:] + edges[:-1]) / 2.0, mean
