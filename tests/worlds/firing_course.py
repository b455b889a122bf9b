"""The true course of a firing: two tanks into one chamber. SI, absolute pressures, seconds after T-0."""

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from tests.worlds.flow_course import Course, row_of
from tests.worlds.steps import near, runge_kutta

STEADY, MOVING, RESTING, WAITING = 4e-3, 1e-3, 0.01, 0.04  # steps: steady burn; something moves; after; before [s]
LONGEST = 120.0  # [s]


@dataclass(frozen=True, slots=True, eq=False)
class FiringCourse:
    """What truly happened; arrays of equal length."""

    time: np.ndarray
    tanks: dict[str, Course]
    chamber: np.ndarray  # [Pa]
    thrust: np.ndarray  # [N]

    def at(self, times, column):
        """Return a column at other times."""
        return np.interp(times, self.time, column)


def target(engine, t, flows, gas_velocity, lit):
    """Return the chamber pressure that flows of both tanks would hold, without air outside. [Pa]."""
    (oxidiser, gas_o), (fuel, gas_f) = flows
    velocity = engine.cstar(oxidiser, fuel) if t > lit else 60.0
    pushed = velocity * (oxidiser + fuel) + gas_velocity[0] * gas_o + gas_velocity[1] * gas_f
    return pushed / engine.throat_area


def firing_course(tanks, engine, ambient, begin, story):
    """Integrate two tanks and the chamber.

    Parameters
    ----------
    tanks : tuple of two Tank
        Oxidiser and fuel.
    story : callable
        ``story(t, liquids, dry)`` returns the tanks with their movements and the course's end, or ``None`` as long
        as the crew has not moved.

    Returns
    -------
    tuple of tanks and FiringCourse
    """
    cold = tuple(math.sqrt(tank.gas.r * 250.0) / 0.68 for tank in tanks)
    lit = max(tank.valve.opens + 0.5 * tank.valve.opening.seconds for tank in tanks) + engine.ignition
    state = (*tanks[0].at_rest(), *tanks[1].at_rest(), ambient)
    t, end, dry = begin, math.inf, [math.inf, math.inf]
    rows = [row(tanks, engine, ambient, t, state)]

    def rates(t, s):
        behind = engine.behind_injector(s[12], ambient)
        one, flows_o = tanks[0].rates(t, s[:6], behind, ambient)
        two, flows_f = tanks[1].rates(t, s[6:12], behind, ambient)
        wanted = max(target(engine, t, (flows_o, flows_f), cold, lit), ambient)
        return (*one, *two, (wanted - s[12]) / engine.fill_time)

    while t < end:
        if t > LONGEST:
            raise ValueError(f"after {t:.0f} s the crew has not moved; a tank cannot empty as far as it waits for")
        lefts = [tank.left(liquid) for tank, liquid in zip(tanks, (state[0], state[6]), strict=True)]
        for k in (0, 1):
            if lefts[k] < 1.0 and math.isinf(dry[k]):
                dry[k] = t
        if math.isinf(end) and (moved := story(t, (state[0], state[6]), tuple(dry))) is not None:
            tanks, end = moved
        step = step_at(tanks, t, lefts, dry, lit)
        state = runge_kutta(rates, t, state, step)
        t += step
        rows.append(row(tanks, engine, ambient, t, state))
    return tanks, _course(tanks, rows)


def step_at(tanks, t, lefts, dry, lit):
    """Return the step. [s]."""
    if all(t < tank.valve.opens - 0.06 for tank in tanks):
        return WAITING
    if all(t > tank.valve.closes + tank.valve.closing.seconds + 0.3 for tank in tanks):
        return RESTING
    breaking = any(
        left < 1.3 and t - d < tank.knee.seconds + 0.1 for left, d, tank in zip(lefts, dry, tanks, strict=True)
    )
    if breaking or abs(t - lit) < 0.1 or any(near(t, tank.valve.moves) for tank in tanks):
        return MOVING
    return STEADY


def row(tanks, engine, ambient, t, state):
    """Return one row of a course."""
    chamber = state[12]
    thrust = engine.thrust(chamber, ambient)
    behind = engine.behind_injector(chamber, ambient)
    return (*row_of(tanks[0], t, state[:6], behind), *row_of(tanks[1], t, state[6:12], behind)[1:], chamber, thrust)


def _course(tanks, rows):
    columns = np.array(rows).T
    size = len(dataclasses.fields(Course))
    time = columns[0]
    courses = {tanks[0].name: Course(*columns[:size]), tanks[1].name: Course(time, *columns[size : 2 * size - 1])}
    return FiringCourse(time, courses, columns[-2], columns[-1])
