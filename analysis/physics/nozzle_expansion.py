"""Expansion of combustion gas in a nozzle that flows full: Mach number and pressure at the exit.

One heat capacity ratio, isentropic, one-dimensional.
"""

from scipy.optimize import brentq

from standbook.analysis.physics.finite_chamber import HEAT_CAPACITY_RATIO

FASTEST = 20.0  # Mach number; no nozzle of a chamber comes near it


def exit_mach(expansion_ratio: float, gamma: float = HEAT_CAPACITY_RATIO) -> float:
    """Compute the Mach number where the area is ``expansion_ratio`` times the throat's, beyond it.

    Raises
    ------
    ValueError
        The ratio is below 1.

    Notes
    -----
    A/A* = (1/M) [2/(g+1) (1 + (g-1)/2 M^2)]^((g+1)/(2(g-1))). Source: [Sutton] ch. 3.
    """
    if expansion_ratio < 1.0:
        raise ValueError(f"an exit of {expansion_ratio:g} times the throat is no nozzle")
    power = (gamma + 1.0) / (2.0 * (gamma - 1.0))

    def excess(mach: float) -> float:
        inner = 2.0 / (gamma + 1.0) * (1.0 + (gamma - 1.0) / 2.0 * mach**2)
        return float(inner**power / mach - expansion_ratio)

    return 1.0 if excess(1.0) >= 0.0 else float(brentq(excess, 1.0, FASTEST, xtol=1e-12))


def exit_over_chamber(expansion_ratio: float, gamma: float = HEAT_CAPACITY_RATIO) -> float:
    """Compute the pressure at the exit over the chamber's total pressure. [-]. Source: [Sutton] ch. 3."""
    mach = exit_mach(expansion_ratio, gamma)
    return float((1.0 + (gamma - 1.0) / 2.0 * mach**2) ** (-gamma / (gamma - 1.0)))
