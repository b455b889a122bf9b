"""Represent numbers that another program printed as whole counts of a stated resolution.

So a printed ``12.345`` is 12345 counts of 0.001, exact and comparable like any converter's counts, and one kind of
samples file serves recorded and imported runs. What the printed number means is the calibration's business.
"""

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Input
from standbook.daq.quantity import Quantity

MOST_DECIMALS = 12
EXACT_BELOW = 2.0**53  # whole numbers that doubles hold
_SLACK = 4.0 * np.finfo(np.float64).eps  # relative: what reading a decimal and scaling it by a power of ten leave


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """A printed column, as whole counts of its resolution."""

    counts: NDArray[np.int64]
    resolution: float  # value of one count

    @property
    def step(self) -> Fraction:
        """Value of one count, exactly: a power of ten."""
        return Fraction(10) ** round(math.log10(self.resolution))


def counted(values: NDArray[np.float64]) -> Counted:
    """Find the coarsest power of ten in which all values are whole, and express them in counts of it.

    Parameters
    ----------
    values : (N,) array
        Finite numbers.

    Notes
    -----
    Numbers with more digits than ``MOST_DECIMALS``, or than doubles carry, are counted in steps of 1e-12 of the
    greatest magnitude: a loss below any instrument's.
    """
    greatest = float(np.max(np.abs(values), initial=0.0))
    for decimals in range(MOST_DECIMALS + 1):
        scaled = values * 10.0**decimals
        if greatest * 10.0**decimals >= EXACT_BELOW:
            break
        whole = np.rint(scaled)
        if np.all(np.abs(scaled - whole) <= _SLACK * np.abs(scaled)):
            return Counted(whole.astype(np.int64), 10.0**-decimals)
    resolution = float(10.0 ** (np.floor(np.log10(greatest)) - MOST_DECIMALS))
    return Counted(np.rint(values / resolution).astype(np.int64), resolution)


def printed(counts: NDArray[np.int64], resolution: float) -> NDArray[np.float64]:
    """Convert counts back to numbers, to the digit in which they were printed."""
    if resolution == 1.0:
        return counts.astype(np.float64)
    if resolution > 1.0:
        return counts.astype(np.float64) * resolution
    # Dividing by a whole power of ten is rounded once, so 3090 counts of 0.01 are the double that "30.9" reads as.
    return counts.astype(np.float64) / float(round(1.0 / resolution))


def input_of_counts(item: Input, resolution: float) -> Input:
    """Adapt a stand's input to counts of a resolution: its volts per count."""
    if resolution == 1.0 or item.volt_per_count is None:
        return item
    volt = item.volt_per_count
    scaled = Quantity(
        value=volt.value * resolution,
        u=volt.u * resolution,
        dimension=volt.dimension,
        reference=volt.reference,
        text=volt.text,
    )
    return item.model_copy(update={"volt_per_count": scaled})


def calibration_of_counts(calibration: Calibration, item: Input, resolution: float) -> Calibration:
    """Adapt a calibration of printed numbers to counts of a resolution; the reading is the same."""
    if resolution == 1.0 or item.sensor_kind.is_voltage:
        return calibration
    power = [resolution**k for k in range(len(calibration.coefficients))]
    return calibration.model_copy(
        update={
            "pivot": calibration.pivot / resolution,
            "coefficients": tuple(c * p for c, p in zip(calibration.coefficients, power, strict=True)),
            "covariance": tuple(
                tuple(v * p * q for v, q in zip(row, power, strict=True))
                for row, p in zip(calibration.covariance, power, strict=True)
            ),
            "points": tuple((signal / resolution, reading, way) for signal, reading, way in calibration.points),
        }
    )
