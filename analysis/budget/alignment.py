"""Thrust that does not lie in the cell's axis: the cell reads F cos(angle), so it only ever reads low.

An angle that is known as small is taken as half-normal: its scale is what an inclinometer leaves open. What it hides on
the mean is put back, and the rest is doubt. An angle that a check found is put back as found, with its own uncertainty.
"""

import math
from dataclasses import dataclass

from standbook.analysis.results.quantities import Measured
from standbook.daq.config.stand_interaction import StandInteraction

LEAST_ANGLE = math.radians(0.5)  # scale below which nobody knows thrust against cell; judgement
DOF = 8.0  # of an angle that is judged to a quarter. Source: [GUM] G.3


@dataclass(frozen=True, slots=True)
class Misalignment:
    """What the angle hides of every force. [-]."""

    mean: float  # share that is put back
    u: float
    claimed: float | None = None  # angle that was typed, where it is below the least [rad]


def misalignment(path: StandInteraction, found: Measured | None = None) -> Misalignment:
    r"""Return what to put back for the angle of a load path, and what that leaves open.

    Parameters
    ----------
    path : StandInteraction
        Of the cell's calibration, with the angle as typed.
    found : Measured, optional
        Share of the force that the angle hides, :math:`1 - \cos\theta`, by a check before the run. [-]

    Notes
    -----
    Of a half-normal angle of scale s, :math:`1/\cos\theta - 1 \approx \theta^2/2` has the mean s²/2 and the standard
    deviation :math:`\sqrt 2` times that. A reference cell in the thrust line pulls through the same angle, so that
    the factor of a pull holds it.
    """
    if path.pull:
        return Misalignment(0.0, 0.0)
    if found is not None:
        least = math.sqrt(2.0) * LEAST_ANGLE**2 / 2.0
        return Misalignment(found.value / (1.0 - found.value), max(found.u, least))
    typed = path.angle.value if path.angle is not None else math.sqrt(math.sqrt(2.0) * path.alignment.value)
    scale = max(typed, LEAST_ANGLE)
    mean = scale**2 / 2.0
    return Misalignment(mean, math.sqrt(2.0) * mean, typed if 0.0 < typed < LEAST_ANGLE else None)
