"""Simulate what a crew does to a stand at rest: taps with masses bolted on, a filling that boils off, a night. SI.

Each gives the force on the load cell, and the truth that the analysis should find. The stand is the oscillator of the
firings, with its mode, damping and moving mass.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from standbook.analysis.simulation.structure import ring, weight_sign
from standbook.analysis.simulation.world import CRYOGENIC_TEMPERATURE, World
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand

STEPS = 2  # of the ringing to a row
QUIET, TAPS, EVERY, JITTER = 5.0, 10, 4.0, 0.3  # s before the first, their number, s from one to the next, its spread
TAIL = 4.0  # s, still, at the end
BOLTING = 20.0  # s in which a mass is bolted on, and the stand left alone again
MALLET = 6e-3  # s of contact, soft
BLOW = (0.3, 0.6)  # N s
PLACE = 1e-3  # of the mode, by where and how hard the mallet hits, standard; judgement
CELL_NOISE = 2.0  # N, white, of a row
EMPTY, POURING, FILLED = 30.0, 60.0, 45.0  # s
BOILING = 12e-3 / 60.0  # kg/s of a cryogen in a vented tank
GUSTS, GUST_TIME = 0.5, 1.0  # N, s: calm air
WALK, DRIFT = 0.05, 0.02 / 60.0  # N/sqrt(min), N/s: how an unloaded cell wanders
HOSES = 1.0  # N that filling makes hoses push by, standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """A tap test: the cell's force, and when each state is over."""

    force: Array  # (N,) [N]
    ends: tuple[float, ...]  # of the taps of each mass [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A filling: the cell's force, and what is true of it."""

    force: Array  # (N,) [N]
    mass: float  # that was filled in [kg]
    boiling: float  # [kg/s]
    marks: dict[str, float]  # by which instant each step can be taken [s]


def tapped(
    world: World,
    stand: Stand,
    added: Sequence[float],
    random: np.random.Generator,
    *,
    rate: int,
    taps: int = TAPS,
) -> Tapped:
    """Tap a stand some times with each mass added, the first of them nothing.

    Parameters
    ----------
    world : World
        Its mode with full tanks, damping, moving mass.
    stand : Stand
        Which way a weight presses.
    added : sequence of float
        Masses, each bolted on after the one before was tapped. [kg]
    random : Generator
        Of blows and noise.
    rate, taps : int
        Rows a second; blows with each mass.
    """
    steps = rate * STEPS
    state = QUIET + taps * EVERY
    time = np.arange(round((state * len(added) + BOLTING * (len(added) - 1) + TAIL) * steps)) / steps
    blows, static, frequency = np.zeros(time.size), np.zeros(time.size), np.zeros(time.size)
    ends = []
    sign = weight_sign(stand.nozzle)
    before = 0.0
    for number, mass in enumerate(added):
        begin = number * (state + BOLTING)
        middle = begin - BOLTING / 2.0
        here = time >= (middle if number else 0.0)
        moving = world.moving_mass + mass
        mode = world.mode * math.sqrt(world.moving_mass / moving)
        frequency[here] = mode
        # a mass is lowered on to the stand, not dropped
        rise = np.clip((time - middle) / 2.0, 0.0, 1.0) if number else np.ones(time.size)
        static += sign * (mass - before) * world.gravity * rise * rise * (3.0 - 2.0 * rise)
        before = mass
        for blow in range(taps):
            at = begin + QUIET + EVERY * blow + JITTER * float(random.uniform())
            blows += float(random.uniform(*BLOW)) * _half_sine(time - at)
            frequency[time >= at - EVERY / 8.0] = mode * (1.0 + PLACE * float(random.standard_normal()))
        ends.append(begin + state)
    force = ring(time, static + blows, frequency, world.damping)[::STEPS]
    return Tapped(force=force + CELL_NOISE * random.standard_normal(force.size), ends=tuple(ends))


def _half_sine(time: Array) -> Array:
    """Return the force of a blow of one newton second."""
    inside = (time >= 0.0) & (time <= MALLET)
    return np.where(inside, math.pi / (2.0 * MALLET) * np.sin(math.pi * np.clip(time / MALLET, 0.0, 1.0)), 0.0)


def filled(plan: Plan, world: World, stand: Stand, random: np.random.Generator, *, rate: int, wait: float) -> Loaded:
    """Fill the tanks of a stand and wait beside it, vented, for a time [s]."""
    sign = weight_sign(stand.nozzle)
    mass = sum(tank.load for tank in world.tanks)
    cold = any(tank.liquid.strip().lower() in CRYOGENIC_TEMPERATURE for tank in plan.tank)
    boiling = BOILING if cold else 0.0
    time = np.arange(round((EMPTY + POURING + FILLED + wait) * rate)) / rate
    poured = np.clip((time - EMPTY) / POURING, 0.0, 1.0)
    aboard = mass * poured - boiling * np.maximum(time - EMPTY - POURING - FILLED, 0.0)
    hoses = HOSES * float(random.standard_normal()) * poured
    force = sign * aboard * world.gravity + hoses + wander(time, random)
    marks = {"empty": EMPTY, "filled": EMPTY + POURING + FILLED, "waited": float(time[-1])}
    return Loaded(force=force, mass=mass, boiling=boiling, marks=marks)


def night(random: np.random.Generator, *, rate: int, seconds: float) -> Array:
    """Return the force on a cell that nobody loads, over some time. (N,) [N]."""
    return wander(np.arange(round(seconds * rate)) / rate, random)


def wander(time: Array, random: np.random.Generator) -> Array:
    """Return how a cell wanders by itself in calm air: gusts, a random walk, a straight drift. (N,) [N]."""
    step = float(time[1] - time[0])
    walk = np.cumsum(WALK * math.sqrt(step / 60.0) * random.standard_normal(time.size))
    drift = DRIFT * float(random.standard_normal()) * time
    coarse = np.arange(0.0, float(time[-1]) + 2.0 * GUST_TIME, GUST_TIME)
    gusts = np.interp(time, coarse, GUSTS * random.standard_normal(coarse.size))
    return np.asarray(walk + drift + gusts)
