"""One tank that blows down: its rates of change. SI, absolute pressures; the state is a tuple of six numbers.

State: liquid [kg], film of liquid on the wall [kg], gas [kg], gas temperature [K], temperature of the wall's surface
layer [K], mass that has come out as liquid [kg].
"""

import math
from dataclasses import dataclass

from tests.worlds.discharge import Knee
from tests.worlds.gas import Gas
from tests.worlds.valve import Valve

GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Heat:
    """How warm the wall makes the gas."""

    kind: str  # "none" | "lumped" | "layer"
    coefficient: float  # [W/m2/K], gas at rest
    stirring: float  # coefficient grows by so much at full flow [-]
    layer_capacity: float  # of the wall's surface that takes part [J/m2/K]
    layer_time: float  # in which the layer recovers from behind [s]


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank as it truly is."""

    name: str
    gas: Gas
    volume: float  # [m3]
    diameter: float  # [m]
    liquid_density: float  # [kg/m3]
    load: float  # film included [kg]
    residual: float  # below the outlet [kg]
    film: float  # on the wall, drips on after gas came [kg]
    film_time: float  # [s]
    outlet_below_floor: float  # [m]
    start_pressure: float  # when the record begins [Pa]
    gas_temperature: float  # at that time [K]
    wall_temperature: float  # [K]
    cda: float  # [m2]
    gas_contraction: float  # area for gas over area for liquid
    knee: Knee
    valve: Valve
    heat: Heat
    dissolved: float  # gas that comes out of the liquid over the flow, share of the gas aboard
    vents: float = math.inf  # crew opens the vent [s]
    vent_area: float = 0.0  # [m2]
    leak_area: float = 0.0  # of the ullage, all the time [m2]

    @property
    def cross_section(self):
        """Area of the tank across. [m2]."""
        return 0.25 * math.pi * self.diameter**2

    @property
    def usual_flow(self):
        """Rough liquid flow with three fifths of the start pressure. [kg/s]."""
        return self.cda * math.sqrt(2.0 * self.liquid_density * 0.6 * self.start_pressure)

    @property
    def knee_mass(self):
        """Liquid in which the knee happens. [kg]."""
        return self.knee.seconds * self.usual_flow

    def at_rest(self):
        """Return the state when the record begins."""
        ullage = self.volume - self.load / self.liquid_density
        gas = ullage * self.gas.density(self.start_pressure, self.gas_temperature)
        return (self.load - self.film, self.film, gas, self.gas_temperature, self.wall_temperature, 0.0)

    def ullage(self, state):
        """Return the gas's volume. [m3]."""
        return self.volume - (state[0] + state[1]) / self.liquid_density

    def pressure(self, state):
        """Return the gas's pressure. [Pa]."""
        return self.gas.pressure(state[2] / self.ullage(state), state[3])

    def head(self, liquid):
        """Return the column's pressure at the orifice. [Pa]."""
        column = self.outlet_below_floor + liquid / self.liquid_density / self.cross_section
        return self.liquid_density * GRAVITY * column

    def left(self, liquid):
        """Return usable liquid over the knee's."""
        return (liquid - self.residual) / self.knee_mass

    def outlet(self, t, state, pressure, density, back_pressure):
        """Return liquid and gas mass flow at the orifice, and the liquid's share of its full flow."""
        area = self.cda * self.valve.share(t)
        share = self.knee.gas_share(self.left(state[0]), t)
        liquid, gas = self.knee.speeds(share, self.liquid_density, density)
        drive = pressure - back_pressure + self.head(state[0])
        full = math.sqrt(2.0 * self.liquid_density * drive) if drive > 0.0 else 0.0
        out = 0.0
        if gas > 0.0 and area > 0.0:
            out = area * self.gas_contraction * gas * self.gas.outflow(pressure, state[3], back_pressure)
            if self.knee.kind == "mixture":  # one fluid: its gas cannot be faster than the mixture
                out = min(out, area * gas * math.sqrt(2.0 * density * max(drive, 0.0)))
        return area * liquid * full, out, liquid

    def rates(self, t, state, back_pressure, ambient):
        """Return the time derivative of the state, then liquid and gas flow at the orifice."""
        liquid, film, mass, temperature, layer, _ = state
        ullage = self.volume - (liquid + film) / self.liquid_density
        density = mass / ullage
        pressure = self.gas.pressure(density, temperature)
        flow, gas_flow, share = self.outlet(t, state, pressure, density, back_pressure)
        dripping = film / self.film_time if share < 0.5 and self.valve.share(t) > 0.1 else 0.0
        lost = self.leak_area + (self.vent_area if t > self.vents else 0.0)
        lost = gas_flow + (lost * self.gas.outflow(pressure, temperature, ambient) if lost else 0.0)
        gained = self.dissolved * mass * flow / self.load
        grows = (flow + dripping) / self.liquid_density
        heat, layer_rate = self._heat(ullage, temperature, layer, flow)
        thinning = (gained - lost) / ullage - density * grows / ullage
        work = (heat - pressure * grows - pressure / density * (lost - gained)) / mass
        return (
            -flow,
            -dripping,
            gained - lost,
            (work + self.gas.a * thinning) / self.gas.cv,
            layer_rate,
            flow + dripping,
        ), (flow + dripping, gas_flow)

    def _heat(self, ullage, temperature, layer, flow):
        """Return heat to the gas [W] and the layer's rate [K/s]."""
        law = self.heat
        if law.kind == "none":
            return 0.0, 0.0
        area = 4.0 * ullage / self.diameter + 2.0 * self.cross_section
        per_area = law.coefficient * (1.0 + law.stirring * flow / self.usual_flow) * (layer - temperature)
        if law.kind == "lumped":
            return area * per_area, 0.0
        return area * per_area, (self.wall_temperature - layer) / law.layer_time - per_area / law.layer_capacity
