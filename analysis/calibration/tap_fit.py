"""From taps with a soft hammer to a stand's modes: frequency, damping, settling, and the mass that moves.

Takes the record of each blow as plain arrays; any unit of reading. A tap is fitted, never read off two peaks.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from standbook.analysis.calibration.damped_sines import (
    LEAST_PERIODS,
    LEAST_SAMPLES,
    Decay,
    Sine,
    fit_decay,
    highest_line,
)
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

WAIT = 1.25  # periods after the largest reading, 1.5 after the hit: what dies fast is gone; judgement
QUIET_SHARE = 1.0 / 3.0  # of the record, its end, that says how large the noise is
LEAST_BLOCK = 12  # samples whose scatter is compared with the noise; else one period
NOISE_CHANCE = 1e-5  # that noise alone is called a disturbance, all blocks counted
LATER_STARTS = (0.1, 0.2, 0.3, 0.45)  # of the record, where a disturbed tap is begun again
SAME_MODE = 0.03  # of the frequency: taps differ by less, modes by more; judgement
FRICTION = 0.2  # of the damping, between strong and weak taps: from here on it is not viscous


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """One blow, fitted."""

    blow: float  # instant of the largest reading [s]
    start: float  # instant from which it was fitted [s]
    decay: Decay
    clean: bool  # what is left is noise from there to the end
    note: str  # what was wrong with the record, else empty


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One mode of the stand, from several taps."""

    frequency: float  # undamped [Hz]
    frequency_u: float
    zeta: float
    zeta_u: float
    taps: int
    zeta_by_amplitude: tuple[float, float]  # of the weaker and of the stronger half of the taps
    note: str


def fit_tap(time: Array, value: Array) -> Tap:
    """Fit one blow, from a period and a half after the hit to the end of the record.

    Parameters
    ----------
    time, value : (N,) array
        Evenly spaced instants, some before the blow and a few seconds after it [s]; reading, any unit.

    Raises
    ------
    DataError
        Too short after the blow, or nothing rings.

    Notes
    -----
    A second blow of the hammer, or a tap so hard that something slid, leaves more than noise in a part of the record:
    the sum of squares of a block over the noise of the record's end is chi-squared. Then a later start is tried.
    """
    if value.size < LEAST_SAMPLES or not np.isfinite(value).all():
        raise DataError(f"{value.size} samples of a tap, {int(np.isfinite(value).sum())} finite; record seconds of it")
    blow = int(np.argmax(np.abs(_level(time, value))))
    first = blow + math.ceil(WAIT / _strongest(time[blow:], value[blow:]) * _rate(time))
    decay = fit_decay(time[first:], value[first:])
    if _is_noise(decay, _rate(time)):
        return Tap(blow=float(time[blow]), start=float(time[first]), decay=decay, clean=True, note="")
    for share in LATER_STARTS:
        later = first + int(share * (time.size - first))
        again = _again(time[later:], value[later:])
        if again is not None and _is_noise(again, _rate(time)):
            wait = float(time[later] - time[blow])
            note = (
                f"until {wait:.2f} s after the blow the record is no free decay: a second blow, or something slid;"
                " fitted from there"
            )
            return Tap(blow=float(time[blow]), start=float(time[later]), decay=again, clean=True, note=note)
    note = "no free decay from any start: more than noise is left; not used"
    return Tap(blow=float(time[blow]), start=float(time[first]), decay=decay, clean=False, note=note)


def _level(time: Array, value: Array) -> Array:
    """Take a straight line off: a drifting zero is no blow."""
    return np.asarray(value - np.polynomial.Polynomial.fit(time, value, 1)(time))


def _again(time: Array, value: Array) -> Decay | None:
    try:
        return fit_decay(time, value)
    except DataError:
        return None


def _rate(time: Array) -> float:
    return (time.size - 1) / float(time[-1] - time[0])


def _strongest(time: Array, value: Array) -> float:
    """Return the frequency of the highest line after the blow. [Hz]."""
    if value.size < LEAST_SAMPLES:
        raise DataError(f"{value.size} samples after the blow; record two seconds after it")
    line = highest_line(_level(time, value), 1.0 / _rate(time))
    if line * float(time[-1] - time[0]) < LEAST_PERIODS:
        raise DataError("nothing rings for three periods after the blow; record two seconds after it")
    return line


