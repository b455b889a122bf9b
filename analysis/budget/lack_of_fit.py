"""How a calibration's polynomial misses the levels that it was fitted to. Signals and readings in the file's units.

Scatter of the points is averaged by many of them; a bend of the sensor that no coefficient follows is not.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri

from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration, fit_polynomial
from standbook.daq.errors import DataError

SAME_LEVEL = 0.01  # of the range of the points; repeats of one level lie closer together
TESTED_AT = 0.05  # share of straight sensors that are called bent


@dataclass(frozen=True, slots=True, eq=False)
class Misfit:
    """Mean residual at each calibrated level. [reading_unit]."""

    level: Array  # (K,) rising
    residual: Array  # (K,) reading less polynomial
    dof: float  # levels beyond the coefficients

    @property
    def greatest(self) -> float:
        """Greatest residual of a level, without its sign."""
        return float(np.max(np.abs(self.residual)))

    def at(self, reading: Array) -> Array:
        """Return the residual at readings: linear between levels, constant beyond them. (N,)."""
        return np.interp(reading, self.level, self.residual)


@dataclass(frozen=True, slots=True)
class Bend:
    """Whether one degree more is worth its coefficient."""

    ratio: float  # F: what it takes off the squared residuals, over what is left for each degree of freedom
    needed: float  # that a straight sensor exceeds in ``TESTED_AT`` of all calibrations

    @property
    def shown(self) -> bool:
        """Tell whether the points ask for it."""
        return self.ratio > self.needed


def misfit_of(calibration: Calibration) -> Misfit | None:
    """Return the misfit of a calibration; ``None`` where as many coefficients as levels leave none to see."""
    if not calibration.points:
        return None
    signal, reading = _points(calibration)
    order = np.argsort(reading, kind="stable")
    breaks = np.flatnonzero(np.diff(reading[order]) > SAME_LEVEL * float(np.ptp(reading))) + 1
    groups = np.split(order, breaks)
    dof = len(groups) - len(calibration.coefficients)
    if dof < 1:
        return None
    residual = reading - calibration.reading(signal)
    level, missed = (np.array([float(np.mean(of[g])) for g in groups]) for of in (reading, residual))
    return Misfit(level, missed, float(dof))


def bend_of(calibration: Calibration) -> Bend | None:
    """Test one degree more than a calibration has; ``None`` where its points cannot carry it."""
    degree = len(calibration.coefficients)
    signal, reading = _points(calibration)
    try:
        more = fit_polynomial(signal, reading, degree, calibration.pivot)
    except DataError:
        return None
    left = more.residual_sd**2 * more.degrees_of_freedom
    before = float(np.sum((reading - calibration.reading(signal)) ** 2))
    per_freedom = left / more.degrees_of_freedom
    ratio = max(before - left, 0.0) / per_freedom if per_freedom > 0.0 else 0.0
    return Bend(ratio, float(fdtri(1.0, more.degrees_of_freedom, 1.0 - TESTED_AT)))


def _points(calibration: Calibration) -> tuple[Array, Array]:
    signal, reading = (np.array([p[k] for p in calibration.points], dtype=np.float64) for k in (0, 1))
    return signal, reading
