"""Estimate spectra of an evenly sampled record: power spectral density, spectral peaks, their tracks, coherence.

Plain arrays; frequencies in Hz, values in any unit. Says where a line is and how large, not what it is. Nothing is
filtered, resampled or filled: a stretch with a lost row or a sample that is not a number is left out.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.special import chdtri

from standbook.daq.arrays import Array

SEGMENT = 1.0  # s, of one transform; a line is then 1.5 Hz wide
NOISE_WIDTH = 1.5  # bins, of the Hann window for noise; its main lobe is two bins to either side; [Harris1978]
OVERLAP_CORRELATION = 1.0 / 36.0  # of the powers of Hann segments that overlap by half; [Welch1967]
LOBE = 2  # bins
BACKGROUND = 15  # bins to either side, whose median is the level that a line stands out of
LOWEST = 2  # bins; below lies what is left of a slow fall
CHANCE = 1e-5  # that noise alone shows one peak somewhere in one spectrum
SKIRT, SKIRT_SHARE = 6, 0.05  # bins about a strong peak in which a weaker one is its skirt; share of its density
PARTS, SHORTEST_PART, LONGEST_PART = 6, 1.0, 5.0  # of a burn; s
LINK = 2.5  # bins that a line may move from one part to the next
SEEN_AGAIN = 2  # parts, overlapping by half, in which a line must stand out
USABLE = 0.4  # of the sampling rate; nothing is said above it where no filter is declared
COHERENT_BY_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Power spectral density of one stretch, averaged over segments."""

    frequency: Array  # (K,) [Hz]
    density: Array  # (K,) [unit²/Hz], one-sided
    resolution: float  # between two bins [Hz]
    averages: float  # as many independent segments would scatter as much


@dataclass(frozen=True, slots=True)
class Peak:
    """One spectral peak."""

    frequency: float  # [Hz]
    amplitude: float  # of a sine of the same power: root two times its rms
    ratio: float  # of its density over what it stands out of


@dataclass(frozen=True, slots=True)
class Track:
    """One spectral peak followed from part to part of a record. Each array (P,)."""

    time: Array  # middles of the parts [s]
    frequency: Array  # [Hz]
    amplitude: Array
    length: float  # of a part [s]

    @property
    def start(self) -> float:
        """Beginning of the first part. [s]."""
        return float(self.time[0]) - self.length / 2.0

    @property
    def end(self) -> float:
        """End of the last part. [s]."""
        return float(self.time[-1]) + self.length / 2.0

    def frequency_at(self, time: Array) -> Array:
        """Return the frequency at other instants, held beyond both ends. [Hz]."""
        return np.asarray(np.interp(time, self.time, self.frequency))


