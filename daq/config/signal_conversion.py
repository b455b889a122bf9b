"""Convert counts to calibrated readings, and mark counts that are clipped or come from a broken wire.

A signal is in the signal unit of the sensor's kind, which is the calibration's; a reading is SI, its pressure
reference that of the calibration.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.sensor_kinds import Volts
from standbook.daq.config.stand import Input
from standbook.daq.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Rails:
    """Lowest and highest count that a wire channel can send."""

    minimum: int
    maximum: int


def check_signal(item: Input, calibration: Calibration) -> None:
    """Refuse a calibration made for another kind of signal, another measurand or another sensor.

    Raises
    ------
    ConfigError
        Signal unit, dimension of the reading or sensor serial differ.
    """
    expected = item.sensor_kind.signal_unit
    if calibration.signal_unit != expected:
        raise ConfigError(
            f"{item.tag}: a {item.kind} input gives {expected}, but calibration {calibration.name} "
            f"takes {calibration.signal_unit}; correct the stand or the calibration"
        )
    curve = calibration.characteristic
    if curve is not None and item.nominal is not None and curve.nominal.value != item.nominal.value:
        raise ConfigError(
            f"{item.tag}: the stand has a thermometer of {item.nominal.text}, but calibration {calibration.name} is of "
            f"{curve.nominal.text}; correct the one that the sensor is not"
        )
    if item.measurand.dimensions and calibration.dimension not in item.measurand.dimensions:
        raise ConfigError(
            f"{item.tag}: the stand has it measure {item.measures}, but calibration {calibration.name} reads "
            f"{calibration.reading_unit}; correct the stand or the calibration"
        )
    if item.sensor_serial and item.sensor_serial != calibration.sensor_serial:
        raise ConfigError(
            f"{item.tag}: the stand has sensor {item.sensor_serial}, calibration {calibration.name} is of "
            f"{calibration.sensor_serial}; name the calibration of the sensor that is mounted"
        )


def signal_from_counts(
    item: Input, counts: NDArray[np.int64] | NDArray[np.float64], supply: Volts
) -> NDArray[np.float64]:
    """Convert counts to the signal that the calibration takes; ``supply`` of sensor or bridge, (N,) or one [V]."""
    return item.sensor_kind.signal(item, counts, supply)


def counts_from_signal(item: Input, signal: NDArray[np.float64], supply: Volts) -> NDArray[np.float64]:
    """Invert :func:`signal_from_counts`; not rounded, not limited to the rails."""
    return item.sensor_kind.counts(item, signal, supply)


def clipped(counts: NDArray[np.int64], rails: Rails) -> NDArray[np.bool_]:
    """Mark samples within one count of either rail."""
    return (counts <= rails.minimum + 1) | (counts >= rails.maximum - 1)


def open_wire(item: Input, signal: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark samples that only a broken or shorted wire can give."""
    return item.sensor_kind.broken(item, signal)
