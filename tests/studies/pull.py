"""How right the factor of an in-place pull is, hoses stiffening under pressure, and how honest its u.

The truth is a spring beside the cell that grows with pressure, a slider that sticks (it follows the cell with play) and
a hose end that pushes, each by its own law; no formula of the fit is in it. Wanted: factor at 31, 15 and 0 bar and over
a burn within 0.05 % on average, 95 % intervals that hold 91 to 99 %. Run from the project's folder:

    python -m tests.studies.pull --runs 4000
"""

import argparse
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.pull_fit import PullFit, PullPoints, fit_pull, last_moves
from standbook.daq.arrays import Array

SEED = 20310614
FORCES = np.linspace(0.0, 2000.0, 6)  # N
FULL = 31e5  # Pa gauge
NOISE, FRICTION, PUSH, REFERENCE = 2.0, 3.0, 1.5e-5, 0.002  # N, N, N/Pa, relative
BURN = np.linspace(31e5, 15e5, 33)
NORMAL = 1.959964  # 95 % of a normal error
PLACES = ("31 bar", "15 bar", "0 bar", "burn")


@dataclass(frozen=True, slots=True)
class Stand:
    """Stiffness of what carries force beside the cell, in shares of the cell's: empty, and gained at full pressure."""

    beside: float = 0.0080
    gained: float = 0.0063

    def share(self, pressure: Array) -> Array:
        """Return the share of a force that reaches the cell: springs side by side."""
        return 1.0 / (1.0 + self.beside + self.gained * pressure / FULL)


def stuck(force: Array) -> Array:
    """Return what a slider with dry friction keeps from the cell, exercised before: it came down to the first force."""
    carried, left = 0.0, np.empty_like(force)
    last = force[0] + 200.0
    for k, now in enumerate(force):
        carried = float(np.clip(carried + 0.1 * (now - last), -FRICTION, FRICTION))  # its bristles are stiff
        left[k], last = carried, now
    return left


def pulled(random: np.random.Generator, stand: Stand, *, highest: float = 2000.0) -> PullPoints:
    """Draw one pull: forces up and down, lines empty and full."""
    steps = np.concatenate([FORCES, FORCES[::-1]]) * highest / FORCES[-1]
    force = np.concatenate([steps, steps])
    pressure = np.repeat([0.0, FULL], steps.size)
    slider = np.concatenate([stuck(steps), stuck(steps)])
    cell = (force + PUSH * pressure) * stand.share(pressure) - slider + random.normal(0.0, NOISE, force.size)
    direction = np.concatenate([last_moves(steps), last_moves(steps)])
    read = force * (1.0 + REFERENCE * random.normal())
    return PullPoints(force=read, cell=cell + random.uniform(-20.0, 20.0), pressure=pressure, direction=direction)


def found(fit: PullFit) -> tuple[Array, Array]:
    """Return the factor at the three pressures and over the burn, and its u. (4,) each."""
    at = np.array([FULL, 15e5, 0.0])
    mean, u = fit.mean_factor(BURN, np.ones_like(BURN))
    return np.append(fit.factor(at), mean), np.append(fit.factor_u(at), u)


def errors(runs: int, stand: Stand, *, highest: float = 2000.0, seed: int = SEED) -> tuple[Array, Array, Array]:
    """Return relative errors (runs, 4), their u (runs, 4), and the push of pressure that was found (runs,) [N/Pa]."""
    random = np.random.default_rng(seed)
    truth = np.append(1.0 / stand.share(np.array([FULL, 15e5, 0.0])), np.mean(1.0 / stand.share(BURN)))
    fits = [fit_pull(pulled(random, stand, highest=highest), reference_u=REFERENCE) for _ in range(runs)]
    value, u = (np.array(part) for part in zip(*(found(fit) for fit in fits), strict=True))
    return value / truth - 1.0, u / truth, np.array([fit.of("line_load")[0] for fit in fits])


def main() -> None:
    """Print bias, spread and coverage."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=4000)
    runs = parser.parse_args().runs
    for what, stand, highest in (
        ("no stiffening", Stand(gained=0.0), 2000.0),
        ("0.62 % stiffer", Stand(), 2000.0),
        ("0.62 %, to 400 N", Stand(), 400.0),
    ):
        error, u, push = errors(runs, stand, highest=highest)
        for k, place in enumerate(PLACES):
            held = 100 * np.mean(np.abs(error[:, k]) < NORMAL * u[:, k])
            print(
                f"{what:18s} {place:7s} bias {100 * np.mean(error[:, k]):+.3f} %  sd {100 * np.std(error[:, k]):.3f} %"
                f"  u {100 * np.mean(u[:, k]):.3f} %  held {held:.1f} %"
            )
        print(f"{what:18s} push found {1e5 * np.mean(push):.3f} N/bar")


if __name__ == "__main__":
    main()
