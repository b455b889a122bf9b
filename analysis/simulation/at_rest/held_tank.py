"""Simulate a pressure hold: gas that cools to its wall, a wall that follows the room, and what leaks. SI, absolute.

The gas is that of the flows: real, free convection to wall and liquid. Truth is the mass of gas, which no instrument
reads. What the board says of it lies beside it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import solve_ivp

from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.gas import opening_flow
from standbook.analysis.simulation.ullage import ALUMINIUM_DENSITY, Tank
from standbook.analysis.simulation.world import TankWorld, world_of
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration, from_si
from standbook.daq.config.campaign import Campaign
from standbook.daq.config.stand import Input
from standbook.daq.errors import UsageError

VENTED, PRESSURISING, LET_GO = 10.0, 30.0, 20.0  # s before, of pressurising, after the hold
LEAST_HELD = 180.0  # s
WARM = 6.0  # K that pressurising leaves the gas above the room
ROOM_DRIFT = 0.5 / 3600.0  # K/s that the room warms by, in the shade
ROOM_FILM = 6.0  # W/(m² K), wall to the air of the room; judgement
NOISE = 1e-4  # of a sensor's range, white
CREEP = 1e-5 / 60.0  # of a pressure sensor's range a second, half-width
METAL_HEAT = 900.0  # J/(kg K), aluminium near room temperature; handbooks, from memory
GRAM_A_MINUTE = 1e-3 / 60.0  # kg/s
LEAKS: Mapping[str, float] = {"": 0.0, "leaks": 0.6, "supply-passes": -0.6}  # g/min, by what is wrong
SUPPLY = 60e5  # Pa, of a bottle that is only shut


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldCourse:
    """True course of one tank over a hold; arrays over its time."""

    time: Array  # (N,) after pressurising [s]
    pressure: Array  # of the gas [Pa]
    gas_mass: Array  # [kg]
    wall_temperature: Array  # [K]

    def rate(self, start: float, end: float) -> float:
        """Return the mean rate at which gas left between two instants. [kg/s]."""
        first, last = np.interp([start, end], self.time, self.gas_mass)
        return float(first - last) / (end - start)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRehearsal:
    """A hold, ready to be played, and its truth by tank."""

    readings: Mapping[str, Array]  # by tag, over all rows, in the reading unit of its calibration
    courses: Mapping[str, HeldCourse]
    seconds: float  # of the hold, settling included


def rehearse_hold(campaign: Campaign, draw: Draw, *, rate: int, wrong: str = "") -> HeldRehearsal:
    """Simulate the hold of a plan.

    Parameters
    ----------
    campaign : Campaign
        Plan of a kind that holds, its stand and calibrations.
    draw : Draw
        What differs from them.
    rate : int
        Rows a second.
    wrong : str
        One of ``LEAKS``: what is wrong with the plan's first tank.

    Raises
    ------
    UsageError
        Nothing that can be wrong is called so.
    """
    if wrong not in LEAKS:
        raise UsageError(
            f"--fault {wrong}: no fault of a hold is called so; known are {', '.join(filter(None, LEAKS))}"
        )
    plan, world = campaign.plan, world_of(campaign.plan, campaign.stand, draw)
    planned = plan.recording.planned_duration.value - VENTED - PRESSURISING - LET_GO
    held = max(plan.hold.settle.value + LEAST_HELD, planned)
    courses = {}
    for number, tank in enumerate(world.tanks):
        leak = LEAKS[wrong] * GRAM_A_MINUTE if number == 0 else 0.0
        opened = with_leak(tank, leak, world.ambient_pressure, world.ambient_temperature)
        courses[tank.name] = held_course(opened, held, world.ambient_pressure, world.ambient_temperature)
    time = np.arange(round((VENTED + PRESSURISING + held + LET_GO) * rate)) / rate - VENTED - PRESSURISING
    readings = _readings(campaign, draw, courses, time, held, world.ambient_pressure)
    return HeldRehearsal(readings=readings, courses=courses, seconds=held)


def with_leak(world: TankWorld, rate: float, ambient_pressure: float, ambient_temperature: float) -> TankWorld:
    """Return a tank that loses gas at a rate [kg/s] at its start pressure, or is fed by a bottle if it is negative."""
    gas = Tank(world).gas
    energy, ratio = gas.specific_constant * ambient_temperature, gas.heat_capacity_ratio
    if rate >= 0.0:
        return replace(world, leak_area=rate / opening_flow(1.0, world.start_pressure, ambient_pressure, energy, ratio))
    area = -rate / opening_flow(1.0, SUPPLY, world.start_pressure, energy, ratio)
    return replace(world, supply_area=area, supply_pressure=SUPPLY)


def held_course(world: TankWorld, held: float, ambient_pressure: float, ambient_temperature: float) -> HeldCourse:
    """Solve one tank from the end of pressurising for a time. [s]."""
    world = replace(world, gas_temperature=ambient_temperature + WARM, wall_temperature=ambient_temperature)
    tank = Tank(world)

    def rates(time: float, y: Array) -> list[float]:
        own = y.tolist()
        state = tank.state(own, 0.0)
        lost = tank.leak(state, own[2], ambient_pressure)
        fed = tank.supply(state, ambient_temperature)
        found = tank.rates(own, state, 0.0, lost, *fed)
        room = ambient_temperature + ROOM_DRIFT * time
        found[3] += ROOM_FILM * (room - own[3]) / (ALUMINIUM_DENSITY * world.wall_thickness * METAL_HEAT)
        return found

    start = tank.start(tank.gas_mass_at(world.start_pressure))
    time = np.linspace(0.0, held, max(int(held), 2))
    solved = solve_ivp(rates, (0.0, held), start, method="LSODA", t_eval=time, rtol=1e-9, atol=1e-12, max_step=5.0)
    pressure = np.array([tank.state(y.tolist(), 0.0).pressure for y in solved.y.T])
    return HeldCourse(time=solved.t, pressure=pressure, gas_mass=solved.y[1], wall_temperature=solved.y[3])


def _readings(
    campaign: Campaign,
    draw: Draw,
    courses: Mapping[str, HeldCourse],
    time: Array,
    held: float,
    ambient_pressure: float,
) -> dict[str, Array]:
    """Return what sensors on the tanks read: vented, pressurised, held, vented."""
    random = draw.generator("hold")
    readings = {}
    for item in campaign.stand.input:
        c, course = campaign.calibrations.get(item.tag), courses.get(item.tank or "")
        if c is None or course is None:
            continue
        true = _seen(item, course, time, held, ambient_pressure)
        if true is not None:
            reading = from_si(true - (ambient_pressure if c.reference == "gauge" else 0.0), c)
            noise = NOISE * (c.highest - c.lowest) * random.standard_normal(time.size)
            readings[item.tag] = _as_read(c, reading, time, draw, item.tag) + noise
    return readings


def _seen(item: Input, course: HeldCourse, time: Array, held: float, ambient_pressure: float) -> Array | None:
    """Return what an input is at, SI, absolute; ``None`` where it has no part in a hold."""
    if item.measures == measurands.TEMPERATURE:
        return np.interp(time, course.time, course.wall_temperature)
    if item.measures != measurands.TANK_PRESSURE:
        return None
    full = np.interp(time, course.time, course.pressure)
    rising = ambient_pressure + (full - ambient_pressure) * np.clip(1.0 + time / PRESSURISING, 0.0, 1.0)
    return np.where(time < held, np.where(time < 0.0, rising, full), ambient_pressure)


def _as_read(c: Calibration, reading: Array, time: Array, draw: Draw, tag: str) -> Array:
    """Return a reading with the errors that its calibration allows, and the creep of a pressure sensor."""
    creep = CREEP * (c.highest - c.lowest) * draw.even("drift", tag) if c.dimension == "pressure" else 0.0
    drift = creep * (time - time[0])
    gain = 1.0 + c.reference_uncertainty.value * draw.normal("reference", tag) if c.dimension == "pressure" else 1.0
    return np.asarray(reading * gain + c.zero_uncertainty * draw.normal("zero", tag) + drift)
