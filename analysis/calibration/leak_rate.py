r"""From a pressure hold to a leak rate and a verdict: tight, leaks, or cannot tell.

The mass of gas is V rho(P, T) with the real equation of state, and the rate the slope of ln rho after settling. Without
a tank temperature there is no leak rate: 5 K of cooling look like a leak. What limits a hold is how far the gas may
part from the thermometer, not the scatter of the readings. SI, pressures absolute; a rate is positive outward.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from standbook.analysis.calibration.slopes import slope_of
from standbook.analysis.physics.fluids import density, gas_property
from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

ONE_SIDED = 1.6448536269514722  # standard deviations that one in twenty passes upward; Currie's threshold, from memory
DETECTION = 2.0 * ONE_SIDED  # what is seen 19 times in 20; likewise
SHADE, SUN, SUN_TWO_THERMOMETERS = 0.1, 0.8, 0.3  # K, gas against wall during the hold; simulated, no tank in the sun
LAG = 100.0  # s, of nitrogen at 30 bar in a tank of some litres, simulated; helium follows sooner
BLOCKS = 12
STATES = 240  # at most, of which a density is asked
SCCM_TEMPERATURE, SCCM_PRESSURE = 273.15, 101_325.0
GAS_CONSTANT = 8.314462618  # J/(mol K), exact since 2019

Said = Literal["tight", "leaks, more", "leaks, less", "supply leaks in", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """What was read during a pressure hold, from where it has settled."""

    time: Array  # (N,) [s]
    pressure: Array  # (N,) absolute [Pa]
    temperature: Array  # (N,) of the wall under insulation, or (1,) where only the room was read [K]
    gas: str
    gas_volume: tuple[float, float]  # less the liquid, hoses included, and its u [m³]


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """What the readings cannot show of themselves."""

    gas_u: float = SHADE  # how far the gas may part from the thermometer during the hold [K]
    gas_lag: float = LAG  # how long the gas takes to follow its wall, standard [s]
    pressure_drift: float = 0.0  # of the transducer, standard [Pa/s]
    pressure_step: float = 0.0  # its resolution [Pa]
    room_change: float | None = None  # limit of what the room does where no thermometer was on the tank [K/s]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakRate:
    """Rate of a hold with its standard uncertainty, term by term. [kg/s]."""

    rate: float
    u: float
    terms: Mapping[str, float]
    mass: float  # of the gas [kg]
    held: float  # [s]

    @property
    def detection_limit(self) -> float:
        """Least rate that such a hold sees 19 times in 20. [kg/s]."""
        return DETECTION * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldVerdict:
    """What a hold says of a limit that was wanted."""

    says: Said
    could: float | None  # hold that could tell, everything else the same [s]
    sentence: str


def leak_rate(hold: Hold, doubt: Doubt) -> LeakRate:
    r"""Return the rate at which gas leaves during a hold.

    Raises
    ------
    DataError
        Too few readings, or an unknown fluid or state.

    Notes
    -----
    :math:`u^2 = u_{blocks}^2 + (\sqrt 2 u_T / T t)^2 + (\tau \Delta \dot T / T t)^2 + (\Delta_{halves} / 2)^2 +
    (u_{\dot P} / P)^2`, each times the
    mass and what ln rho moves by. Settling is not fitted: it does not die away as an exponential. Derived.
    """
    time, pressure, temperature = _averaged(hold)
    kelvin = float(np.mean(temperature))
    rho = np.array(
        [density(hold.gas, pressure=float(p), temperature=float(t)) for p, t in zip(pressure, temperature, strict=True)]
    )
    slope = slope_of(time, np.log(rho), blocks=BLOCKS)
    mass = hold.gas_volume[0] * float(np.mean(rho))
    by_pressure, by_temperature = _moves(hold.gas, float(np.mean(pressure)), kelvin)
    reading = math.hypot(doubt.pressure_drift, math.sqrt(2.0 / 12.0) * doubt.pressure_step / slope.span)
    terms = {
        "scatter": mass * slope.blocks_u,
        "gas against thermometer": mass * by_temperature * _parting(hold, doubt, time, temperature) / kelvin,
        "slope not steady": mass * slope.halves,
        "pressure drift": mass * by_pressure * reading / float(np.mean(pressure)),
        "volume": abs(mass * slope.value) * hold.gas_volume[1] / hold.gas_volume[0],
    }
    return LeakRate(rate=-mass * slope.value, u=math.hypot(*terms.values()), terms=terms, mass=mass, held=slope.span)


def _parting(hold: Hold, doubt: Doubt, time: Array, temperature: Array) -> float:
    """Return how fast the gas may part from what its thermometer says. [K/s]."""
    own = math.sqrt(2.0) * doubt.gas_u / float(time[-1] - time[0])
    if hold.temperature.size == 1:
        return math.inf if doubt.room_change is None else math.hypot(own, doubt.room_change / math.sqrt(3.0))
    # the gas trails a wall that warms or cools, and less so as that dies away: slopes at both ends, from the halves
    wall = slope_of(time, temperature, blocks=BLOCKS)
    return math.hypot(own, 4.0 * wall.halves * doubt.gas_lag / wall.span)


def _averaged(hold: Hold) -> tuple[Array, Array, Array]:
    """Return means of at most STATES stretches of a hold: time, pressure, temperature."""
    start, end = float(hold.time[0]), float(hold.time[-1])
    block = (end - start) / min(STATES, hold.time.size)
    if not block > 0.0:
        raise DataError("a hold without a span of time says nothing")
    time, pressure = (
        block_average(hold.time, one, start=start, end=end, block=block)[1] for one in (hold.time, hold.pressure)
    )
    temperature = np.full(time.size, hold.temperature[0])
    if hold.temperature.size > 1:
        temperature = block_average(hold.time, hold.temperature, start=start, end=end, block=block)[1]
    good = np.isfinite(pressure) & np.isfinite(temperature)
    return time[good], pressure[good], temperature[good]


def _moves(gas: str, pressure: float, temperature: float) -> tuple[float, float]:
    """Return by how much ln rho moves with ln P at constant T, and, as a positive number, with ln T at constant P."""
    step = 1e-3
    p = [density(gas, pressure=pressure * (1.0 + side * step), temperature=temperature) for side in (-1.0, 1.0)]
    t = [density(gas, pressure=pressure, temperature=temperature * (1.0 + side * step)) for side in (-1.0, 1.0)]
    return math.log(p[1] / p[0]) / (2.0 * step), abs(math.log(t[1] / t[0])) / (2.0 * step)


def judge_hold(leak: LeakRate, wanted: float) -> HoldVerdict:
    """Hold a rate against the limit that is wanted. [kg/s].

    Notes
    -----
    A rate counts from 1.645 u on, each way; between, no verdict. All terms of u fall at least as one over the hold, so
    the hold that could tell is this one times the u that it has over the u that it may have. A limit that the rate
    itself lies on is never told.
    """
    r, u = leak.rate, leak.u
    margin = ONE_SIDED * u
    says: Said = "cannot tell"
    if r - margin > wanted:
        says = "leaks, more"
    elif r < -margin:
        says = "supply leaks in"
    elif r + margin < wanted:
        says = "leaks, less" if r > margin else "tight"
    could = None
    if says == "cannot tell" and math.isfinite(u) and abs(wanted - r) > 0.0:
        could = leak.held * margin / abs(wanted - r)
    return HoldVerdict(says=says, could=could, sentence=_sentence(says, leak, wanted, could))


def _sentence(says: Said, leak: LeakRate, wanted: float, could: float | None) -> str:
    per_minute = [6e4 * value for value in (leak.rate, leak.u, wanted, leak.detection_limit)]
    if not math.isfinite(leak.u):
        return "cannot tell: no thermometer was on the tank, and nobody says how far the room's temperature moved"
    rate, u, limit, seen = (f"{value:.3g}" for value in per_minute)
    words = {
        "tight": f"tight to {limit} g/min",
        "leaks, more": f"leaks, more than {limit} g/min",
        "leaks, less": f"leaks, less than {limit} g/min",
        "supply leaks in": "the supply leaks in: disconnect it, and hold again",
        "cannot tell": f"cannot tell whether it holds {limit} g/min",
    }[says]
    more = f"; a hold of {could / 60.0:.0f} min could" if could is not None else ""
    return f"{words}: {rate} +/- {u} g/min, surely seen from {seen} g/min on{more}"


def least_hold(mass: float, wanted: float, *, gas_u: float, temperature: float) -> float:
    r"""Return the least hold after settling that sees a rate. [s].

    Parameters
    ----------
    mass, wanted : float
        Of the gas [kg]; rate [kg/s].
    gas_u, temperature : float
        How far the gas may part from its thermometer; its temperature. [K]

    Notes
    -----
    :math:`t = 3.29 \sqrt 2 (u_T / T) m / L`, an ideal gas. Derived.
    """
    return DETECTION * math.sqrt(2.0) * gas_u / temperature * mass / wanted


def throughput(rate: float, gas: str, *, temperature: float) -> float:
    """Return a mass rate [kg/s] as pressure times volume at a temperature [K], which is to be printed. [Pa m³/s].

    One mbar L/s is 0.1 Pa m³/s.
    """
    return rate / _molar_mass(gas) * GAS_CONSTANT * temperature


def sccm(rate: float, gas: str) -> float:
    """Return a mass rate [kg/s] in cubic centimetres a minute at 0 degC and 1 atm, as an ideal gas. [cm³/min]."""
    return throughput(rate, gas, temperature=SCCM_TEMPERATURE) / SCCM_PRESSURE * 1e6 * 60.0


def in_units_of_the_trade(rate: float, gas: str, *, temperature: float) -> str:
    """Write a mass rate [kg/s] as a trade catalogue does, the temperature that it is taken at [K] named."""
    litres = 10.0 * throughput(rate, gas, temperature=temperature)
    celsius = temperature - SCCM_TEMPERATURE
    return f"{sccm(rate, gas):.3g} sccm (0 degC, 1 atm), {litres:.3g} mbar L/s taken at {celsius:.0f} degC"


def mass_rate(throughput: float, gas: str, *, temperature: float) -> float:
    """Return pressure times volume a second [Pa m³/s], taken at a temperature [K], as a mass rate. [kg/s]."""
    return throughput * _molar_mass(gas) / (GAS_CONSTANT * temperature)


def laminar_leak(radius: float, length: float, viscosity: float, *, inside: float, outside: float) -> float:
    r"""Return what a thin channel leaks, pressure times volume. [Pa m³/s].

    Parameters
    ----------
    radius, length : float
        Of the channel. [m]
    viscosity : float
        [Pa s]
    inside, outside : float
        Pressures, absolute. [Pa]

    Notes
    -----
    :math:`q = \pi r^4 (p_1^2 - p_2^2) / (16 \eta l)`, confirmed in leak-detection texts; below about 1 mbar L/s.
    """
    return math.pi * radius**4 * (inside**2 - outside**2) / (16.0 * viscosity * length)


def _molar_mass(gas: str) -> float:
    return gas_property("molarmass", gas, pressure=SCCM_PRESSURE, temperature=SCCM_TEMPERATURE)
