"""Simulate one tank: real gas above a liquid, exchanging heat with wall and liquid surface. SI, absolute pressures.

States are liquid mass, gas mass, gas temperature and the temperature of the dry wall; internal energy follows
from the property library, so the energy balance closes to the solver's tolerance. Condensation, solubility
and stratification are left out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from standbook.analysis.simulation.gas import RealGas, opening_flow, real_gas
from standbook.analysis.simulation.world import TankWorld

WALL_CONSTANT = 0.13  # Nu = C Ra^(1/3), vertical wall [McA54], from memory
SURFACE_CONSTANT = 0.14  # the same for a horizontal surface, from memory
ALUMINIUM_DENSITY = 2700.0  # kg/m³
# Specific heat of aluminium [J/(kg K)] at these temperatures [K]; from memory
_ALUMINIUM_T = (50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 400.0)
_ALUMINIUM_C = (142.0, 481.0, 684.0, 797.0, 859.0, 902.0, 949.0)
STATES = 5  # of one tank: liquid mass, gas mass, gas temperature, wall temperature, heat taken up by the gas
TANGENT_HEAD = 1.0  # Pa; the root law of flow turns into a line below this head, so that its slope stays finite


@dataclass(frozen=True, slots=True, kw_only=True)
class TankState:
    """Quantities that follow directly from a tank's states."""

    pressure: float  # of the gas, absolute [Pa]
    gas_density: float  # [kg/m³]
    gas_volume: float  # [m³]
    pressure_slope: float  # dp/dT at constant density [Pa/K]
    heat_capacity: float  # m cv of the gas [J/K]
    outlet_pressure: float  # at the tank outlet, with the liquid's head, absolute [Pa]


