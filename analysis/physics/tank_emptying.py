"""Tanks that empty until the first liquid is out: a firing of two, a cold flow of one, many samples at once.

SI, absolute pressures. Fixed steps of fourth order in time; the instant at which a tank runs out is found inside
its step. Nothing is said about what follows that instant. Reads no file, clock or setting.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.physics.engine import Chamber, Side, chamber_equilibrium
from standbook.daq.arrays import Array

_CORRECTIONS = 3  # of the last step's length at most; each squares the error of a nearly straight line
_EXACT = 1e-6  # of a step; the square of a correction this small is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Firing:
    """A two-tank firing against time. Arrays (T, S), or (S,) for one instant."""

    oxidiser_mass: Array  # aboard [kg]
    fuel_mass: Array  # aboard [kg]
    oxidiser_pressure: Array  # tank, absolute [Pa]
    fuel_pressure: Array  # tank, absolute [Pa]
    chamber_pressure: Array  # absolute [Pa]
    oxidiser_flow: Array  # [kg/s]
    fuel_flow: Array  # [kg/s]
    thrust: Array  # at site ambient [N]
    impulse: Array  # since opening, at site ambient [N*s]


@dataclass(frozen=True, slots=True)
class ColdFlow:
    """One tank emptied into a constant back pressure. Arrays (T, S), or (S,) for one instant."""

    mass: Array  # aboard [kg]
    pressure: Array  # tank, absolute [Pa]
    flow: Array  # [kg/s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Emptying:
    """State against time, held after each sample's end."""

    time: Array  # (T,) [s]
    states: Array  # (T, K, S)
    end_time: Array  # (S,), infinite where the liquid outlasted the steps [s]
    end_state: Array  # (K, S)
    first_out: NDArray[np.int64]  # (S,) row of the liquid that ran out, -1 where none did


def empty(rates: Callable[[Array], Array], state: Array, residuals: Array, *, step: float, most_steps: int) -> Emptying:
    """Integrate until one of the first liquids falls to its residual.

    Parameters
    ----------
    rates : callable
        Time derivative of a state, same shape.
    state : (K, S) array
        At opening; its first rows are the liquids aboard. [kg]
    residuals : (L, S) array
        What of each of the first L rows cannot leave. [kg]
    step : float
        [s]
    most_steps : int
        Samples that still flow after these are left unfinished.
    """
    number = state.shape[1]
    end_time, first_out = np.full(number, np.inf), np.full(number, -1, dtype=np.int64)
    states = [state]
    for index in range(most_steps):
        flowing = np.isinf(end_time)
        if not flowing.any():
            break
        slope = rates(state)
        moved = _advance(rates, state, slope, np.where(flowing, step, 0.0))
        out = flowing & (moved[: residuals.shape[0]] <= residuals).any(axis=0)
        if out.any():
            length, liquid = _last_step(rates, state, slope, residuals, step, moved)
            partial = _advance(rates, state, slope, np.where(out, length, 0.0))
            moved = np.where(out, partial, moved)
            end_time = np.where(out, index * step + length, end_time)
            first_out = np.where(out, liquid, first_out)
        state = moved
        states.append(state)
    return Emptying(
        time=step * np.arange(len(states), dtype=np.float64),
        states=np.stack(states),
        end_time=end_time,
        end_state=state,
        first_out=first_out,
    )


