"""Thrust that does not lie in the cell's axis: the cell reads F cos(angle), so it only ever reads low.

An angle that is known as small is taken as half-normal: its scale is what an inclinometer leaves open. What it hides on
the mean is put back, and the rest is doubt.
"""

import math
from dataclasses import dataclass

from standbook.daq.config.stand_interaction import StandInteraction

LEAST_ANGLE = math.radians(0.5)  # scale below which nobody knows thrust against cell; judgement
DOF = 8.0  # of an angle that is judged to a quarter. Source: [GUM] G.3


@dataclass(frozen=True, slots=True)
class Misalignment:
    """What the angle hides of every force. [-]."""

    mean: float  # share that is put back
    u: float
    claimed: float | None = None  # angle that was typed, where it is below the least [rad]


def misalignment(path: StandInteraction) -> Misalignment:
    r"""Return what to put back for the angle of a load path, and what that leaves open.

    Notes
    -----
    Of a half-normal angle of scale s, :math:`1/\cos\theta - 1 \approx \theta^2/2` has the mean s²/2 and the standard
    deviation :math:`\sqrt 2` times that. A reference cell in the thrust line pulls through the same angle, so that
    the factor of a pull holds it.
    """
    if path.pull:
        return Misalignment(0.0, 0.0)
    typed = path.angle.value if path.angle is not None else math.sqrt(math.sqrt(2.0) * path.alignment.value)
    scale = max(typed, LEAST_ANGLE)
    mean = scale**2 / 2.0
    return Misalignment(mean, math.sqrt(2.0) * mean, typed if 0.0 < typed < LEAST_ANGLE else None)
