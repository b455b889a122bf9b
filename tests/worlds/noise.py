"""What sensors and converters add to a reading. Every function returns (N,) in the unit of its amplitude."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of one channel, as shares of its full scale unless said otherwise."""

    white: float  # standard deviation of one sample
    pink: float  # standard deviation, over the white one
    telegraph: float  # height of the steps, over the white deviation
    dwell: float  # mean time between steps [s]
    hum: float  # amplitude
    mains: float  # [Hz]
    harmonics: tuple[float, ...]  # amplitudes of the 2nd, 3rd ... over the first
    phase: float  # [rad]


def pink(random, count):
    """Return noise whose power falls as 1/f, of unit deviation: white noise weighted in frequency."""
    size = 1 << max(4, (count - 1).bit_length())
    spectrum = np.fft.rfft(random.standard_normal(size))
    k = np.arange(spectrum.size, dtype=np.float64)
    k[0] = np.inf
    made = np.fft.irfft(spectrum / np.sqrt(k), size)
    return made[:count] / np.sqrt(np.mean(made**2))


def telegraph(random, times, dwell):
    """Return random steps between -1/2 and 1/2, in the mean ``dwell`` apart."""
    span = float(times[-1] - times[0])
    steps = np.sort(random.uniform(times[0], times[-1], random.poisson(span / dwell)))
    return 0.5 * (-1.0) ** (np.searchsorted(steps, times) + random.integers(2))


def hum(times, mains, harmonics, phase):
    """Return mains hum of unit amplitude with its harmonics, each with a phase of its own."""
    made = np.sin(2.0 * np.pi * mains * times + phase)
    for k, amplitude in enumerate(harmonics, start=2):
        made = made + amplitude * np.sin(2.0 * np.pi * k * mains * times + k * k * phase)
    return made


def noise(law, random, times):
    """Return everything that a law adds to one channel, as shares of full scale."""
    made = law.white * random.standard_normal(times.size)
    if law.pink:
        made = made + law.white * law.pink * pink(random, times.size)
    if law.telegraph:
        made = made + law.white * law.telegraph * telegraph(random, times, law.dwell)
    if law.hum:
        made = made + law.hum * hum(times, law.mains, law.harmonics, law.phase)
    return made


def lagged(value, step, time_constant):
    """Pass evenly sampled values through a first-order line, at rest before."""
    keep = np.exp(-step / time_constant)
    return value[0] + lfilter([1.0 - keep], [1.0, -keep], value - value[0])


def hammer(times, at, amplitude, frequency, decay):
    """Return the ringing of a line after a valve shut at an instant."""
    after = np.maximum(times - at, 0.0)
    return amplitude * np.sin(2.0 * np.pi * frequency * after) * np.exp(-after / decay) * (times > at)


def converted(reading, lowest, step, bits):
    """Return the converter's counts of a reading, held at its rails."""
    return np.clip(np.rint((reading - lowest) / step), 0, 2**bits - 1).astype(np.int64)
