"""What a standard is off by smoothly from level to level: the same whenever it stood at a level, the same for all.

Levels and errors in one unit, that of the reading, from where the sensor reads zero.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.daq.arrays import Array

PARTS = 3


@dataclass(frozen=True, slots=True)
class LevelError:
    """Standard uncertainty at every level, and how near two levels must lie to be off alike."""

    u: float
    near: float  # correlation length

    def parts(self, level: Array) -> Array:
        r"""Return three errors that are independent of each other, each one standard uncertainty high. (3, N).

        Notes
        -----
        Errors alike by :math:`e^{-d^2 / 2 l^2}` at a distance d are waves of normal wave number; three points of
        Gauss and Hermite stand for it: :math:`2/3 + 1/3 \cos(\sqrt 3\,d / l)`, within 0.01 up to 1.1 l and within
        0.06 up to 1.5 l. At any one level they combine to u. Derived.
        """
        turn = math.sqrt(3.0) * np.asarray(level, dtype=np.float64) / self.near
        steady, wave = self.u * math.sqrt(2.0 / 3.0), self.u / math.sqrt(3.0)
        return np.array([np.full_like(turn, steady), wave * np.cos(turn), wave * np.sin(turn)])
