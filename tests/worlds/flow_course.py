"""The true course of a cold flow: one tank against constant pressure. SI, absolute pressures, seconds after T-0."""

import math
from dataclasses import dataclass

import numpy as np

from tests.worlds.steps import near, runge_kutta

AFTER, FINE, FINEST = 0.01, 2e-3, 5e-4  # steps after the liquid; while a valve moves; while gas breaks through [s]
LONGEST = 400.0  # [s]


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What truly happened in a tank; arrays of equal length."""

    time: np.ndarray
    pressure: np.ndarray
    ullage: np.ndarray
    liquid: np.ndarray  # aboard, film included [kg]
    gas: np.ndarray  # [kg]
    temperature: np.ndarray  # of the gas [K]
    share: np.ndarray  # liquid's share of its full flow at the outlet, valve aside [-]
    drive: np.ndarray  # pressure difference over valve and orifice, column included [Pa]
    open_share: np.ndarray
    out: np.ndarray  # liquid that has come out [kg]
    film: np.ndarray  # of the liquid aboard, on the wall [kg]

    def at(self, times, column):
        """Return a column at other times."""
        return np.interp(times, self.time, column)


def flow_course(tank, back_pressure, begin, closing, *, coarse=0.02):
    """Integrate one tank from ``begin`` on, the crew closing its valve as ``closing`` says.

    Parameters
    ----------
    closing : callable
        ``closing(t, liquid, first_gas)`` returns the tank with its movements and the end of the course, or ``None``
        as long as the crew has not moved; times in seconds, the liquid in kilograms.
    coarse : float
        Step in a steady flow. [s]

    Returns
    -------
    tuple of Tank and Course
    """

    def rates(t, state):
        return tank.rates(t, state, back_pressure, back_pressure)[0]

    t, state, end, dry = begin, tank.at_rest(), math.inf, math.inf
    rows = [row_of(tank, t, state, back_pressure)]
    while t < end:
        if t > LONGEST:
            raise ValueError(f"after {t:.0f} s the crew has not moved; the tank cannot empty as far as it waits for")
        left = tank.left(state[0])
        if left < 1.0 and dry == math.inf:
            dry = t
        if end == math.inf and (moved := closing(t, state[0], dry)) is not None:
            tank, end = moved
        step = step_at(tank, t, left, dry, coarse)
        state = runge_kutta(rates, t, state, step)
        t += step
        rows.append(row_of(tank, t, state, back_pressure))
    return tank, Course(*np.array(rows).T)


def step_at(tank, t, left, dry, coarse):
    """Return the step: coarse in a steady flow, fine where a valve moves or gas breaks through. [s]."""
    if left < 1.2 and t - dry < 1.5 * tank.knee.seconds + 0.1:
        return min(FINE, max(FINEST, tank.knee.seconds / 40.0))
    if near(t, tank.valve.moves) or abs(t - tank.vents) < 0.1:
        return FINE
    if t < tank.valve.opens - 0.1:
        return min(2.0 * coarse, 0.05)
    if t > dry or t > tank.valve.closes:
        return AFTER
    return min(coarse, max(FINEST, 0.4 * (left - 1.0) * tank.knee.seconds))


def row_of(tank, t, state, back_pressure):
    """Return one row of a course."""
    ullage = tank.ullage(state)
    pressure = tank.gas.pressure(state[2] / ullage, state[3])
    share = tank.knee.gas_share(tank.left(state[0]), t)
    liquid = tank.knee.speeds(share, tank.liquid_density, state[2] / ullage)[0]
    drive = pressure - back_pressure + tank.head(state[0])
    return (
        t,
        pressure,
        ullage,
        state[0] + state[1],
        state[2],
        state[3],
        liquid,
        drive,
        tank.valve.share(t),
        state[5],
        state[1],
    )


def liquid_end(tank, course):
    """Return first gas and the instant t* at which a sudden end would have let the same liquid through.

    ``t* = t_first_gas + integral of the liquid's share dt``, the share times the valve's. Not a number where no gas
    came before the valve closed.
    """
    gas = np.flatnonzero((course.share < 1.0 - 1e-9) & (course.time > tank.valve.opens))
    if gas.size == 0:
        return math.nan, math.nan
    first = float(course.time[gas[0]])
    after = course.time >= first
    passed = float(np.trapezoid((course.share * course.open_share)[after], course.time[after]))
    return first, first + passed