def spectrum(value: Array, rate: float, *, segment: float = SEGMENT) -> Spectrum:
    r"""Average the periodograms of half-overlapping, Hann-windowed segments, each freed of a straight line.

    Parameters
    ----------
    value : (N,) array
        Evenly sampled, all finite.
    rate : float
        [Hz]
    segment : float
        Length of one segment. [s]

    Raises
    ------
    ValueError
        Fewer samples than one segment of 16.

    Notes
    -----
    A sine of amplitude a has the power :math:`a^2/2`, summed over its bins. Segments that overlap by half are nearly
    independent: K of them scatter as :math:`K / (1 + 2 (K-1)/K \cdot 1/36)`. Source: [Welch1967].
    """
    length = min(round(segment * rate), value.size)
    if length < 16:
        raise ValueError(f"{length} samples are no segment for a spectrum; at least 16")
    transforms = _transforms(value, length)
    density = np.asarray(np.mean(np.abs(transforms) ** 2, axis=0) / rate)
    density[1 : (length + 1) // 2] *= 2.0  # one side stands for both, but for level and half the rate
    number = transforms.shape[0]
    averages = number / (1.0 + 2.0 * (number - 1) / number * OVERLAP_CORRELATION)
    return Spectrum(np.arange(density.size, dtype=np.float64) * (rate / length), density, rate / length, averages)


def _transforms(value: Array, length: int) -> NDArray[np.complex128]:
    """Transform segments that overlap by half, each freed of its straight line, under a window of unit power. (S, K).

    A signal library's own is checked against and not used: its import takes longer than the analysis of a firing.
    """
    segments = np.lib.stride_tricks.sliding_window_view(value, length)[:: length - length // 2]
    x = np.linspace(-1.0, 1.0, length)
    level = segments.mean(axis=-1, keepdims=True)
    slope = (segments @ x)[:, np.newaxis] / (x @ x)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    return np.fft.rfft((segments - level - slope * x) * (window / math.sqrt(window @ window)))


def background(found: Spectrum) -> Array:
    """Estimate the noise level under spectral peaks: a running median, less a median's own bias. (K,)."""
    freedom = 2.0 * found.averages
    bias = float(chdtri(freedom, 0.5)) / freedom
    width = min(2 * BACKGROUND + 1, found.density.size)
    return np.asarray(median_filter(found.density, size=width, mode="nearest") / bias)


def peaks(found: Spectrum, *, highest: float = math.inf) -> tuple[Peak, ...]:
    """Find spectral peaks that noise alone would hardly show, strongest first.

    Notes
    -----
    Density over its level follows chi-squared over its degrees of freedom, two for each average; the threshold is
    passed by one of all bins with probability ``CHANCE``.
    """
    level = background(found)
    inside = (np.arange(level.size) >= LOWEST) & (found.frequency <= highest) & (level > 0.0)
    ratio = np.divide(found.density, level, out=np.zeros_like(level), where=inside)
    freedom = 2.0 * found.averages
    least = float(chdtri(freedom, CHANCE / max(int(inside.sum()), 1))) / freedom
    kept: list[int] = []
    out = np.flatnonzero(ratio >= least)
    for k in out[np.argsort(-found.density[out])]:
        if found.density[k] < np.max(found.density[max(k - 1, 0) : k + 2]):
            continue
        stronger = [j for j in kept if abs(j - k) <= SKIRT]
        if any(abs(j - k) <= LOBE or found.density[k] < SKIRT_SHARE * found.density[j] for j in stronger):
            continue
        if any(found.density[k] < 4.0 * _side_lobe(abs(j - k)) * found.density[j] for j in kept):
            continue
        kept.append(int(k))
    return tuple(_peak(found, level, k, float(ratio[k])) for k in kept)


def _side_lobe(bins: int) -> float:
    """Return the greatest power of a Hann window so many bins from its line, as a share of the line's."""
    return 1.0 if bins <= LOBE else 1.0 / (math.pi * bins * (bins**2 - 1)) ** 2


def _peak(found: Spectrum, level: Array, k: int, ratio: float) -> Peak:
    part = slice(max(k - LOBE, 0), k + LOBE + 1)
    above = np.maximum(found.density[part] - level[part], 0.0)
    power = float(above.sum()) * found.resolution
    return Peak(float(above @ found.frequency[part] / above.sum()), math.sqrt(2.0 * power), ratio)


def tracks(
    time: Array, value: Array, *, start: float, end: float, rate: float, highest: float = math.inf
) -> tuple[Track, ...]:
    """Follow spectral peaks along a record, in parts that overlap by half.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and samples.
    start, end : float
        Where to look. [s]
    rate : float
        Sampling rate. [Hz]
    highest : float
        Nothing is looked for above. [Hz]

    Notes
    -----
    A line is kept where it stands out in ``SEEN_AGAIN`` neighbouring parts, moving by at most ``LINK`` bins from one
    to the next.
    """
    length = part_length(end - start)
    if length is None:
        return ()
    segment = min(SEGMENT, length / 2.5)
    open_: list[list[tuple[int, float, Peak]]] = []
    middles = np.linspace(start + length / 2.0, end - length / 2.0, max(1, round(2.0 * (end - start) / length) - 1))
    for k, middle in enumerate(middles):
        part = whole(time, value, middle - length / 2.0, middle + length / 2.0, rate)
        if part is None or segment * rate < 16:
            continue
        seen = spectrum(part, rate, segment=segment)
        free = list(peaks(seen, highest=highest))
        for line in sorted(open_, key=lambda line: -line[-1][2].amplitude):
            last, _, peak = line[-1]
            reach = LINK * seen.resolution * (k - last)
            near = [p for p in free if k - last <= 2 and abs(p.frequency - peak.frequency) <= reach]
            if near:
                best = min(near, key=lambda p: abs(p.frequency - peak.frequency))
                free.remove(best)
                line.append((k, float(middle), best))
        open_ += [[(k, float(middle), peak)] for peak in free]
    return tuple(_track(line, length) for line in open_ if len(line) >= min(SEEN_AGAIN, middles.size))


def part_length(span: float) -> float | None:
    """Return the length of the parts that a burn is cut into; ``None`` where it is too short for a spectrum. [s]."""
    if span < SHORTEST_PART:
        return None
    return min(max(2.0 * span / (PARTS + 1), min(span, 2.0)), LONGEST_PART)


def whole(time: Array, value: Array, start: float, end: float, rate: float) -> Array | None:
    """Return the samples of a stretch; ``None`` where one is missing or not a number."""
    first, last = np.searchsorted(time, [start, end])
    part = value[first:last]
    unbroken = part.size > 1 and float(np.max(np.diff(time[first:last]))) < 1.5 / rate
    complete = part.size >= math.floor((end - start) * rate * 0.999) - 1
    return part if unbroken and complete and bool(np.isfinite(part).all()) else None


def _track(line: Sequence[tuple[int, float, Peak]], length: float) -> Track:
    return Track(
        np.array([middle for _, middle, _ in line]),
        np.array([peak.frequency for _, _, peak in line]),
        np.array([peak.amplitude for _, _, peak in line]),
        length,
    )


def folded(frequency: Array, rate: float) -> Array:
    """Compute the alias of a frequency at a sampling rate: its distance from the nearest multiple. [Hz]."""
    return np.asarray(np.abs(frequency - rate * np.round(frequency / rate)))


def chance_coherence(averages: float, probability: float = COHERENT_BY_CHANCE) -> float:
    r"""Compute the squared coherence that unrelated noise reaches with a probability.

    Notes
    -----
    :math:`1 - p^{1/(K-1)}` of K independent averages. Source: [BendatPiersol].
    """
    return 1.0 if averages <= 1.0 else float(1.0 - probability ** (1.0 / (averages - 1.0)))


def coherence_at(one: Array, other: Array, rate: float, frequency: float) -> tuple[float, float]:
    """Compute the squared coherence of two records at a frequency, and the level of chance.

    Both (N,), sampled at the same instants.
    """
    segment = min(SEGMENT, one.size / rate / 2.5)
    length = round(segment * rate)
    nearest = min(round(frequency * length / rate), length // 2)
    first, second = (_transforms(record, length)[:, nearest] for record in (one, other))
    power = float(np.vdot(first, first).real * np.vdot(second, second).real)
    found = float(np.abs(np.vdot(first, second)) ** 2) / power if power > 0.0 else 0.0
    return found, chance_coherence(spectrum(one, rate, segment=segment).averages)


def envelope_of(time: Array, value: Array, frequency: Array, *, block: float) -> tuple[Array, Array]:
    """Compute the amplitude of a peak at its (moving) frequency, block by block, by demodulation.

    Parameters
    ----------
    time, value, frequency : (N,) array
        Instants [s], samples, and where the line is at each [Hz].
    block : float
        Averaged over, with Hann weights. [s]
    """
    steps = np.concatenate(([0.0], np.cumsum(np.diff(time) * 0.5 * (frequency[1:] + frequency[:-1]))))
    size = max(8, round(block / float(np.median(np.diff(time)))))
    number = value.size // size
    cut = slice(0, number * size)
    rows = value[cut].reshape(number, size)
    x = np.linspace(-1.0, 1.0, size)
    mean, slope = rows.mean(axis=1, keepdims=True), rows @ x[:, None] / float(x @ x)
    weight = np.hanning(size + 2)[1:-1]
    turned = (rows - mean - slope * x) * np.exp(-2j * np.pi * steps[cut].reshape(number, size))
    return time[cut].reshape(number, size).mean(axis=1), np.asarray(2.0 * np.abs(turned @ weight) / weight.sum())


def onset(time: Array, amplitude: Array, floor: float) -> float:
    """Find when an amplitude last rose through ``floor`` or a twentieth of its maximum, whichever is more. [s]."""
    top = int(np.argmax(amplitude))
    below = np.flatnonzero(amplitude[: top + 1] < max(floor, 0.05 * amplitude[top]))
    return float(time[below[-1] + 1]) if below.size and below[-1] < top else float(time[0])


def smooth_share(time: Array, pressure: Array, *, limit: float, block: float, over: float) -> float:
    """Compute the share of blocks in which no sample leaves the local mean by more than a relative limit.

    Parameters
    ----------
    limit : float
        Relative to the mean over ``over`` seconds.
    block : float
        A block counts as a whole. [s]
    """
    fluctuation, level = fluctuations(time, pressure, over)
    size = max(1, round(block / float(np.median(np.diff(time)))))
    number = max(pressure.size // size, 1)
    away = np.abs(fluctuation / level)[: number * size]
    return float(np.mean(away.reshape(number, -1).max(axis=1) <= limit))


def fluctuations(time: Array, value: Array, over: float) -> tuple[Array, Array]:
    """Split a record into its fluctuation and its running mean over a length [s]; both (N,)."""
    size = max(3, round(over / float(np.median(np.diff(time)))) | 1)
    index = np.arange(value.size, dtype=np.float64)
    # Straight lines at the ends keep a slow fall from counting as fluctuation there.
    half = size // 2
    edge = min(value.size, 2 * size)
    left = np.polyval(np.polyfit(index[:edge], value[:edge], 1), np.arange(-half, 0))
    right = np.polyval(np.polyfit(index[-edge:], value[-edge:], 1), np.arange(value.size, value.size + half))
    total = np.concatenate(([0.0], np.cumsum(np.concatenate((left, value, right)))))
    level = (total[size:] - total[:-size]) / size
    return np.asarray(value - level), np.asarray(level)


def worst_stretch(time: Array, share: Array, length: float) -> tuple[float, float]:
    """Find the maximum rms of a relative fluctuation over a length [s], and the middle of that stretch [s]."""
    size = min(max(2, round(length / float(np.median(np.diff(time))))), share.size)
    total = np.concatenate(([0.0], np.cumsum(share**2)))
    mean = (total[size:] - total[:-size]) / size
    k = int(np.argmax(mean))
    return math.sqrt(max(float(mean[k]), 0.0)), float(time[k] + (time[k + size - 1] - time[k]) / 2.0)


def near(frequency: Iterable[float] | Array, wanted: Array, tolerance: float) -> bool:
    """Tell whether a peak lies at a wanted frequency, in most of its parts."""
    apart = np.abs(np.asarray(frequency, dtype=np.float64) - wanted)
    return bool(np.mean(apart <= tolerance) >= 0.75)
