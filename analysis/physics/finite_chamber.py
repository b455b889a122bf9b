"""What a chamber of finite width and a hot throat do to pressure and area: static for total pressure, growth.

SI. Combustion gas with one heat capacity ratio; heat is added at constant area and without friction.
"""

import math

from scipy.optimize import brentq

HEAT_CAPACITY_RATIO = 1.2  # of combustion gas; from 1.15 to 1.25 the corrections below change by a twentieth


def subsonic_mach(area_ratio: float, gamma: float = HEAT_CAPACITY_RATIO) -> float:
    """Compute the Mach number of subsonic flow where the area is ``area_ratio`` times the throat's.

    Raises
    ------
    ValueError
        The ratio is not above 1.

    Notes
    -----
    A/A* = (1/M) [2/(g+1) (1 + (g-1)/2 M^2)]^((g+1)/(2(g-1))). Source: [Sutton] ch. 3.
    """
    if area_ratio <= 1.0:
        raise ValueError(f"an area {area_ratio:g} times the throat's is no chamber")
    power = (gamma + 1.0) / (2.0 * (gamma - 1.0))

    def excess(mach: float) -> float:
        inner = 2.0 / (gamma + 1.0) * (1.0 + (gamma - 1.0) / 2.0 * mach**2)
        return float(inner**power / mach - area_ratio)

    return float(brentq(excess, 1e-6, 1.0, xtol=1e-12))


def end_over_total(contraction_ratio: float, gamma: float = HEAT_CAPACITY_RATIO) -> float:
    """Compute static over total pressure where the chamber ends and the nozzle begins. Source: [Sutton] ch. 3."""
    mach = subsonic_mach(contraction_ratio, gamma)
    return float((1.0 + (gamma - 1.0) / 2.0 * mach**2) ** (-gamma / (gamma - 1.0)))


def face_over_total(contraction_ratio: float, gamma: float = HEAT_CAPACITY_RATIO) -> float:
    """Compute the pressure at the injector face over the total pressure where the chamber ends.

    Notes
    -----
    The momentum of gas that is set in motion by burning: face over static pressure is 1 + g M^2. Derived.
    """
    mach = subsonic_mach(contraction_ratio, gamma)
    return end_over_total(contraction_ratio, gamma) * (1.0 + gamma * mach**2)


def hot_area_growth(expansion: float, warming: float) -> float:
    """Compute by what share a throat's area grows: linear expansion [1/K] times mean warming [K], both ways. [-]."""
    return math.expm1(2.0 * math.log1p(expansion * warming))