def fire(
    oxidiser: Side, fuel: Side, chamber: Chamber, *, step: float, most_steps: int
) -> tuple[Emptying, Callable[[Array], Firing]]:
    """Fire both tanks into the chamber until the first runs out.

    Returns the masses and impulse against time, and a function that turns any of its states, (..., 3, S), into a
    `Firing`: history from ``states``, end from ``end_state``.
    """
    conductances = oxidiser.conductance, fuel.conductance

    def observe(state: Array) -> Firing:
        oxidiser_mass, fuel_mass = state[..., 0, :], state[..., 1, :]
        balance = chamber_equilibrium(
            chamber, oxidiser.feed_pressure(oxidiser_mass), fuel.feed_pressure(fuel_mass), *conductances
        )
        return Firing(
            oxidiser_mass=oxidiser_mass,
            fuel_mass=fuel_mass,
            oxidiser_pressure=oxidiser.ullage_pressure(oxidiser_mass),
            fuel_pressure=fuel.ullage_pressure(fuel_mass),
            chamber_pressure=balance.chamber_pressure,
            oxidiser_flow=balance.oxidiser_flow,
            fuel_flow=balance.fuel_flow,
            thrust=chamber.thrust(balance.chamber_pressure),
            impulse=state[..., 2, :],
        )

    recent: list[Array | None] = [None]  # chamber pressure of the last call, where the next search begins

    def rates(state: Array) -> Array:
        feeds = oxidiser.feed_pressure(state[0]), fuel.feed_pressure(state[1])
        balance = chamber_equilibrium(chamber, *feeds, *conductances, guess=recent[0])
        recent[0] = balance.chamber_pressure
        return np.stack([-balance.oxidiser_flow, -balance.fuel_flow, chamber.thrust(balance.chamber_pressure)])

    loads = np.broadcast_arrays(oxidiser.load, fuel.load)
    start = np.stack([*loads, np.zeros_like(loads[0])])
    residuals = np.stack(np.broadcast_arrays(oxidiser.residual, fuel.residual, loads[0])[:2])
    return empty(rates, start, residuals, step=step, most_steps=most_steps), observe


def flow_out(
    side: Side, back_pressure: Array, *, step: float, most_steps: int
) -> tuple[Emptying, Callable[[Array], ColdFlow]]:
    """Empty one tank into a constant absolute back pressure [Pa]; returns as `fire` does, states (..., 1, S)."""
    conductance = side.conductance

    def mass_flow(mass: Array) -> Array:
        return np.asarray(conductance * np.sqrt(np.maximum(side.feed_pressure(mass) - back_pressure, 0.0)))

    def observe(state: Array) -> ColdFlow:
        mass = state[..., 0, :]
        return ColdFlow(mass, side.ullage_pressure(mass), mass_flow(mass))

    def rates(state: Array) -> Array:
        return -mass_flow(state)

    start, residuals = np.atleast_2d(side.load), np.atleast_2d(side.residual)
    return empty(rates, start, residuals, step=step, most_steps=most_steps), observe


def _advance(rates: Callable[[Array], Array], state: Array, slope: Array, step: Array) -> Array:
    """Take one classical Runge-Kutta step of (S,) lengths; ``slope`` is the rate at its start."""
    second = rates(state + 0.5 * step * slope)
    third = rates(state + 0.5 * step * second)
    fourth = rates(state + step * third)
    return np.asarray(state + step / 6.0 * (slope + 2.0 * second + 2.0 * third + fourth))


def _last_step(
    rates: Callable[[Array], Array], state: Array, slope: Array, residuals: Array, step: float, moved: Array
) -> tuple[Array, NDArray[np.int64]]:
    """Return the time to the first residual [s] and its row; meaningful where the step crosses one."""
    liquids = residuals.shape[0]
    above, below = state[:liquids] - residuals, moved[:liquids] - residuals
    crossing = (below <= 0.0) & (above > below)  # a sample that has ended stands still
    fraction = np.divide(above, above - below, out=np.ones_like(above), where=crossing)
    length = step * np.clip(fraction.min(axis=0), 0.0, 1.0)
    liquid = np.argmin(fraction, axis=0)
    for _ in range(_CORRECTIONS):
        there = _advance(rates, state, slope, length)
        flow = -rates(there)[:liquids]
        late = np.divide(there[:liquids] - residuals, flow, out=np.full_like(flow, np.inf), where=flow > 0.0)
        liquid = np.argmin(late, axis=0)
        length = np.clip(length + late.min(axis=0), 0.0, step)
        if np.all(np.abs(late.min(axis=0)) <= _EXACT * step, where=crossing.any(axis=0)):
            break
    return length, liquid
