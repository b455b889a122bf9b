"""Readings that lie beyond the levels that a sensor was calibrated at. SI, absolute pressures."""

import numpy as np

from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.daq.arrays import Array, Mask
from standbook.daq.config.calibration import Calibration

RINGS_OUT = 0.05  # s; a stand that rings about a level swings past it without being there


def beyond_levels(
    calibration: Calibration, time: Array, reading: Array, origin: float, *, share: float = 1.0
) -> Mask | None:
    """Mark readings whose mean lies beyond a share of the highest level; ``None`` where there are none, as mostly.

    ``origin`` is the pressure at which the sensor reads zero. [Pa]
    """
    low, high = (origin + calibration.scale * end for end in calibration.reach(share))
    if not ((reading < low) | (reading > high)).any():
        return None
    mean = running_mean(time, np.where(np.isfinite(reading), reading, origin), RINGS_OUT)
    marks = (mean < low) | (mean > high)
    return np.asarray(marks) if marks.any() else None
