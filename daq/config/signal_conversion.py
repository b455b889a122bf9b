"""From counts to a calibrated reading, and which counts cannot be believed.

A signal is in the calibration's signal unit (V/V, mA, mV/V, V or counts); a reading is SI, its pressure
reference that of the calibration.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Input, Stand
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import TEMPERATURE_ZERO, parse_quantity

SIGNAL_OF_KIND: Mapping[str, str] = {
    "ratiometric": "V/V",
    "loop": "mA",
    "bridge": "mV/V",
    "voltage": "V",
    "counts": "counts",
}
OPEN_BELOW, OPEN_ABOVE = 0.05, 0.95  # of the supply, for a 10 % to 90 % sensor: common practice, no source
OPEN_LOOP_MILLIAMPERE = 3.6  # below this a 4-20 mA loop is broken: common practice, no source


@dataclass(frozen=True, slots=True)
class Rails:
    """Lowest and highest count that a wire channel can send."""

    minimum: int
    maximum: int


def check_signal(item: Input, calibration: Calibration) -> None:
    """Refuse a calibration made for another kind of signal or another sensor.

    Raises
    ------
    ConfigError
        Signal unit or sensor serial differ.
    """
    expected = SIGNAL_OF_KIND[item.kind]
    if calibration.signal_unit != expected:
        raise ConfigError(
            f"{item.tag}: a {item.kind} input gives {expected}, but calibration {calibration.name} "
            f"takes {calibration.signal_unit}; correct the stand or the calibration"
        )
    if item.sensor_serial and item.sensor_serial != calibration.sensor_serial:
        raise ConfigError(
            f"{item.tag}: the stand has sensor {item.sensor_serial}, calibration {calibration.name} is of "
            f"{calibration.sensor_serial}; name the calibration of the sensor that is mounted"
        )


def supply_voltage(item: Input, readings: Mapping[str, NDArray[np.float64]]) -> float | NDArray[np.float64]:
    """Return the supply of an input: the reading of its supply tag [V], or the stated voltage."""
    if item.supply is None:
        return 1.0
    if item.supply in readings:
        return readings[item.supply]
    return parse_quantity(item.supply, "voltage").value


def signal_from_counts(
    item: Input, counts: NDArray[np.int64] | NDArray[np.float64], supply: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Turn counts into the signal that the calibration takes.

    Parameters
    ----------
    item : Input
        The stand's entry.
    counts : (N,) array
        Raw counts.
    supply : float or (N,) array
        Sensor supply or bridge excitation. [V]
    """
    raw = counts.astype(np.float64)
    if item.kind == "counts":
        return raw
    assert item.volt_per_count is not None  # noqa: S101 - the stand's validator requires it
    volts = raw * item.volt_per_count.value / item.amplifier_gain.value
    if item.kind == "ratiometric":
        return np.asarray(volts / supply, dtype=np.float64)
    if item.kind == "bridge":
        return np.asarray(1e3 * volts / supply, dtype=np.float64)
    if item.kind == "loop":
        assert item.burden is not None  # noqa: S101 - as above
        return 1e3 * volts / item.burden.value
    return volts


def counts_from_signal(
    item: Input, signal: NDArray[np.float64], supply: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Invert :func:`signal_from_counts`; not rounded, not limited to the rails."""
    if item.kind == "counts":
        return signal
    assert item.volt_per_count is not None  # noqa: S101 - the stand's validator requires it
    if item.kind == "ratiometric":
        volts = signal * supply
    elif item.kind == "bridge":
        volts = 1e-3 * signal * supply
    elif item.kind == "loop":
        assert item.burden is not None  # noqa: S101 - as above
        volts = 1e-3 * signal * item.burden.value
    else:
        volts = signal
    return np.asarray(volts * item.amplifier_gain.value / item.volt_per_count.value, dtype=np.float64)


def to_si(reading: NDArray[np.float64], calibration: Calibration) -> NDArray[np.float64]:
    """Convert a reading from the calibration's unit into SI; gauge stays gauge."""
    value = reading * calibration.scale
    if calibration.dimension == "temperature":
        value = value + TEMPERATURE_ZERO[calibration.reading_unit]
    return value


def from_si(value: NDArray[np.float64], calibration: Calibration) -> NDArray[np.float64]:
    """Invert :func:`to_si`."""
    if calibration.dimension == "temperature":
        value = value - TEMPERATURE_ZERO[calibration.reading_unit]
    return value / calibration.scale


def clipped(counts: NDArray[np.int64], rails: Rails) -> NDArray[np.bool_]:
    """Mark samples within one count of either rail."""
    return (counts <= rails.minimum + 1) | (counts >= rails.maximum - 1)


def open_wire(item: Input, signal: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark samples that only a broken or shorted wire can give."""
    if item.kind == "ratiometric":
        return (signal < OPEN_BELOW) | (signal > OPEN_ABOVE)
    if item.kind == "loop":
        return signal < OPEN_LOOP_MILLIAMPERE
    return np.zeros(signal.shape, dtype=np.bool_)


def readings(
    stand: Stand, calibrations: Mapping[str, Calibration], counts: Mapping[str, NDArray[np.int64]]
) -> dict[str, NDArray[np.float64]]:
    """Calibrate every tagged channel of one stream; supplies first, since others are scaled by them.

    Parameters
    ----------
    stand : Stand
        Maps tags to inputs.
    calibrations : mapping of tag to Calibration
        A tag without one is left out.
    counts : mapping of tag to (N,) array
        Raw counts of one stream, so that all arrays are of one length.

    Returns
    -------
    dict of tag to (N,) array
        Readings in SI.
    """
    found: dict[str, NDArray[np.float64]] = {}
    order = sorted(counts, key=lambda tag: stand.input_tagged(tag).measures != "supply voltage")
    for tag in order:
        if tag in calibrations:
            item, calibration = stand.input_tagged(tag), calibrations[tag]
            signal = signal_from_counts(item, counts[tag], supply_voltage(item, found))
            found[tag] = to_si(calibration.reading(signal), calibration)
    return found
