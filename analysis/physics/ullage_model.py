"""What a tank's pressure would do in a cold flow if this or that were wrong: a lumped gas volume, many at once.

SI, absolute pressures; times in seconds after the opening that the record would show. One gas temperature, one
temperature around it, free convection at a turbulent surface; the isentropic exponent follows the real gas. Made to
compare causes with each other, not to measure: `analysis.blowdown.exponent` and `analysis.blowdown.direct_cda` do
without it.
"""

import functools
import itertools
import math
from dataclasses import dataclass, fields

import numpy as np
from scipy.constants import g as standard_gravity

from standbook.analysis.physics import fluids
from standbook.analysis.physics.blowdown import Head
from standbook.daq.arrays import Array

STILL = 3.2  # s before mid-stroke at which a course begins
AFTER = 3.3  # s after the flow for which it goes on
STEPS = (40, 130, 30)  # before, during and after the flow, whose ends are nodes
CDA_ROUNDS = 3  # corrections of the area until the mass that leaves is the one that left
SEEN_CLEAR, SEEN_OVER = 0.2, 3.0  # s beside an opening that are left out, and over which a cubic then finds it
SLOWEST = 2.0  # s of stroke; beyond it the cubic no longer follows, and the middle is taken to be as late as here
CONVECTION = 0.13  # Nu = C Ra^(1/3); [McA54], from memory
SLENDERNESS = 3.0  # length over diameter of a tank whose diameter is not stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Gas:
    """A pressurant about the state in which it starts."""

    exponent_start: float  # isentropic, at the start [-]
    exponent_end: float  # the same where the flow ends [-]
    start_pressure: float  # Pa
    end_pressure: float  # Pa
    gruneisen: float  # pressure gained per energy added to a unit volume [-]
    density: float  # at the start [kg/m³]
    temperature: float  # K
    buoyancy: float  # C k (g cp rho² / (mu k))^(1/3), per cube root of a relative temperature step [W/(m² K)]
    enthalpy_share: float  # cp T rho / p, what a kilogram brings with it, over p / rho [-]

    def exponent(self, pressure: Array) -> Array:
        """Return the local isentropic exponent, straight between both ends and held outside."""
        span = self.start_pressure - self.end_pressure
        share = np.clip((self.start_pressure - pressure) / span, -0.2, 1.2) if span > 0.0 else 0.0
        return np.asarray(self.exponent_start + share * (self.exponent_end - self.exponent_start))


