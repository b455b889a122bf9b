"""Sample a simulated test on an even time axis, and add roughness, water jet and ringing stand.

This is the expensive part of a rehearsal; sensors, converter and notes (:mod:`analysis.simulation.instruments`)
can be drawn many times over one of these. SI, absolute pressures, seconds after T-0.
"""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

from standbook.analysis.simulation.chamber import thrust as thrust_of
from standbook.analysis.simulation.chamber import vacuum_thrust
from standbook.analysis.simulation.physics import USUAL, Course, Timeline, simulate
from standbook.analysis.simulation.structure import applied_force, cell_force
from standbook.analysis.simulation.world import World
from standbook.daq.arrays import Array
from standbook.daq.config.stand import Stand

RATE = 4000.0  # Hz; four samples to a reading at 1 kHz
ROUGH_FROM, ROUGH_TO = 20.0, 400.0  # Hz, the band of combustion roughness
AMBIENT_TAU, WARM_TAU = 0.4, 20.0  # s, a feed line chilling and warming up again


@dataclass(frozen=True, slots=True, kw_only=True)
class Physics:
    """True quantities of one test, evenly sampled."""

    world: World
    timeline: Timeline
    course: Course
    time: Array  # (N,) [s] after T-0
    thrust: Array  # at site ambient pressure [N]
    vacuum_thrust: Array  # [N]
    chamber_pressure: Array  # absolute [Pa]
    tank_pressure: Mapping[str, Array]  # of the gas, absolute [Pa]
    manifold_pressure: Mapping[str, Array]  # absolute [Pa]
    liquid_mass: Mapping[str, Array]  # [kg]
    gas_mass: Mapping[str, Array]  # [kg]
    line_temperature: Mapping[str, Array]  # feed line of each tank [K]
    cell_force: Array  # what the cell transmits, before hoses and alignment [N]

    @property
    def expelled(self) -> Array:
        """Mass that has left the tanks, liquid and gas. (N,) [kg]."""
        return _expelled(self.liquid_mass) + _expelled(self.gas_mass)


def perform(world: World, stand: Stand, timeline: Timeline = USUAL) -> Physics:
    """Simulate the physics of one test for a stand's geometry."""
    course = simulate(world, timeline)
    end = course.time[-1]
    time = np.arange(-timeline.before, end, 1.0 / RATE)
    liquid = {name: course.at(time, tank.liquid_mass) for name, tank in course.tanks.items()}
    pressure = {
        name: _with_pressurising(time, course.at(time, tank.pressure), k, len(course.tanks), world, timeline)
        for k, (name, tank) in enumerate(sorted(course.tanks.items()))
    }
    chamber = course.at(time, course.chamber_pressure)
    if world.engine is not None:
        chamber = chamber + _roughness(world, time.size) * (chamber - world.ambient_pressure)
        thrust = thrust_of(world.engine, chamber, world.ambient_pressure)
        vacuum = vacuum_thrust(world.engine, chamber, world.ambient_pressure)
    else:
        thrust = vacuum = _jet(world, course, time)
    physics = Physics(
        world=world,
        timeline=timeline,
        course=course,
        time=time,
        thrust=thrust,
        vacuum_thrust=vacuum,
        chamber_pressure=chamber,
        tank_pressure=pressure,
        manifold_pressure={name: _manifold(world, course, name, time, chamber) for name in course.tanks},
        liquid_mass=liquid,
        gas_mass={name: course.at(time, tank.gas_mass) for name, tank in course.tanks.items()},
        line_temperature={name: _line(world, course, name, time) for name in course.tanks},
        cell_force=np.zeros_like(time),
    )
    return on_stand(physics, stand)


def on_stand(physics: Physics, stand: Stand) -> Physics:
    """Move the same test to a stand of another geometry; only the cell's force changes."""
    force = applied_force(stand, physics.world, physics.thrust, physics.expelled)
    return dataclasses.replace(
        physics, cell_force=cell_force(stand, physics.world, physics.time, force, physics.expelled)
    )


def _expelled(aboard: Mapping[str, Array]) -> Array:
    return np.asarray(sum(mass[0] - mass for mass in aboard.values()), dtype=np.float64)


def _with_pressurising(time: Array, pressure: Array, k: int, tanks: int, world: World, timeline: Timeline) -> Array:
    """Draw the rise from ambient before the hold, one tank after the other.

    It is drawn, not computed: a crew takes minutes where the record shows seconds.
    """
    length = timeline.pressurising / tanks
    begin = -timeline.hold - timeline.pressurising + k * length
    x = np.clip((time - begin) / length, 0.0, 1.0) if length > 0.0 else (time >= begin).astype(np.float64)
    rise = x * x * (3.0 - 2.0 * x)
    return np.where(
        time < -timeline.hold, world.ambient_pressure + (pressure - world.ambient_pressure) * rise, pressure
    )


def _roughness(world: World, samples: int) -> Array:
    if world.engine is None or world.engine.roughness == 0.0:
        return np.zeros(samples)
    random = np.random.default_rng([world.seed, 1])
    band = butter(2, [ROUGH_FROM, ROUGH_TO], "bandpass", fs=RATE, output="sos")
    rough = sosfilt(band, random.standard_normal(samples))
    return np.asarray(world.engine.roughness * rough / np.std(rough), dtype=np.float64)


def _jet(world: World, course: Course, time: Array) -> Array:
    """Reaction of a water jet out of the injector."""
    total = np.zeros_like(time)
    for name, tank in course.tanks.items():
        w = world.tank(name)
        head = np.maximum(tank.outlet_pressure - world.back_pressure, 0.0) * (1.0 - w.line_share) * tank.opening**2
        total += course.at(time, tank.liquid_flow * np.sqrt(2.0 * head / w.liquid_density))
    return total


def _manifold(world: World, course: Course, name: str, time: Array, chamber: Array) -> Array:
    """Pressure between line and injector: the injector's share of the drop, as the square of the opening."""
    tank = course.tanks[name]
    head = np.maximum(tank.outlet_pressure - course.chamber_pressure, 0.0)
    drop = (1.0 - world.tank(name).line_share) * head * tank.opening**2
    return chamber + course.at(time, drop)


def _line(world: World, course: Course, name: str, time: Array) -> Array:
    w = world.tank(name)
    room, cold = world.ambient_temperature, w.liquid_temperature
    opening, closing = course.events[f"opening/{name}"], course.events["closing"]
    chilled = cold + (room - cold) * np.exp(-np.clip(time - opening, 0.0, None) / AMBIENT_TAU)
    warming = room - (room - cold) * np.exp(-np.clip(time - closing, 0.0, None) / WARM_TAU)
    return np.where(time < closing, chilled, warming)
