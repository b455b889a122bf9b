"""A two-tank firing by an adaptive integration of the textbook relations: the reference of a prediction.

Ullage P V^n, flow CdA sqrt(2 rho dP), chamber pressure by balance of mass at the throat, c* by the table's straight
lines: [Sutton] ch. 2, 3 relations (from memory). scipy integrates and finds the roots; SI, absolute pressures.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq


@dataclass(frozen=True, slots=True)
class Side:
    """One tank with its line."""

    volume: float
    load: float
    residual: float
    density: float
    start_pressure: float
    exponent: float
    cda: float

    def pressure(self, mass):
        empty, now = (self.volume - m / self.density for m in (self.load, mass))
        return self.start_pressure * (empty / now) ** self.exponent

    def flow(self, mass, chamber):
        return self.cda * math.sqrt(2.0 * self.density * max(self.pressure(mass) - chamber, 0.0))


@dataclass(frozen=True, slots=True)
class Engine:
    """Both tanks and the chamber that they feed."""

    oxidiser: Side
    fuel: Side
    throat_area: float
    expansion: float
    cstar: tuple[tuple[float, float], ...]  # mixture ratio, delivered [m/s]
    coefficient: float  # delivered, in vacuum
    ambient: float

    def flows(self, masses, chamber):
        return tuple(side.flow(m, chamber) for side, m in zip((self.oxidiser, self.fuel), masses, strict=True))

    def chamber(self, masses):
        """Return the pressure at which the throat passes what the lines deliver. [Pa]."""

        ratios, speeds = zip(*self.cstar, strict=True)

        def surplus(pressure):
            oxidiser, fuel = self.flows(masses, pressure)
            return pressure * self.throat_area - (oxidiser + fuel) * np.interp(oxidiser / fuel, ratios, speeds)

        least = min(side.pressure(m) for side, m in zip((self.oxidiser, self.fuel), masses, strict=True))
        return brentq(surplus, 1e4, least * (1.0 - 1e-9), xtol=1e-6, rtol=1e-14)


def fire(engine):
    """Return the numbers of a burn that ends with the first dry tank, by the names of a prediction's scalars."""

    def rates(_, state):
        chamber = engine.chamber(state[:2])
        return [
            *(-flow for flow in engine.flows(state[:2], chamber)),
            engine.coefficient * chamber * engine.throat_area,
        ]

    def dry(side, k):
        def left(_, state):
            return state[k] - side.residual

        left.terminal = True
        return left

    ends = [dry(engine.oxidiser, 0), dry(engine.fuel, 1)]
    start = [engine.oxidiser.load, engine.fuel.load, 0.0]
    run = solve_ivp(rates, (0.0, 200.0), start, events=ends, rtol=1e-9, atol=1e-9, method="LSODA")
    burn, (oxidiser, fuel, vacuum) = float(run.t[-1]), run.y[:, -1]
    air = engine.expansion * engine.throat_area * engine.ambient
    expelled = engine.oxidiser.load - oxidiser, engine.fuel.load - fuel
    impulse = float(vacuum) - air * burn
    found = {
        "burn time": burn,
        "impulse": impulse,
        "impulse in vacuum": float(vacuum),
        "expelled mass": sum(expelled),
        "mean mixture ratio": expelled[0] / expelled[1],
        "specific impulse": impulse / sum(expelled) / 9.80665,
        "left aboard/oxidiser": float(oxidiser),
        "left aboard/fuel": float(fuel),
    }
    for when, state in (("start", start), ("end", run.y[:, -1])):
        chamber = engine.chamber(state[:2])
        flows = engine.flows(state[:2], chamber)
        found |= {
            f"chamber pressure at {when}": chamber,
            f"thrust at {when}": engine.coefficient * chamber * engine.throat_area - air,
            f"mass flow at {when}": sum(flows),
            f"mixture ratio at {when}": flows[0] / flows[1],
        }
        for k, (name, side) in enumerate({"oxidiser": engine.oxidiser, "fuel": engine.fuel}.items()):
            pressure = side.pressure(state[k])
            found[f"tank pressure at {when}/{name}"] = pressure
            found[f"injector stiffness at {when}/{name}"] = pressure / chamber - 1.0
    return found