class Tank:
    """Rates of change of one tank's states."""

    __slots__ = ("_enthalpy", "gas", "world")

    def __init__(self, world: TankWorld) -> None:
        self.world = world
        self.gas: RealGas = real_gas(world.gas)
        self._enthalpy = math.nan  # of the supply, once it is asked for; a throttle keeps it

    def gas_mass_at(self, pressure: float) -> float:
        """Return the gas mass that fills the ullage above the load at the starting temperature. [kg]."""
        w = self.world
        volume = w.volume - w.load / w.liquid_density
        return self.gas.density(pressure, w.gas_temperature) * volume

    def leak(self, state: TankState, temperature: float, ambient: float) -> float:
        """Compute the gas mass flow from the ullage to the air. [kg/s]."""
        energy = self.gas.specific_constant * temperature
        return opening_flow(self.world.leak_area, state.pressure, ambient, energy, self.gas.heat_capacity_ratio)

    def supply(self, state: TankState, ambient_temperature: float) -> tuple[float, float]:
        """Compute the gas mass flow [kg/s] of a supply that was left open, and its specific enthalpy [J/kg]."""
        w = self.world
        if w.supply_area <= 0.0 or state.pressure >= w.supply_pressure:
            return 0.0, 0.0
        energy = self.gas.specific_constant * ambient_temperature
        flow = opening_flow(w.supply_area, w.supply_pressure, state.pressure, energy, self.gas.heat_capacity_ratio)
        return flow, self._supply_enthalpy(ambient_temperature)

    def _supply_enthalpy(self, temperature: float) -> float:
        if math.isnan(self._enthalpy):
            density = self.gas.density(self.world.supply_pressure, temperature)
            self._enthalpy = self.gas.enthalpy(density, temperature)
        return self._enthalpy

    def start(self, gas_mass: float) -> list[float]:
        """Return the states when the hold begins."""
        return [self.world.load, gas_mass, self.world.gas_temperature, self.world.wall_temperature, 0.0]

    def state(self, y: Sequence[float], gravity: float) -> TankState:
        """Evaluate the gas and the pressure at the outlet."""
        w = self.world
        volume = w.volume - y[0] / w.liquid_density
        density = y[1] / volume
        pressure, cv, slope = self.gas.pressure_terms(density, y[2])
        head = gravity * (w.liquid_density * w.outlet_head + y[0] / w.section) if y[0] > w.residual else 0.0
        return TankState(
            pressure=pressure,
            gas_density=density,
            gas_volume=volume,
            pressure_slope=slope,
            heat_capacity=y[1] * cv,
            outlet_pressure=pressure + head,
        )

    def rates(
        self,
        y: Sequence[float],
        state: TankState,
        liquid_out: float,
        gas_out: float,
        gas_in: float = 0.0,
        enthalpy_in: float = 0.0,
    ) -> list[float]:
        r"""Compute the time derivatives of the states.

        Parameters
        ----------
        y : (5,) sequence
            States of this tank.
        state : TankState
            As :meth:`state` gives for them.
        liquid_out, gas_out : float
            Mass flows that leave. [kg/s]
        gas_in, enthalpy_in : float
            Mass flow of gas that enters [kg/s] and its specific enthalpy [J/kg].

        Notes
        -----
        Energy of the open gas volume, :math:`d(mu) = \dot Q\,dt - p\,dV - h\,\dot m_{out}\,dt`, written in
        temperature: :math:`m c_v \dot T = \dot Q - T (\partial p/\partial T)_\rho (\dot V + \dot m_{out}/\rho)`.
        Gas that enters counts as leaving backwards, and brings :math:`\dot m_{in} (h_{in} - h)` of heat.
        Wall that emerges as the liquid sinks brings the liquid's temperature with it.
        """
        w = self.world
        volume_rate = liquid_out / w.liquid_density
        temperature, wall = y[2], y[3]
        length = state.gas_volume / w.section
        wall_area = math.pi * w.diameter * length + w.section
        to_gas_wall = (
            w.heat_factor * WALL_CONSTANT * self.gas.free_convection(state.gas_density, temperature, wall)
        ) * (wall_area * (wall - temperature))
        to_gas_liquid = (
            w.heat_factor
            * SURFACE_CONSTANT
            * self.gas.free_convection(state.gas_density, temperature, w.liquid_temperature)
        ) * (w.section * (w.liquid_temperature - temperature))
        heat = to_gas_wall + to_gas_liquid
        brought = gas_in * (enthalpy_in - self.gas.enthalpy(state.gas_density, temperature)) if gas_in > 0.0 else 0.0
        gas_lost = gas_out - gas_in
        temperature_rate = (
            heat + brought - temperature * state.pressure_slope * (volume_rate + gas_lost / state.gas_density)
        ) / state.heat_capacity
        metal = ALUMINIUM_DENSITY * w.wall_thickness
        emerging = metal * math.pi * w.diameter * volume_rate / w.section
        specific_heat = float(np.interp(wall, _ALUMINIUM_T, _ALUMINIUM_C))
        wall_rate = (-to_gas_wall / specific_heat + emerging * (w.liquid_temperature - wall)) / (metal * wall_area)
        return [-liquid_out, -gas_lost, temperature_rate, wall_rate, heat]

    def outflow(
        self,
        y: Sequence[float],
        state: TankState,
        downstream: float,
        opening: float,
        reserve: float,
    ) -> tuple[float, float]:
        """Compute liquid and gas mass flow through the feed system. [kg/s].

        Parameters
        ----------
        y, state
            States of this tank and what follows from them.
        downstream : float
            Absolute pressure after the injector. [Pa]
        opening : float
            Of the valve, 0 to 1.
        reserve : float
            Liquid above the residual from which on gas is drawn in with it; 0 before that begins. [kg]

        Notes
        -----
        While the outlet uncovers, the share of the opening that still carries liquid is what is left of the
        reserve, so liquid fades with a time constant and the gas takes its place.
        """
        w = self.world
        if opening <= 0.0:
            return 0.0, 0.0
        share = min(1.0, max(0.0, y[0] - w.residual) / reserve) if reserve > 0.0 else 1.0
        liquid = share * opening * w.cda * liquid_flux(w.liquid_density, state.outlet_pressure - downstream)
        if share == 1.0:
            return liquid, 0.0
        energy = self.gas.specific_constant * y[2]
        gas = opening_flow(
            (1.0 - share) * opening * w.cda, state.pressure, downstream, energy, self.gas.heat_capacity_ratio
        )
        return liquid, gas


def liquid_flux(density: float, head: float) -> float:
    """Compute the liquid mass flow per CdA under a pressure difference; no reverse flow. [kg/(m² s)]."""
    if head <= 0.0:
        return 0.0
    return math.sqrt(2.0 * density) * head / math.sqrt(head + TANGENT_HEAD)
