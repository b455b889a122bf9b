"""One recorded channel: the sensor as it is, the calibration as noted, and the counts between them.

Readings in the calibration's unit. Every error that the calibration claims is drawn within its claim by ``draws``.
"""

from dataclasses import dataclass

import numpy as np

from tests.worlds.noise import Noise, converted, lagged, noise


@dataclass(frozen=True, slots=True)
class ChannelNote:
    """What the crew noted of a channel: all that an analysis may know beside the counts."""

    tag: str
    measures: str
    tank: str  # empty where it belongs to none
    unit: str  # "bar(g)", "N" ...
    scale: float  # SI value of the unit
    bits: int
    lowest: float  # reading of count zero
    step: float  # reading of one count
    highest: float  # end of the calibrated range
    gain_u: float  # relative
    zero_u: float  # in the unit
    hysteresis_u: float  # of the range, relative
    latency: float  # [s]


@dataclass(frozen=True, slots=True)
class Sensor:
    """A channel as it truly is."""

    note: ChannelNote
    gain: float  # relative error
    zero: float  # error, in the unit
    drift: float  # of the zero over the record, in the unit
    lag: float  # of the line [s]
    noise: Noise
    offset: float  # taken off the absolute value before calibration: ambient of a gauge [unit]


def felt(sensor, times, fine_time, fine_value):
    """Return the sensor's clean reading at sample times of a course that is finely and evenly known. (N,)."""
    step = float(fine_time[1] - fine_time[0])
    value = lagged(fine_value, step, sensor.lag) if sensor.lag > 0.0 else fine_value
    return np.interp(times, fine_time, value) / sensor.note.scale - sensor.offset


def counts(sensor, random, times, clean):
    """Return the counts of a clean reading: errors of calibration, noise, converter."""
    along = (times - times[0]) / max(float(times[-1] - times[0]), 1e-9)
    full = sensor.note.highest
    reading = clean * (1.0 + sensor.gain) + sensor.zero + sensor.drift * along
    reading = reading + full * noise(sensor.noise, random, times)
    return converted(reading, sensor.note.lowest, sensor.note.step, sensor.note.bits)
