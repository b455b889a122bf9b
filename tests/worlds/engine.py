"""A chamber that two tanks feed: characteristic velocity, filling, thrust. SI, absolute pressures.

Ideal characteristic velocities are those of the starter campaign's plan for liquid oxygen and 70 % isopropanol.
"""

import bisect
from dataclasses import dataclass

RATIOS = (0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 2.0)
IDEAL = (1493.6, 1554.2, 1600.6, 1633.2, 1650.3, 1652.9, 1646.9, 1636.8, 1624.9, 1612.2, 1586.4)  # [m/s]
UNBURNT = 130.0  # characteristic velocity of a liquid that finds no partner: judgement [m/s]
FADES_OVER = 3.0  # times beyond the table's ends at which nothing burns: judgement
ATTACHED = 1.05  # thrust coefficient of a nozzle whose flow has left the wall, about


def ideal_cstar(ratio):
    """Return the ideal characteristic velocity at a mixture ratio; beyond the table it fades. [m/s]."""
    if ratio <= RATIOS[0]:
        low = RATIOS[0] / FADES_OVER
        return UNBURNT + (IDEAL[0] - UNBURNT) * min(max((ratio - low) / (RATIOS[0] - low), 0.0), 1.0)
    if ratio >= RATIOS[-1]:
        high = RATIOS[-1] * FADES_OVER
        return UNBURNT + (IDEAL[-1] - UNBURNT) * min(max((high - ratio) / (high - RATIOS[-1]), 0.0), 1.0)
    k = bisect.bisect_right(RATIOS, ratio) - 1
    share = (ratio - RATIOS[k]) / (RATIOS[k + 1] - RATIOS[k])
    return IDEAL[k] + share * (IDEAL[k + 1] - IDEAL[k])


@dataclass(frozen=True, slots=True)
class Chamber:
    """Where a chamber's pressure is taken, how wide it is, how much its throat grows when hot, what the crew noted."""

    width: float  # its area over the throat's
    tap: str  # "injector face" | "before the nozzle"
    growth: float  # of the throat's area, in a burn
    noted: bool  # the crew wrote down width, tap and what the throat is made of, which is copper

    def shares(self):
        """Return face and static pressure over the total pressure of gas that has burnt, g = 1.2, by fixed point."""
        g, mach = 1.2, 0.1
        for _ in range(60):
            mach = (1.0 + 0.5 * (g - 1.0) * mach**2) ** 5.5 * (2.0 / (g + 1.0)) ** 5.5 / self.width
        static = (1.0 + 0.5 * (g - 1.0) * mach**2) ** -6.0
        return static * (1.0 + g * mach**2), static


@dataclass(frozen=True, slots=True)
class Engine:
    """One chamber with its nozzle, as it truly is."""

    throat_area: float  # [m2]
    expansion: float  # exit area over throat area
    cstar_efficiency: float
    vacuum_coefficient: float  # ideal
    coefficient_efficiency: float
    fill_time: float  # of the chamber [s]
    ignition: float  # after both liquids flow [s]
    face: float = 1.0  # pressure at the injector over total pressure, while gas flows

    def cstar(self, oxidiser, fuel):
        """Return the characteristic velocity of two liquid flows that burn. [m/s]."""
        if fuel <= 0.0 or oxidiser <= 0.0:
            return UNBURNT
        return self.cstar_efficiency * ideal_cstar(oxidiser / fuel)

    def behind_injector(self, chamber, ambient):
        """Return what the liquids discharge against; gas that stands still has one pressure. [Pa]."""
        return chamber * (1.0 + (self.face - 1.0) * min(max(chamber / ambient - 1.0, 0.0), 1.0))

    def thrust(self, chamber, ambient):
        """Return the thrust; the flow leaves the nozzle's wall where that gives more. [N]."""
        full = self.coefficient_efficiency * self.vacuum_coefficient * chamber - self.expansion * ambient
        return self.throat_area * max(full, ATTACHED * (chamber - ambient), 0.0)