def _is_noise(decay: Decay, rate: float) -> bool:
    """Tell whether no block of the residual is larger than the noise of its end makes it by chance."""
    rest = decay.residual
    length = max(LEAST_BLOCK, math.ceil(rate / decay.sines[0].frequency))
    blocks = rest[: rest.size // length * length].reshape(-1, length)
    quiet = rest[int((1.0 - QUIET_SHARE) * rest.size) :]
    noise = float(np.mean(quiet**2)) * (1.0 + 4.0 * math.sqrt(2.0 / quiet.size))  # of few samples it may be too low
    largest = float(np.max(np.sum(blocks**2, axis=1)))
    return largest <= noise * float(chdtri(length, NOISE_CHANCE / blocks.shape[0]))


def modes_of(taps: Sequence[Tap]) -> tuple[Mode, ...]:
    """Bring together what several taps of one state of the stand say, lowest frequency first.

    Notes
    -----
    The mean of the taps that show a mode; its u is that of the fits, or the scatter of the taps where that is larger:
    place, strength and bolts differ between blows. A mode stands in half of the taps at least. Hum is none.
    """
    sines = sorted((s for tap in taps if tap.clean for s in tap.decay.sines if s.decays), key=lambda s: s.frequency)
    groups: list[list[Sine]] = []
    for sine in sines:
        if groups and sine.frequency <= groups[-1][-1].frequency * (1.0 + SAME_MODE):
            groups[-1].append(sine)
        else:
            groups.append([sine])
    least = max(1, sum(tap.clean for tap in taps) // 2)
    return tuple(_mode(group) for group in groups if len(group) >= least)


def _mode(sines: list[Sine]) -> Mode:
    weak_first = sorted(sines, key=lambda sine: sine.amplitude)
    half = (len(sines) + 1) // 2
    zeta = np.array([sine.zeta for sine in weak_first])
    weak, strong = float(np.mean(zeta[:half])), float(np.mean(zeta[-half:]))
    mean, mean_u = _mean(zeta, np.array([sine.zeta_u for sine in weak_first]))
    frequency, frequency_u = _mean(
        np.array([sine.frequency for sine in sines]), np.array([sine.frequency_u for sine in sines])
    )
    changes = len(sines) > 2 and abs(strong - weak) > max(FRICTION * mean, 4.0 * mean_u)
    note = f"damping goes from {100 * weak:.2f} to {100 * strong:.2f} % with strength: friction" if changes else ""
    return Mode(
        frequency=frequency,
        frequency_u=frequency_u,
        zeta=mean,
        zeta_u=mean_u,
        taps=len(sines),
        zeta_by_amplitude=(weak, strong),
        note=note,
    )


def _mean(value: Array, u: Array) -> tuple[float, float]:
    """Return a mean of several fits and its u: theirs, or their scatter."""
    fits = math.sqrt(float(np.mean(u**2)))
    scatter = float(np.std(value, ddof=1)) if value.size > 1 else 0.0
    return float(np.mean(value)), max(fits, scatter) / math.sqrt(value.size)


def attainable_zeta_u(sine: Sine, *, rate: float, deviation: float) -> float:
    r"""Return the least u of a damping that white noise allows, relative, the decay being inside the record. [-].

    Parameters
    ----------
    sine : Sine
        What rings.
    rate, deviation : float
        Rows a second [Hz]; standard deviation of the noise of a row, in the unit of the amplitude.

    Notes
    -----
    :math:`u(\zeta)/\zeta = 4 \sqrt{\zeta \omega / f_s}\, \sigma / A`, light damping; that of the frequency, relative,
    is zeta times it. Derived.
    """
    decay = sine.zeta * 2.0 * math.pi * sine.frequency
    return 4.0 * math.sqrt(decay / rate) * deviation / sine.amplitude


def settling_time(frequency: float, zeta: float, share: float) -> float:
    """Return how long a mode [Hz] takes to fall to a share of its amplitude. [s]."""
    return math.log(1.0 / share) / (zeta * 2.0 * math.pi * frequency)


def true_to(frequency: float, error: float) -> float:
    r"""Return up to which frequency a cell under a mode [Hz] shows a force's amplitude within a share. [Hz].

    :math:`1 / (1 - r^2) - 1` at the ratio r of frequencies, lightly damped. Derived.
    """
    return frequency * math.sqrt(error / (1.0 + error))


def mass_left(mass: float, before: float, after: float) -> float:
    """Return what still moves of a mass [kg] whose mode rose from one frequency to another [Hz]. [kg]."""
    return mass * (before / after) ** 2


def zeta_of_log_decrement(decrement: float) -> float:
    """Return the damping that makes a natural logarithm of the ratio of two peaks one period apart. [-]."""
    return decrement / math.hypot(2.0 * math.pi, decrement)


def moving_mass(
    bare: tuple[float, float], loaded: tuple[float, float], added: tuple[float, float]
) -> tuple[float, float]:
    r"""Return the mass that moves in a mode and its u, from its frequencies without and with a known mass. [kg].

    Parameters
    ----------
    bare, loaded : tuple of float
        Frequency and its u, before and after. [Hz]
    added : tuple of float
        The mass and its u. [kg]

    Raises
    ------
    DataError
        The frequency does not fall.

    Notes
    -----
    :math:`m = \Delta m / ((f_0/f_1)^2 - 1)`; both frequencies weigh :math:`2 (1 + m/\Delta m)`, relative. An error of
    the recorder's clock is common to both and cancels. Modal mass: what does not move does not count. Derived.
    """
    if not loaded[0] < bare[0]:
        raise DataError(
            f"{loaded[0]:.3f} Hz with {added[0]:.3g} kg more is not below {bare[0]:.3f} Hz; which is which?"
        )
    mass = added[0] / ((bare[0] / loaded[0]) ** 2 - 1.0)
    weight = 2.0 * (1.0 + mass / added[0])
    share = math.hypot(weight * bare[1] / bare[0], weight * loaded[1] / loaded[0], added[1] / added[0])
    return mass, mass * share
