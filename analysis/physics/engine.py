"""A pressure-fed liquid engine: tanks, feed lines, chamber and nozzle, and the relations of performance.

SI, absolute pressures. Quasi-steady: the chamber fills and empties at once, the gas follows P V^n, the liquid's
density and each CdA are constant. No ignition, no tail-off, no vapour, no gas breakthrough. Every number may be an
array of samples; they broadcast. Reads no file, clock or setting.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.constants import g as standard_gravity

from standbook.daq.arrays import Array

_MOST_ITERATIONS = 100  # at least every second one halves the bracket: 2^-50 of a tank pressure at worst
_TOLERANCE = 1e-10  # of the chamber pressure


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One tank and its feed line down to the chamber. Arrays broadcast against each other."""

    volume: Array  # of tank and line, as filled with water [m³]
    load: Array  # liquid at opening [kg]
    residual: Array  # liquid that cannot leave [kg]
    density: Array  # of the liquid [kg/m³]
    start_pressure: Array  # ullage, absolute, at opening [Pa]
    exponent: Array  # polytropic exponent of the ullage [-]
    cda: Array  # of the whole feed line, injector included [m²]
    surface_area: Array | None = None  # cross-section of the upright tank; none: the head is left out [m²]
    outlet_drop: Array | float = 0.0  # from the tank's floor down to the injector [m]
    gravity: float = standard_gravity

    def ullage_pressure(self, mass: Array) -> Array:
        """Return the absolute gas pressure with ``mass`` [kg] of liquid aboard. [Pa]."""
        first, now = self.volume - self.load / self.density, self.volume - mass / self.density
        return np.asarray(self.start_pressure * (first / now) ** self.exponent)

    def feed_pressure(self, mass: Array) -> Array:
        """Return the absolute pressure that drives the liquid, head included. [Pa]."""
        gas = self.ullage_pressure(mass)
        if self.surface_area is None:
            return gas
        return np.asarray(gas + self.gravity * (self.density * self.outlet_drop + mass / self.surface_area))

    @property
    def conductance(self) -> Array:
        """Mass flow per square root of pressure drop. [kg/s/Pa^½]."""
        return np.asarray(self.cda * np.sqrt(2.0 * self.density))


