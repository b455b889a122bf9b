"""Simulate the combustion chamber: filling, burning, emptying, and its thrust. SI, absolute pressures.

States are the masses of oxidiser, fuel and bystander gas (air at first, pressurant later) in the chamber.
Pressure follows from them and from the characteristic velocity at the mixture ratio that is in the chamber.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.simulation.gas import opening_flow
from standbook.analysis.simulation.world import EngineWorld

STATES = 3
RATIO = 1.2  # heat-capacity ratio of burned gas, a usual value for this mixture [-]
SHAPE = math.sqrt(RATIO) * (2.0 / (RATIO + 1.0)) ** ((RATIO + 1.0) / (2.0 * (RATIO - 1.0)))
# Far from the table mixtures burn poorly or not at all; no source, only that it must fall off.
_LEAN = ((4.0, 1250.0), (10.0, 800.0), (40.0, 420.0))  # mixture ratio, c* [m/s]
_RICH = ((0.0, 420.0), (0.3, 900.0))
UNBURNED_CSTAR = 280.0  # m/s
AIR_ENERGY = 287.05 * 290.0  # R T of what fills the chamber before [J/kg]
SEPARATED_COEFFICIENT = 1.24  # vacuum thrust coefficient of a throat alone, ratio 1.2 [-]


@dataclass(frozen=True, slots=True)
class ChamberState:
    """Quantities that follow directly from the chamber's states."""

    pressure: float  # absolute [Pa]
    outflow: float  # [kg/s]
    total: float  # mass inside [kg]


class Chamber:
    """Rates of change of the chamber's states."""

    __slots__ = ("_cstar", "_ratio", "ambient_pressure", "world")

    def __init__(self, world: EngineWorld, ambient_pressure: float) -> None:
        self.world = world
        self.ambient_pressure = ambient_pressure
        rich = [row for row in _RICH if row[0] < world.mixture_ratio[0] - 0.2]
        lean = [row for row in _LEAN if row[0] > world.mixture_ratio[-1] + 0.5]
        self._ratio = np.array([r for r, _ in rich] + list(world.mixture_ratio) + [r for r, _ in lean])
        self._cstar = np.array([c for _, c in rich] + list(world.ideal_cstar) + [c for _, c in lean])

    def start(self) -> list[float]:
        """Return the states of a chamber full of still air."""
        return [0.0, 0.0, self.ambient_pressure * self.world.volume / AIR_ENERGY]

    def state(self, y: Sequence[float], burning: float, bystander_energy: float) -> ChamberState:
        """Evaluate pressure and outflow.

        Parameters
        ----------
        y : (3,) sequence
            Oxidiser, fuel and bystander mass. [kg]
        burning : float
            Progress of ignition, 0 to 1.
        bystander_energy : float
            R T of the gas that does not burn. [J/kg]
        """
        w = self.world
        oxidiser, fuel, other = max(y[0], 0.0), max(y[1], 0.0), max(y[2], 0.0)
        reactants, total = oxidiser + fuel, oxidiser + fuel + other
        ratio = oxidiser / fuel if fuel > 1e-3 * oxidiser else 1e3
        ideal = float(np.interp(ratio, self._ratio, self._cstar))
        unburned = (SHAPE * UNBURNED_CSTAR) ** 2
        burned = (SHAPE * ideal * w.cstar_efficiency) ** 2
        energy = reactants * (unburned + burning * (burned - unburned)) + other * bystander_energy
        pressure = energy / w.volume
        # The efficiency's weak dependence on pressure, first order about its own result.
        pressure *= 1.0 + burning * 2.0 * w.pressure_exponent * math.log(max(pressure, 1e4) / w.reference_pressure)
        mean = max(pressure, 1.0) * w.volume / max(total, 1e-12)
        flow = opening_flow(w.throat_area, pressure, self.ambient_pressure, mean, RATIO)
        return ChamberState(pressure, flow, total)

    @staticmethod
    def rates(y: Sequence[float], state: ChamberState, flows: tuple[float, float, float]) -> list[float]:
        """Compute the time derivatives: inflow less each component's share of the outflow."""
        share = state.outflow / max(state.total, 1e-12)
        return [flow - share * mass for flow, mass in zip(flows, y, strict=True)]

    def cstar(self, mixture_ratio: float, pressure: float) -> float:
        """Compute the characteristic velocity delivered in a steady state. [m/s]."""
        w = self.world
        ideal = float(np.interp(mixture_ratio, self._ratio, self._cstar))
        return float(ideal * w.cstar_efficiency * (pressure / w.reference_pressure) ** w.pressure_exponent)


def thrust(world: EngineWorld, chamber_pressure: NDArray[np.float64], ambient: float) -> NDArray[np.float64]:
    """Compute the thrust at an ambient pressure. [N].

    Parameters
    ----------
    world : EngineWorld
        Throat, expansion, thrust coefficient.
    chamber_pressure : (N,) array
        Absolute. [Pa]
    ambient : float
        Absolute. [Pa]

    Notes
    -----
    ``F = At (Cf Pc - epsilon Pa)`` while the nozzle flows full; when the chamber is too weak for that the
    flow leaves the wall and the throat alone counts. Source: [Sutton] ch. 3.
    """
    full = world.thrust_coefficient * chamber_pressure - world.expansion_ratio * ambient
    separated = SEPARATED_COEFFICIENT * (chamber_pressure - ambient)
    return world.throat_area * np.maximum(np.maximum(full, separated), 0.0)


def vacuum_thrust(world: EngineWorld, chamber_pressure: NDArray[np.float64], ambient: float) -> NDArray[np.float64]:
    """Compute the thrust of the same chamber pressure in vacuum; zero before and after burning. [N]."""
    burning = chamber_pressure > 1.5 * ambient
    return np.where(burning, world.thrust_coefficient * world.throat_area * chamber_pressure, 0.0)
