"""Terms of a sensor as people quote them, in the unit of the reading: for purchase and comparison, never used as u.

The uncertainty of a reading is in ``reading_u``.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from standbook.analysis.calibration.level_fit import LevelFit, Levels
from standbook.daq.arrays import Array

LIMIT_FACTOR = 2.4  # of the residual deviation: lower limit factor of ASTM E74, confirmed
CLASS_A, CLASS_AA = 400.0, 2000.0  # first force of a class in lower limit factors, ASTM E74, confirmed


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTerms:
    """What a sheet shows of a sensor. [unit of the reading]; ``None`` where the sheet cannot tell."""

    non_linearity: float  # greatest departure of the mean way up from its least-squares line
    non_linearity_terminal: float  # the same from the line through its ends
    non_linearity_best: float  # the same from the line that makes it least
    hysteresis: float  # greatest difference of up and down at one level of one run
    repeatability: float | None  # greatest difference of one level and way between runs
    static_error_band: float  # greatest departure of any reading from the least-squares line through all
    zero_return: float | None  # greatest change of zero over one run
    lower_limit_factor: float  # 2.4 residual deviations; covers a further single reading, without the reference

    @property
    def class_a_from(self) -> float:
        """First force of class A."""
        return CLASS_A * self.lower_limit_factor

    @property
    def class_aa_from(self) -> float:
        """First force of class AA."""
        return CLASS_AA * self.lower_limit_factor


def sensor_terms(levels: Levels, fit: LevelFit) -> SensorTerms:
    """Work out the terms of a sheet; non-linearity departs from lines through the mean way up."""
    signal, reading = _mean_up(levels)
    return SensorTerms(
        non_linearity=_greatest(_least_squares(signal, reading)),
        non_linearity_terminal=_greatest(_terminal(signal, reading)),
        non_linearity_best=best_line_departure(signal, reading),
        hysteresis=_hysteresis(levels, fit.residual),
        repeatability=_repeatability(levels, fit.residual),
        static_error_band=_greatest(_least_squares(levels.signal, levels.reading)),
        zero_return=_zero_return(levels, float(fit.coefficients[1])),
        lower_limit_factor=LIMIT_FACTOR * fit.residual_sd,
    )


def loop_width(levels: Levels, residual: Array) -> float:
    """Return the width of a loop of shape 4 x (1 - x) that fits the differences of both ways best."""
    level, low = levels.level, float(levels.reading.min())
    shape, width = [], []
    for number in np.unique(level):
        at = level == number
        up, down = residual[at & levels.up], residual[at & ~levels.up]
        if up.size and down.size:
            x = (float(np.mean(levels.reading[at])) - low) / levels.span
            shape.append(4.0 * x * (1.0 - x))
            width.append(float(down.mean() - up.mean()))
    squares = float(np.dot(shape, shape)) if shape else 0.0
    return abs(float(np.dot(shape, width)) / squares) if squares > 0.0 else 0.0


def best_line_departure(signal: Array, reading: Array) -> float:
    """Return the least that the greatest departure from a straight line can be.

    Notes
    -----
    The best line is parallel to a chord of two of the points, so that all chords can be tried.
    """
    least = np.inf
    for one, other in combinations(range(signal.size), 2):
        if signal[one] != signal[other]:
            slope = (reading[other] - reading[one]) / (signal[other] - signal[one])
            least = min(least, 0.5 * float(np.ptp(reading - slope * signal)))
    return least


def _mean_up(levels: Levels) -> tuple[Array, Array]:
    level = levels.level
    groups = [levels.up & (level == number) for number in np.unique(level)]
    kept = [group for group in groups if group.any()]
    signal, reading = (np.array([float(np.mean(of[g])) for g in kept]) for of in (levels.signal, levels.reading))
    return signal, reading


def _least_squares(signal: Array, reading: Array) -> Array:
    x, y = signal - signal.mean(), reading - reading.mean()
    return np.asarray(y - x * (x @ y) / (x @ x), dtype=np.float64)


def _terminal(signal: Array, reading: Array) -> Array:
    first, last = int(np.argmin(reading)), int(np.argmax(reading))
    slope = (reading[last] - reading[first]) / (signal[last] - signal[first])
    return np.asarray(reading - reading[first] - slope * (signal - signal[first]), dtype=np.float64)


def _greatest(departure: Array) -> float:
    return float(np.max(np.abs(departure)))


def _hysteresis(levels: Levels, residual: Array) -> float:
    cell = levels.run * (levels.level.max() + 1.0) + levels.level
    greatest = 0.0
    for number in np.unique(cell):
        up, down = (residual[(cell == number) & way] for way in (levels.up, ~levels.up))
        if up.size and down.size:
            greatest = max(greatest, abs(float(up.mean() - down.mean())))
    return greatest


def _repeatability(levels: Levels, residual: Array) -> float | None:
    if levels.runs < 2:
        return None
    cell = 2.0 * levels.level + levels.up
    greatest = 0.0
    for number in np.unique(cell):
        at = cell == number
        means = [float(np.mean(residual[at & (levels.run == run)])) for run in np.unique(levels.run[at])]
        greatest = max(greatest, float(np.ptp(means)))
    return greatest


def _zero_return(levels: Levels, slope: float) -> float | None:
    found = []
    for run in range(levels.runs):
        zeros = levels.signal[levels.zero & (levels.run == run)]
        if zeros.size > 1:
            found.append(slope * float(zeros[-1] - zeros[0]))
    return max(found, key=abs) if found else None
