"""How often the CdA of a water flow whose injector may have cavitated is carried to a firing, and how often it holds.

A line with a share of its loss along smooth walls, in series with short holes that obey [Nurick1976]: they pass
Cd of a full hole or C_c sqrt(K), whichever is less. Nothing here calls what is tested. Wanted: of the CdA that are
carried at least 93 % within 2 u of the firing's; below K = 1.8 none is carried, from K = 2 on all are. Run from the
project's folder:

    python -m tests.studies.cavitating_injector --runs 2000
"""

import argparse
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from standbook.analysis.prediction.carry_over import Side, carry_cda
from standbook.analysis.results.quantities import Measured

SEED = 20310602
VAPOUR = 2.3e3  # Pa, water at 20 degC
BAR = 1e5
AIR = 0.978e5  # Pa absolute
SHARP = 0.62  # contraction of a sharp-edged hole
WATER, OXYGEN = (998.2, 1.002e-3), (1139.0, 0.191e-3)  # kg/m3, Pa s
WALLS = 0.10  # of a side's loss, at most, along smooth walls


@dataclass(frozen=True, slots=True)
class Injector:
    """One side of an engine: what it passes full, and how its loss is shared."""

    cda: float  # of line and full holes together, at the firing's Reynolds number [m2]
    share: float  # of the loss, in the holes while they run full
    full: float  # discharge coefficient of a full hole
    walls: float  # of the loss, along smooth walls

    def passes(self, before: float, behind: float, density: float, viscosity: float, firing: float) -> float:
        """Return the CdA of the whole side [m2]; ``firing`` is density over viscosity times root drop there."""
        here = np.sqrt((before - behind) / density) * density / viscosity
        line = (1.0 - self.share - self.walls) + self.walls * (here / firing) ** -0.25

        def excess(manifold: float) -> float:
            k = (manifold - VAPOUR) / (manifold - behind)
            cd = min(self.full, SHARP * np.sqrt(k))
            holes = self.share * (self.full / cd) ** 2  # loss over that of the whole side when full
            return float((before - manifold) / line - (manifold - behind) / holes)

        manifold = brentq(excess, behind + 1.0, before - 1.0)
        return float(self.cda * np.sqrt((before - manifold) / line / (before - behind)))


@dataclass(frozen=True, slots=True)
class Outcome:
    """Least cavitation number of a flow, and error over u of the carried CdA; none: refused."""

    cavitation: float
    z: float | None


def outcomes(runs: int, seed: int = SEED) -> list[Outcome]:
    """Draw sides, flow them with water and carry what was measured to a firing."""
    rng = np.random.default_rng(seed)
    return [_outcome(rng) for _ in range(runs)]


def _outcome(rng: np.random.Generator) -> Outcome:
    side = Injector(rng.uniform(5e-6, 40e-6), rng.uniform(0.3, 0.9), rng.uniform(0.70, 0.84), rng.uniform(0.0, WALLS))
    before = rng.uniform(9.0, 31.0) * BAR + AIR
    behind = rng.choice([0.0, rng.uniform(0.0, 6.0), rng.uniform(0.3, 0.6) * (before - AIR) / BAR]) * BAR + AIR
    density, viscosity = WATER
    tank, chamber = 32.0 * BAR, 23.2 * BAR
    firing = np.sqrt((tank - chamber) / OXYGEN[0]) * OXYGEN[0] / OXYGEN[1]
    truth = side.cda  # the oxidiser runs at K = 3.5
    flowed = side.passes(before, behind, density, viscosity, firing)
    u = 0.006 * flowed
    measured = Measured(flowed + u * rng.standard_normal(), u, "m2")
    here = Side(
        liquid="water",
        density=density,
        viscosity=viscosity,
        vapour_pressure=VAPOUR,
        inlet=(before, before),
        outlet=(behind, behind),
    )
    there = Side(
        liquid="liquid oxygen",
        density=OXYGEN[0],
        viscosity=OXYGEN[1],
        vapour_pressure=1.22 * BAR,
        inlet=(tank, tank),
        outlet=(chamber, chamber),
    )
    carried = carry_cda(measured, here, there).carried
    number = (before - VAPOUR) / (before - behind)
    return Outcome(number, None if carried is None else (carried.value - truth) / carried.u)


def main() -> None:
    """Print how many were refused by cavitation number, and how many of the carried hold the truth."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=2000)
    found = outcomes(options.parse_args().runs)
    for low, high in ((1.0, 1.8), (1.8, 2.0), (2.0, 9.0)):
        inside = [one for one in found if low <= one.cavitation < high]
        z = np.array([one.z for one in inside if one.z is not None])
        held = f"{np.mean(np.abs(z) < 2.0):.1%} within 2 u, worst {np.abs(z).max():.1f} u" if z.size else "none carried"
        print(f"K {low:.1f} to {high:.1f}: {len(inside)} flows, {len(inside) - z.size} refused, {held}")


if __name__ == "__main__":
    main()
