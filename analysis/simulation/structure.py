"""Compute the load-cell force from thrust and weight: geometry, and the stand's first mode. SI.

The cell is a spring with unit static gain; what rides on it rings at a frequency that rises as propellant
leaves. Force is positive the way thrust pushes, so weight counts against it under a nozzle that points down.
"""

import math

import numpy as np
from scipy.signal import lfilter

from standbook.analysis.simulation.world import World
from standbook.daq.arrays import Array
from standbook.daq.config.stand import Nozzle, Stand

STEP_OF_MASS = 0.1  # s; the frequency is constant within


def weight_sign(nozzle: Nozzle) -> int:
    """Return the sign of weight in the cell's reading."""
    return {"down": -1, "up": 1, "horizontal": 0}[nozzle]


def applied_force(stand: Stand, world: World, thrust: Array, expelled: Array) -> Array:
    """Compute the force of thrust and weight on the cell. [N].

    Parameters
    ----------
    stand : Stand
        Its nozzle direction and whether the tanks ride on the cell.
    world : World
        Moving mass with full tanks and gravity.
    thrust, expelled : (N,) array
        Thrust [N] and mass that has left the tanks [kg].
    """
    mass = world.moving_mass - (expelled if stand.tanks_on_cell else 0.0)
    return thrust + weight_sign(stand.nozzle) * mass * world.gravity


def cell_force(stand: Stand, world: World, time: Array, force: Array, expelled: Array) -> Array:
    """Compute the force that the cell transmits, ringing included. [N].

    Parameters
    ----------
    stand, world
        Geometry, first mode with full tanks, damping.
    time : (N,) array
        Evenly spaced. [s]
    force, expelled : (N,) array
        As from :func:`applied_force` [N]; mass that has left [kg].
    """
    mass = world.moving_mass - (expelled if stand.tanks_on_cell else np.zeros_like(expelled))
    frequency = world.mode * np.sqrt(world.moving_mass / mass)
    return ring(time, force, frequency, world.damping)


def ring(time: Array, force: Array, frequency: Array, damping: float) -> Array:
    r"""Pass a force through an oscillator of slowly varying frequency and unit static gain.

    Parameters
    ----------
    time : (N,) array
        Evenly spaced. [s]
    force, frequency : (N,) array
        Excitation [N] and undamped natural frequency [Hz].
    damping : float
        Share of critical, below 1.

    Notes
    -----
    :math:`H(s) = \omega^2 / (s^2 + 2 \zeta \omega s + \omega^2)` as one complex pole, exact for a force that is
    straight between samples. Where the frequency steps, the output and its rate go on unbroken.
    """
    interval = float(time[-1] - time[0]) / (time.size - 1)
    length = max(2, round(STEP_OF_MASS / interval))
    out = np.empty_like(force)
    out[0] = force[0]
    value, rate = float(force[0]), 0.0
    for start in range(0, time.size - 1, length):
        stop = min(start + length, time.size - 1)
        omega = 2.0 * math.pi * float(frequency[(start + stop) // 2])
        pole = complex(-damping * omega, omega * math.sqrt(1.0 - damping**2))
        gain = omega**2 / (2j * pole.imag)
        x = pole * interval
        grown = np.exp(x)
        late = (grown - 1.0 - x) / x**2
        early = (grown - 1.0) / x - late
        # State that has this output and rate: 2 Re(gain z) = value, 2 Re(gain pole z) = rate.
        # The force at the first sample enters through the state's own equation, z' = pole z + force.
        z = complex(value / 2.0, (pole.real * value - rate) / (2.0 * pole.imag)) / gain
        drive = interval * (early * force[start:stop] + late * force[start + 1 : stop + 1])
        states, _ = lfilter([1.0], [1.0, -grown], drive.astype(np.complex128), zi=np.array([grown * z]))
        out[start + 1 : stop + 1] = 2.0 * np.real(gain * states)
        value, rate = float(out[stop]), float(2.0 * np.real(gain * pole * states[-1]))
    return out