def gas_at(pressurant: str, *, start_pressure: float, end_pressure: float, temperature: float) -> Gas:
    """Read a pressurant's properties.

    Raises
    ------
    DataError
        The gas is not known, or not at this state.
    """

    def of(name: str) -> float:
        return fluids.gas_property(name, pressurant, pressure=start_pressure, temperature=temperature)

    density, heat_capacity = of("D"), of("Cvmass")
    conductivity, viscosity, pressure_heat = of("L"), of("V"), of("Cpmass")
    start = fluids.isentropic_exponent(pressurant, pressure=start_pressure, temperature=temperature)
    end_temperature = fluids.isentropic_temperature(
        pressurant, start_pressure=start_pressure, end_pressure=end_pressure, temperature=temperature
    )
    end = fluids.isentropic_exponent(pressurant, pressure=end_pressure, temperature=end_temperature)
    return Gas(
        exponent_start=start,
        exponent_end=end,
        start_pressure=start_pressure,
        end_pressure=end_pressure,
        gruneisen=of("d(P)/d(T)|D") / (density * heat_capacity),
        density=density,
        temperature=temperature,
        buoyancy=CONVECTION
        * conductivity
        * (standard_gravity * pressure_heat * density**2 / (viscosity * conductivity)) ** (1.0 / 3.0),
        enthalpy_share=pressure_heat * temperature * density / start_pressure,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """One tank as noted, and the flow that was seen."""

    ullage_volume: float  # gas at opening, as noted [m³]
    section: float  # [m²]
    density: float  # liquid [kg/m³]
    back_pressure: float  # absolute [Pa]
    start_pressure: float  # as read [Pa]
    expelled_mass: float  # as weighed [kg]
    length: float  # of the flow, from the opening that was seen to its end [s]
    head: Head | None
    load: float  # liquid aboard, as noted [kg]
    reads_zero_at: float = 0.0  # absolute pressure at which the sensor's gain does nothing [Pa]


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """What is wrong, one value a member; (K,) each. All zero but ``heat`` is health."""

    heat: Array  # factor on the law of free convection
    warm: Array  # gas above its surroundings, `STILL` before the flow [K]
    cold: Array  # surroundings below the noted temperature [K]
    leak: Array  # share of the gas lost in a second, at the start [1/s]
    feed: Array  # share of the gas gained in a second [1/s]
    held: Array  # share of the pressure's fall that a regulator makes good
    volume: Array  # true ullage over the noted one, less one
    mass: Array  # true mass that left over the weighed one, less one
    load: Array  # true load over the noted one, less one
    zero: Array  # reading less truth [Pa]
    gain: Array  # reading over truth, less one
    creep: Array  # change of the valve's area, share of it a second [1/s]
    stroke: Array  # of the valve's opening [s]

    @classmethod
    def none(cls, number: int, heat: float = 1.0, stroke: float = 0.1) -> "Faults":
        """Return health for so many members."""
        empty = {field.name: np.zeros(number) for field in fields(cls)}
        return cls(**{**empty, "heat": np.full(number, heat), "stroke": np.full(number, stroke)})


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Pressures as a sensor would read them. (T,) and (K, T)."""

    time: Array  # s after the opening that the record would show
    reading: Array  # absolute, sensor's faults included [Pa]
    cda: Array  # (K,) of valve and line just opened [m²]


def courses(vessel: Vessel, gas: Gas, faults: Faults) -> Courses:
    r"""Compute what the sensor would read.

    Notes
    -----
    :math:`\dot p = (-n_s p \dot V + \Gamma \dot Q + n_s p (\dot m_{in} - \dot m_{out}) / \rho) / V` with the isentropic
    exponent :math:`n_s` and the Grüneisen parameter :math:`\Gamma` of the real gas; :math:`\dot Q = h A \Delta T`,
    :math:`h` of free convection from wall and liquid alike. The area of valve and line is that by which the weighed
    mass leaves in the time that was seen. Midpoint steps; those of a flow leave 1e-4 of the pressure.
    """
    number = faults.heat.size
    ends = (-STILL, 0.0, vessel.length, vessel.length + AFTER)
    parts = [np.linspace(a, b, n, endpoint=False) for (a, b), n in zip(itertools.pairwise(ends), STEPS, strict=True)]
    time = np.append(np.concatenate(parts), ends[-1])
    origin = vessel.reads_zero_at
    true_start = origin + (vessel.start_pressure - faults.zero - origin) / (1.0 + faults.gain)
    load_volume = faults.load * vessel.load / vessel.density
    volume = np.maximum(vessel.ullage_volume * (1.0 + faults.volume) - load_volume, 0.02 * vessel.ullage_volume)
    leaving = vessel.expelled_mass * (1.0 + faults.mass) / vessel.density
    drive = np.maximum(0.8 * true_start - vessel.back_pressure, 0.05 * true_start)
    cda = leaving / (vessel.length * np.sqrt(2.0 * drive / vessel.density))
    pressure, scale = np.empty((number, time.size)), np.ones(number)
    for _ in range(CDA_ROUNDS):
        pressure, gone, at_opening = _integrate(
            vessel=vessel, gas=gas, faults=faults, time=time, start=true_start * scale, volume=volume, cda=cda
        )
        cda = cda * np.clip(leaving / np.maximum(gone, 1e-12), 0.3, 3.0)
        # What was read just before the opening was the start, whatever happened to the gas until then.
        scale = scale * np.clip(true_start / at_opening, 0.5, 2.0)
    reading = origin + (pressure - origin) * (1.0 + faults.gain[:, None]) + faults.zero[:, None]
    return Courses(time, reading, cda)


def _integrate(
    vessel: Vessel, gas: Gas, faults: Faults, time: Array, start: Array, volume: Array, cda: Array
) -> tuple[Array, Array, Array]:
    """Return pressures (K, T), volume of liquid gone (K,), and the pressure at the opening (K,)."""
    around = gas.temperature - faults.cold
    temperature = gas.temperature + faults.warm
    mass = gas.density * (start / gas.start_pressure) * (gas.temperature / temperature) * volume
    per_mass = start * volume / (mass * temperature)  # the gas constant with the compressibility of the start
    first_mass = mass.copy()
    diameter = math.sqrt(4.0 * vessel.section / math.pi)
    head = vessel.head

    def rates(at: float, p: Array, m: Array, gone: Array) -> tuple[Array, Array, Array]:
        v = volume + gone
        t = np.maximum(p * v / (m * per_mass), 20.0)
        drive = p - vessel.back_pressure
        if head is not None:
            drive = drive + vessel.density * head.gravity * head.height(gone)
        flow = _opening(faults, at, vessel.length) * cda * np.sqrt(2.0 * np.maximum(drive, 0.0) / vessel.density)
        step = around - t
        area = math.pi * diameter * v / vessel.section + 2.0 * vessel.section
        film = 0.5 * (around + t)
        thinner = (m / v / gas.density) ** (2.0 / 3.0)
        per_area = gas.buoyancy * thinner * np.cbrt(np.abs(step) / film)
        heat = faults.heat * per_area * area * step
        lost = faults.leak * first_mass * (p / start) * np.sqrt(temperature / np.maximum(t, 20.0))
        fed = faults.feed * first_mass
        n = gas.exponent(p)
        brought = gas.enthalpy_share * gas.gruneisen * gas.start_pressure / gas.density
        slope = (-n * p * flow + gas.gruneisen * heat - n * p * v / m * lost + brought * fed) / v
        return slope * (1.0 - faults.held), fed - lost, flow

    p, m, gone = start.copy(), mass, np.zeros(start.size)
    pressure = np.empty((start.size, time.size))
    pressure[:, 0] = p
    for k in range(time.size - 1):
        step, at = float(time[k + 1] - time[k]), float(time[k])
        dp, dm, dv = rates(at, p, m, gone)
        half = 0.5 * step
        dp, dm, dv = rates(at + half, p + half * dp, m + half * dm, gone + half * dv)
        p, m, gone = np.maximum(p + step * dp, 1e3), np.maximum(m + step * dm, 1e-9), gone + step * dv
        pressure[:, k + 1] = p
    still = time < -0.2
    line = np.polyfit(time[still], pressure[:, still].T, 1)
    return pressure, gone, line[1]


def _opening(faults: Faults, at: float, length: float) -> Array:
    """Return the valve's opening at one instant. (K,)."""
    if at >= length:
        return np.zeros(faults.stroke.size)
    ramp = np.clip((at - middle_after_seen(faults.stroke)) / np.maximum(faults.stroke, 1e-3) + 0.5, 0.0, 1.0)
    return np.asarray(ramp * np.clip(1.0 + faults.creep * max(at, 0.0), 0.02, 10.0))


def middle_after_seen(stroke: Array) -> Array:
    """Return how long after the opening that a record shows the middle of a slow stroke lies. (K,) [s].

    Notes
    -----
    `analysis.flow_ends.placed_ends` lets a curve through the flow meet the line before it. While the area grows
    evenly the pressure falls as the square of time and then evenly; how fast does not matter to where the two meet.
    """
    return np.interp(stroke, *_seen_table())


@functools.lru_cache(maxsize=1)
def _seen_table() -> tuple[Array, Array]:
    strokes = np.linspace(0.0, SLOWEST, 17)
    return strokes, np.array([_middle_after_seen(float(stroke)) for stroke in strokes])


def _middle_after_seen(stroke: float) -> float:
    if stroke <= SEEN_CLEAR:
        return 0.0
    seen = 0.0  # s after the middle
    for _ in range(12):
        x = np.linspace(seen + SEEN_CLEAR, seen + SEEN_CLEAR + SEEN_OVER, 200)
        begun = np.clip(x + 0.5 * stroke, 0.0, stroke)
        fallen = begun**2 / (2.0 * stroke) + np.maximum(x - 0.5 * stroke, 0.0)
        roots = np.polynomial.Polynomial.fit(x - seen, fallen, 3).convert().roots()
        real = roots[np.abs(roots.imag) < 1e-9].real
        near = real[np.abs(real) < 1.0]
        if near.size == 0:
            break
        seen += 0.7 * float(near[np.argmin(np.abs(near))])
    return max(-seen, 0.0)