@dataclass(frozen=True, slots=True)
class CstarTable:
    """Ideal characteristic velocity against mixture ratio: straight lines, held outside."""

    ratios: Array  # (K,) rising, oxidiser over fuel by mass [-]
    speeds: Array  # (K,) [m/s]
    slopes: Array  # (K + 1,) below, between and above the points [m/s]

    @classmethod
    def of(cls, ratios: Array, speeds: Array) -> "CstarTable":
        """Return the table through (K,) points."""
        return cls(ratios, speeds, np.concatenate([[0.0], np.diff(speeds) / np.diff(ratios), [0.0]]))

    def at(self, mixture_ratio: Array) -> tuple[Array, Array]:
        """Return the characteristic velocity [m/s] and its slope by mixture ratio."""
        interval = np.searchsorted(self.ratios, mixture_ratio, side="right")
        base, slope = np.maximum(interval - 1, 0), self.slopes[interval]
        inside = np.minimum(np.maximum(mixture_ratio, self.ratios[0]), self.ratios[-1])
        return np.asarray(self.speeds[base] + slope * (inside - self.ratios[base])), np.asarray(slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamber:
    """Throat, nozzle and propellant performance, and the air outside."""

    throat_area: Array  # [m²]
    expansion_ratio: Array  # exit over throat area [-]
    ideal_cstar: CstarTable
    cstar_efficiency: Array  # [-]
    vacuum_thrust_coefficient: Array  # ideal [-]
    thrust_coefficient_efficiency: Array  # on the vacuum coefficient [-]
    ambient_pressure: Array  # absolute [Pa]

    def thrust(self, chamber_pressure: Array) -> Array:
        r"""Return the thrust at the site's ambient pressure, chamber pressure absolute. [N].

        Notes
        -----
        :math:`F = A_t (P_c \eta_F C_{F,vac} - \varepsilon P_a)`: the nozzle flows full.
        """
        return self.vacuum_thrust(chamber_pressure) - self.ambient_force

    def vacuum_thrust(self, chamber_pressure: Array) -> Array:
        """Return the thrust referred to vacuum, chamber pressure absolute. [N]."""
        coefficient = self.thrust_coefficient_efficiency * self.vacuum_thrust_coefficient
        return np.asarray(self.throat_area * chamber_pressure * coefficient)

    @property
    def ambient_force(self) -> Array:
        """Force by which ambient pressure on the exit lowers the thrust. [N]."""
        return np.asarray(self.expansion_ratio * self.throat_area * self.ambient_pressure)


@dataclass(frozen=True, slots=True)
class Equilibrium:
    """Chamber pressure and flows that agree with each other."""

    chamber_pressure: Array  # absolute [Pa]
    oxidiser_flow: Array  # [kg/s]
    fuel_flow: Array  # [kg/s]


def chamber_equilibrium(
    chamber: Chamber,
    oxidiser_feed: Array,
    fuel_feed: Array,
    oxidiser_conductance: Array,
    fuel_conductance: Array,
    *,
    guess: Array | None = None,
) -> Equilibrium:
    r"""Find the chamber pressure at which the throat passes what the two feed lines deliver.

    Parameters
    ----------
    oxidiser_feed, fuel_feed : array
        Pressure at the injector's side of a frictionless line, absolute, head included. [Pa]
    oxidiser_conductance, fuel_conductance : array
        Mass flow per square root of pressure drop. [kg/s/Pa^½]
    guess : array, optional
        Chamber pressure to begin from, such as a moment ago's: it saves steps, it does not move the answer. [Pa]

    Notes
    -----
    :math:`P_c A_t = \eta_c c^*(r) (\dot m_o + \dot m_f)`, :math:`\dot m = C_dA \sqrt{2 \rho (P - P_c)}`. Newton's
    steps on all samples at once, kept inside a bracket that always holds the root; a step that leaves it or
    gains too little becomes a halving. A line whose pressure lies below the chamber's delivers nothing (it does
    not flow backwards).
    """
    feeds = np.broadcast_arrays(oxidiser_feed, fuel_feed)
    oxidiser_feed, fuel_feed = (np.asarray(f, dtype=np.float64) for f in feeds)
    low, high = np.zeros_like(oxidiser_feed), np.maximum(oxidiser_feed, fuel_feed)
    pressure = 0.7 * np.minimum(oxidiser_feed, fuel_feed) if guess is None else np.minimum(guess, high)
    last = np.full_like(pressure, np.inf)
    for _ in range(_MOST_ITERATIONS):
        oxidiser, by_oxidiser = _line_flow(oxidiser_conductance, oxidiser_feed - pressure)
        fuel, by_fuel = _line_flow(fuel_conductance, fuel_feed - pressure)
        ratio = np.divide(oxidiser, fuel, out=np.full_like(pressure, np.inf), where=fuel > 0.0)
        cstar, slope = chamber.ideal_cstar.at(ratio)
        per_flow = chamber.throat_area / (chamber.cstar_efficiency * cstar)
        miss = pressure * per_flow - oxidiser - fuel
        # d r / d Pc where both lines flow; elsewhere the table's slope is nil
        turn = np.divide(by_oxidiser * fuel - oxidiser * by_fuel, fuel**2, out=np.zeros_like(ratio), where=fuel > 0.0)
        gradient = per_flow * (1.0 - pressure * slope * turn / cstar) - by_oxidiser - by_fuel
        low, high = np.where(miss < 0.0, pressure, low), np.where(miss < 0.0, high, pressure)
        newton = np.divide(-miss, gradient, out=np.full_like(miss, np.inf), where=gradient > 0.0)
        wanted = pressure + newton
        poor = (wanted < low) | (wanted > high) | (np.abs(miss) > 0.5 * last)
        # A step this short has converged: judging it by its gain would only judge rounding.
        done = (np.abs(newton) <= _TOLERANCE * pressure) | (high - low <= _TOLERANCE * pressure)
        halve = poor & ~done
        last = np.where(halve, np.inf, np.abs(miss))
        pressure = np.where(halve, 0.5 * (low + high), np.clip(wanted, low, high))
        if done.all():
            break
    oxidiser, _ = _line_flow(oxidiser_conductance, oxidiser_feed - pressure)
    fuel, _ = _line_flow(fuel_conductance, fuel_feed - pressure)
    return Equilibrium(pressure, oxidiser, fuel)


def _line_flow(conductance: Array, drop: Array) -> tuple[Array, Array]:
    """Return the mass flow [kg/s] and its derivative by chamber pressure, nil where the drop is not positive."""
    flow = conductance * np.sqrt(np.maximum(drop, 0.0))
    slope = np.divide(-0.5 * flow, drop, out=np.zeros_like(flow), where=drop > 0.0)
    return np.asarray(flow), np.asarray(slope)


def liquid_flow(cda: float, density: float, pressure_drop: float) -> float:
    """Return the mass flow of a liquid through an opening. [kg/s].

    ``cda`` [m²], ``density`` [kg/m³], ``pressure_drop`` a difference, not negative [Pa].
    """
    return cda * math.sqrt(2.0 * density * pressure_drop)


def characteristic_velocity(pressure_integral: float, throat_area: float, expelled_mass: float) -> float:
    """Return the overall characteristic velocity over an interval. [m/s].

    Parameters
    ----------
    pressure_integral : float
        Integral of absolute chamber pressure over the interval. [Pa*s]
    throat_area : float
        [m²]
    expelled_mass : float
        Both propellants, over the same interval. [kg]

    Notes
    -----
    The integral of the throat area times pressure over the mass. Source: [ECSS-E-ST-35C] glossary.
    """
    return throat_area * pressure_integral / expelled_mass


def specific_impulse(total_impulse: float, expelled_mass: float) -> float:
    """Return total impulse [N*s] over expelled weight at standard gravity. [s]. Source: [Sutton] ch. 2."""
    return total_impulse / (expelled_mass * standard_gravity)


def thrust_coefficient(total_impulse: float, throat_area: float, pressure_integral: float) -> float:
    """Return the mean thrust coefficient over an interval, at whatever ambient the impulse stands for. [-].

    ``total_impulse`` [N*s], ``throat_area`` [m²], ``pressure_integral`` of absolute chamber pressure [Pa*s].
    """
    return total_impulse / (throat_area * pressure_integral)


def critical_pressure_ratio(heat_capacity_ratio: float) -> float:
    """Return throat over chamber pressure, both absolute, of a choked nozzle. [-]."""
    gamma = heat_capacity_ratio
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def mass_flux_factor(heat_capacity_ratio: float) -> float:
    """Return the choked flow times sqrt(R T) over pressure and area. [-]."""
    gamma = heat_capacity_ratio
    return float(math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0))))


def ideal_characteristic_velocity(heat_capacity_ratio: float, gas_constant: float, temperature: float) -> float:
    """Return the c* of an ideal gas of ``gas_constant`` [J/kg/K] at the chamber's ``temperature`` [K]. [m/s]."""
    return math.sqrt(gas_constant * temperature) / mass_flux_factor(heat_capacity_ratio)


def ideal_exhaust_velocity(
    heat_capacity_ratio: float, gas_constant: float, temperature: float, pressure_ratio: float
) -> float:
    """Return the exit velocity of an ideal gas expanded without loss. [m/s].

    ``gas_constant`` [J/kg/K], ``temperature`` in the chamber [K], ``pressure_ratio`` exit over chamber, both
    absolute [-]. Source: [Sutton] ch. 3.
    """
    gamma = heat_capacity_ratio
    share = 1.0 - pressure_ratio ** ((gamma - 1.0) / gamma)
    return math.sqrt(2.0 * gamma / (gamma - 1.0) * gas_constant * temperature * share)
