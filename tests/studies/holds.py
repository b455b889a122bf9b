"""How right the leak rate of a pressure hold is, how honest its u, and how often its verdict is wrong.

The truth is a tank of two wall halves and one gas, stepped in time: heat goes to the walls as a laminar plate loses it
(Ra to a quarter) and through still gas beside that, sun falls on one half, the room drifts, the gas is a virial one
with Abbott's coefficients, and the hole is choked. Wanted: bias within 0.01 g/min in the shade over 30 min, wrong
verdicts at most 5 %, 5 K of cooling never called a leak, 95 % intervals that hold 90 % or "cannot tell". A whole
record, vented, pressurised, held, vented, must begin and end where it was held: within two means of 5 s of when it had
settled, and 10 to 20 s before it was vented or, where a leak takes 5 % of it, by then. Run from the project's folder:

    python -m tests.studies.holds --runs 60
"""

import argparse
import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.calibration.leak_rate import SHADE, SUN, Doubt, Hold, LeakRate, judge_hold, leak_rate
from standbook.analysis.pressure_hold.held_stretch import held_stretch
from standbook.daq.arrays import Array

SEED = 20310613
NORMAL = 1.959964
VOLUME, AREA, HEIGHT = 14.6e-3, 0.35, 0.45  # m3, m2, m
WALL = 5200.0  # J/K, both halves
OUTSIDE, BETWEEN = 6.0, 3.0  # W/(m2 K) to the room; W/K from half to half
STEP, ROW = 1.0, 5.0  # s
WANTED = 0.1  # g/min
RISING, AIR = 30.0, 0.978e5  # s, Pa
# molar mass [kg/mol], critical temperature [K] and pressure [Pa], acentric factor, third virial coefficient [m6/mol2],
# isochoric heat capacity [J/(mol K)], conductivity [W/(m K)], viscosity [Pa s]: tables of gases, from memory
NITROGEN = (28.013e-3, 126.2, 34.0e5, 0.037, 1.4e-9, 20.9, 0.0255, 1.75e-5)
HELIUM = (4.0026e-3, 5.19, 2.27e5, -0.39, 0.1e-9, 12.5, 0.150, 1.95e-5)
R = 8.314


@dataclass(frozen=True, slots=True)
class Case:
    """One way to hold."""

    name: str
    gas: str = "nitrogen"
    settled: float = 600.0  # s
    held: float = 1800.0
    sun: float = 0.0  # W at most, on one half
    gas_u: float = SHADE
    leak: float = 0.0  # g/min at full pressure
    cooling: float | None = None  # K/h of the room; none: drawn within 2
    start: float = 0.0  # K, the wall above the room


CASES = (
    Case("shade, 30 min"),
    Case("shade, 20 min, settled 3", settled=180.0, held=1200.0),
    Case("shade, 60 min", held=3600.0),
    Case("sun, u_T 0.1", sun=60.0),
    Case("sun, u_T 0.8", sun=60.0, gas_u=SUN),
    Case("helium, settled 5", gas="helium", settled=300.0),
    Case("wall cools by 5 K", start=12.5, cooling=0.0),
    Case("wall cools by 10 K", start=25.0, cooling=0.0),
)


def virial(gas: tuple[float, ...], moles: float, kelvin: float) -> float:
    """Return the pressure of a virial gas. [Pa]."""
    _, tc, pc, w, third, *_ = gas
    tr = kelvin / tc
    second = R * tc / pc * (0.083 - 0.422 / tr**1.6 + w * (0.139 - 0.172 / tr**4.2))
    n = moles / VOLUME
    return n * R * kelvin * (1.0 + second * n + third * n * n)


def conductance(gas: tuple[float, ...], moles: float, wall: float, inside: float) -> float:
    """Return what a square metre of wall takes from the gas, a kelvin apart. [W/(m2 K)]."""
    mass, *_, heat, conducts, drags = gas
    density = moles * mass / VOLUME
    rayleigh = 9.81 * abs(wall - inside) / inside * HEIGHT**3 * density**2 * (heat + R) / mass / (drags * conducts)
    return conducts / HEIGHT * (4.0 + 0.6 * rayleigh**0.25)


