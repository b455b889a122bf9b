"""How honest the u of a carried ullage exponent is: a water flow's start and drift against the chord of a firing.

A lumped gas with free convection, its factor drawn over 0.2 to 3.5 and moved by up to a fifth from flow to firing;
real-gas exponents. No sensor: what is tested is the carrying alone, so u holds the share of what heat took alone.
Wanted: a mean of error / u within 0.5 of zero, an sd of at most 1. Run from the project's folder:

    python -m tests.studies.carried_exponent --runs 200
"""

import argparse
from dataclasses import dataclass

import numpy as np

from standbook.analysis.physics.fluids import chord_isentropic_exponent
from standbook.analysis.physics.ullage_model import gas_at
from standbook.analysis.prediction.carry_over import Ullage, carry_exponent
from standbook.analysis.results.quantities import Measured
from standbook.daq.arrays import Array

SEED = 20310602
STEPS = 600
AMBIENT, ROOM = 0.98e5, 291.15  # Pa absolute, K
CHAMBER_SHARE = 0.70  # of tank pressure, all along a firing
SURFACE = 5.6  # of the ullage over V^(2/3), a cylinder near as long as wide


@dataclass(frozen=True, slots=True)
class Course:
    """ln of volume and pressure over their starts, the pressure at the end [Pa] and how long it took."""

    log_volume: Array
    log_pressure: Array
    end_pressure: float
    duration: float  # [s]


@dataclass(frozen=True, slots=True)
class Tank:
    """Volume of gas at the start and of liquid that leaves [m3], gas, density [kg/m3], CdA [m2], factor on heat."""

    gas_volume: float
    leaves: float
    pressurant: str
    density: float
    cda: float
    heat: float


def course(tank: Tank, start_pressure: float, *, firing: bool) -> Course:
    """Expand the gas in equal steps of volume."""
    gas = gas_at(tank.pressurant, start_pressure=start_pressure, end_pressure=0.45 * start_pressure, temperature=ROOM)
    volumes = np.linspace(tank.gas_volume, tank.gas_volume + tank.leaves, STEPS + 1)
    pressure = np.empty_like(volumes)
    pressure[0] = start_pressure

    def rate_at(p: float) -> float:
        outlet = CHAMBER_SHARE * p if firing else AMBIENT
        return float(tank.cda * np.sqrt(2.0 * max(p - outlet, 1e3) / tank.density))

    def slope(volume: float, p: float) -> float:
        relative = 1.0 - p * volume / (start_pressure * tank.gas_volume)  # wall less gas, over the wall
        density = (tank.gas_volume / volume) ** (2.0 / 3.0)
        flux = tank.heat * gas.buoyancy * density * np.cbrt(abs(relative)) * relative * ROOM
        heat = flux * SURFACE * volume ** (2.0 / 3.0)
        exponent = float(gas.exponent(np.array([p]))[0])
        return float(-exponent * p / volume + gas.gruneisen * heat / (volume * rate_at(p)))

    for k in range(STEPS):
        step = volumes[k + 1] - volumes[k]
        half = pressure[k] + 0.5 * step * slope(volumes[k], pressure[k])
        pressure[k + 1] = pressure[k] + step * slope(volumes[k] + 0.5 * step, half)
    seconds = sum(float(volumes[1] - volumes[0]) / rate_at(float(p)) for p in pressure[:-1])
    return Course(np.log(volumes / volumes[0]), np.log(pressure / pressure[0]), float(pressure[-1]), seconds)


def one(random: np.random.Generator) -> tuple[float, float]:
    """Return the error of one carried exponent and its u."""
    volume = random.uniform(5e-3, 60e-3)
    gas_volume = volume / random.uniform(1.5, 2.8)
    pressurant = random.choice(["nitrogen", "helium", "air"])
    seconds, heat = random.uniform(4.0, 40.0), np.exp(random.uniform(np.log(0.2), np.log(3.5)))
    low, high = random.uniform(6e5, 15e5), random.uniform(20e5, 50e5)
    liquid = volume - gas_volume
    cda = liquid / seconds / np.sqrt(2.0 * 0.7 * (low - AMBIENT) / 998.0)
    flow = course(Tank(gas_volume, 0.88 * liquid, pressurant, 998.0, cda, heat), low, firing=False)
    hot = course(
        Tank(gas_volume, 0.96 * liquid, pressurant, 858.0, cda, heat * random.uniform(0.8, 1.2)), high, firing=True
    )
    L = flow.log_volume[1:]
    n0, c = np.linalg.lstsq(np.column_stack([-L, -(L**2)]), flow.log_pressure[1:], rcond=None)[0]
    sides = []
    for run, start in ((flow, low), (hot, high)):
        chord = chord_isentropic_exponent(
            pressurant, start_pressure=start, end_pressure=run.end_pressure, temperature=ROOM
        )
        sides.append(
            Ullage(
                liquid="water",
                pressurant=pressurant,
                end_log_ratio=float(run.log_volume[-1]),
                start_pressure=start,
                duration=run.duration,
                isentropic_chord=chord,
            )
        )
    found = carry_exponent(
        "fuel",
        start=Measured(float(n0), 0.0, "1"),
        drift=Measured(float(c), 0.0, "1"),
        here=sides[0],
        there=sides[1],
        basis="water flow",
    )
    assert found.carried is not None
    return found.carried.value - float(-hot.log_pressure[-1] / hot.log_volume[-1]), found.carried.u


def errors(runs: int, seed: int = SEED) -> tuple[Array, Array]:
    """Return the error of each draw and its u."""
    random = np.random.default_rng(seed)
    error, u = np.array([one(random) for _ in range(runs)]).T
    return error, u


def main() -> None:
    """Print how errors compare with u."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=200)
    number = parser.parse_args().runs
    error, u = errors(number)
    score = error / u
    inside = 100 * np.mean(abs(score) < 2.0)
    print(f"{number} draws: error {np.mean(error):+.4f} on average, sd {np.std(error):.4f}; mean u {np.mean(u):.4f}")
    print(f"error / u: mean {np.mean(score):+.2f}, sd {np.std(score):.2f}; {inside:.1f} % within 2")


if __name__ == "__main__":
    main()
