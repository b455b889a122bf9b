"""A stand between thrust and load cell: modes, weight that leaves, hoses, shunting, hysteresis, creep. [N]."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.worlds.noise import lagged
from tests.worlds.tank import GRAVITY

SIGNS = {"down": -1.0, "up": 1.0, "horizontal": 0.0}
"""What a kilogram aboard adds to the cell's reading: with the nozzle down thrust lifts what weight presses."""


@dataclass(frozen=True, slots=True)
class StandLaw:
    """One stand as it truly is."""

    nozzle: str
    dry_mass: float  # on the cell [kg]
    modes: tuple[float, float]  # with full tanks [Hz]
    damping: float
    second: float  # share of the second mode
    factor: float  # true force over cell force, at half of the greatest line pressure
    shunting: float  # change of the factor from no to the greatest line pressure
    line_load: float  # [N/Pa]
    hysteresis: float  # share of the greatest force
    creep: float  # share of the force, after long
    creep_time: float  # [s]


def resonant(force, step, frequency, damping):
    """Return the force through one mode of unit static gain, by the trapezoidal rule. (N,)."""
    k = 2.0 / step
    w = 2.0 * np.pi * frequency
    a = np.array([k * k + 2.0 * damping * w * k + w * w, 2.0 * (w * w - k * k), k * k - 2.0 * damping * w * k + w * w])
    b = w * w * np.array([1.0, 2.0, 1.0])
    return force[0] + lfilter(b / a[0], a / a[0], force - force[0])


def cell_force(law, step, thrust, aboard, line):
    """Return the force at the cell of even thrust [N], liquid aboard [kg], line pressure [Pa gauge]. (N,)."""
    sign = SIGNS[law.nozzle]
    true = thrust + sign * GRAVITY * (aboard + law.dry_mass)
    shaken = (1.0 - law.second) * resonant(true, step, law.modes[0], law.damping)
    shaken = shaken + law.second * resonant(true, step, law.modes[1], law.damping)
    share = line / max(float(line.max()), 1.0)
    seen = shaken / (law.factor * (1.0 + law.shunting * (share - 0.5))) + law.line_load * line
    loaded = seen - seen[0]
    peak = np.maximum.accumulate(np.abs(loaded))
    seen = seen + law.hysteresis * np.abs(loaded).max() * np.where(
        peak > 0.0, 1.0 - np.abs(loaded) / (peak + 1e-9), 0.0
    )
    return seen + law.creep * (lagged(loaded, step, law.creep_time))