def hold(random: np.random.Generator, case: Case) -> Hold:
    """Play one hold, and read it from where it is taken as settled."""
    gas = HELIUM if case.gas == "helium" else NITROGEN
    drift = random.uniform(-2.0, 2.0) if case.cooling is None else case.cooling
    room, lit, dark = 288.0, 288.0 + case.start, 288.0 + case.start
    inside = dark + random.uniform(10.0, 25.0)
    moles = 32e5 * VOLUME / (R * 288.0)
    full = virial(gas, moles, inside) / math.sqrt(inside)
    sunny = np.zeros(round((case.settled + case.held) / STEP))
    begin = random.uniform(case.settled, case.settled + case.held - 600.0)
    if case.sun:
        sunny[round(begin / STEP) : round((begin + 600.0) / STEP)] = random.uniform(0.0, case.sun)
    half, rows = AREA / 2.0, []
    for k, power in enumerate(sunny.tolist()):
        pressure = virial(gas, moles, inside)
        if k * STEP >= case.settled and k % round(ROW / STEP) == 0:
            rows.append((k * STEP, pressure, dark))
        taken = [conductance(gas, moles, wall, inside) * half * (wall - inside) for wall in (lit, dark)]
        outside, across = room + drift * k * STEP / 3600.0, BETWEEN * (lit - dark)
        lit += STEP / (WALL / 2.0) * (power - across - taken[0] - OUTSIDE * half * (lit - outside))
        dark += STEP / (WALL / 2.0) * (across - taken[1] - OUTSIDE * half * (dark - outside))
        inside += STEP * sum(taken) / (moles * gas[5])
        moles -= STEP * case.leak / 6e4 / gas[0] * pressure / math.sqrt(inside) / full
    time, pressure, wall = np.array(rows).T
    return Hold(
        time=time,
        pressure=pressure + random.normal(0.0, 300.0, time.size) + random.normal(0.0, 2e3),
        temperature=wall + random.normal(0.0, 0.03, time.size) + random.normal(0.0, 0.3),
        gas=case.gas,
        gas_volume=(VOLUME, 0.1e-3),
    )


def rates(runs: int, case: Case, seed: int = SEED) -> list[LeakRate]:
    """Return the rates of so many holds."""
    random = np.random.default_rng(seed)
    return [leak_rate(hold(random, case), Doubt(gas_u=case.gas_u)) for _ in range(runs)]


def verdicts(runs: int, leak: float, seed: int = SEED) -> dict[str, int]:
    """Count what is said of holds in the shade with a leak, in g/min."""
    said: dict[str, int] = {}
    for rate in rates(runs, Case("leaking", leak=leak), seed):
        says = judge_hold(rate, WANTED / 6e4).says
        said[says] = said.get(says, 0) + 1
    return said


def whole(random: np.random.Generator, case: Case) -> tuple[Array, Array, float]:
    """Return a record from before pressurising to after venting, time [s] and pressure [Pa], and when it was vented."""
    held = hold(random, case)
    time = np.arange(-random.uniform(10.0, 60.0) - RISING, float(held.time[-1]) + 20.0, 0.2)
    full = np.interp(time, held.time, held.pressure)
    rising = AIR + (full - AIR) * np.clip(1.0 + time / RISING, 0.0, 1.0)
    pressure = np.where(time > held.time[-1], AIR, rising)
    return time, pressure + random.normal(0.0, 600.0, time.size), float(held.time[-1])


def stretches(runs: int, case: Case, seed: int = SEED) -> tuple[Array, Array]:
    """Return by how much later than settled, and earlier than vented, the held stretches begin and end. [s]."""
    random = np.random.default_rng(seed)
    late, early = [], []
    for _ in range(runs):
        time, pressure, vented = whole(random, replace(case, settled=0.0))
        begun, over = held_stretch(time, pressure, settle=case.settled)
        late.append(begun - case.settled)
        early.append(vented - over)
    return np.array(late), np.array(early)


def wrong(said: dict[str, int], leak: float) -> int:
    """Count the verdicts that the truth contradicts."""
    lies = set()
    if leak >= WANTED:
        lies |= {"tight", "leaks, less"}
    if leak <= WANTED:
        lies |= {"leaks, more"}
    if leak <= 0.0:
        lies |= {"leaks, less"}
    if leak >= 0.0:
        lies |= {"supply leaks in"}
    return sum(count for says, count in said.items() if says in lies)


def main() -> None:
    """Print errors of rates and what was said."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=60)
    runs = parser.parse_args().runs
    for case in CASES:
        found = rates(runs, case)
        rate, u = (6e4 * np.array([getattr(one, name) for one in found]) for name in ("rate", "u"))
        error = rate - case.leak
        held = 100 * np.mean(np.abs(error) < NORMAL * u)
        called = sum(judge_hold(one, WANTED / 6e4).says.startswith("leaks") for one in found)
        print(
            f"{case.name:25s} bias {np.mean(error):+.4f} g/min, sd {np.std(error):.4f}, u {np.mean(u):.4f},"
            f" held {held:.0f} %; called leaking {called} of {runs}",
            flush=True,
        )
    for leak in (-0.1, 0.0, 0.02, 0.05, 0.1, 0.15, 0.3):
        said = verdicts(runs, leak)
        print(f"leak {leak:+.2f} g/min: {said}; wrong {wrong(said, leak)} of {runs}", flush=True)
    for case in (*CASES, Case("leaks 2 g/min", leak=2.0), Case("supply passes 2 g/min", leak=-2.0)):
        late, early = stretches(max(runs // 4, 1), case)
        print(
            f"{case.name:25s} whole record: begun {np.min(late):+.1f} to {np.max(late):+.1f} s after it had settled, "
            f"ended {np.min(early):.1f} to {np.max(early):.1f} s before it was vented",
            flush=True,
        )


if __name__ == "__main__":
    main()
