"""The gas above the liquid: its limits are known exactly, and its energy must balance."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from standbook.analysis.simulation.gas import opening_flow, real_gas
from standbook.analysis.simulation.ullage import ALUMINIUM_DENSITY, Tank, liquid_flux
from tests.analysis.scenario_fixture import HELIUM_TANK, NITROGEN_TANK

GRAVITY = 9.80665


def emptied(world, *, liquid_flow, seconds, gas_out=0.0):
    """Let liquid leave at a constant rate; return the tank, times and states."""
    tank = Tank(world)

    def rates(_, y):
        own = y.tolist()
        return tank.rates(own, tank.state(own, GRAVITY), liquid_flow, gas_out)

    start = tank.start(tank.gas_mass_at(world.start_pressure))
    times = np.linspace(0.0, seconds, 401)
    done = solve_ivp(rates, (0.0, seconds), start, method="LSODA", t_eval=times, rtol=1e-10, atol=1e-10)
    assert done.success
    return tank, times, done.y.T


def pressures(tank, states):
    return np.array([tank.state(y, GRAVITY).pressure for y in states.tolist()])


def test_without_heat_the_gas_follows_the_isentrope():
    # N2 from 35 bar and 293.15 K, volume doubled: P/P0 0.36905, apparent exponent 1.4381 (computed with CoolProp).
    tank, _, states = emptied(dataclasses.replace(NITROGEN_TANK, heat_factor=0.0), liquid_flow=1.0, seconds=10.0)
    ratio = pressures(tank, states)[[0, -1]]
    assert ratio[1] / ratio[0] == pytest.approx(0.36905, abs=1e-5)
    assert -math.log(ratio[1] / ratio[0]) / math.log(2.0) == pytest.approx(1.4381, abs=1e-4)


def test_with_unlimited_heat_transfer_the_gas_stays_at_wall_temperature():
    # The same expansion at constant temperature: P/P0 0.50101 (computed with CoolProp). A thick wall stays put.
    world = dataclasses.replace(NITROGEN_TANK, heat_factor=1e5, wall_thickness=10.0)
    tank, _, states = emptied(world, liquid_flow=0.01, seconds=1000.0)
    ratio = pressures(tank, states)[[0, -1]]
    assert ratio[1] / ratio[0] == pytest.approx(0.50101, abs=2e-5)
    assert states[-1, 2] == pytest.approx(293.15, abs=0.01)


@pytest.mark.parametrize("world", [NITROGEN_TANK, HELIUM_TANK])
def test_internal_energy_changes_by_heat_less_work(world):
    tank, times, states = emptied(world, liquid_flow=0.6, seconds=12.0)
    volume = world.volume - states[:, 0] / world.liquid_density
    density = states[:, 1] / volume
    energy = states[:, 1] * [tank.gas.energy(d, t) for d, t in zip(density, states[:, 2], strict=True)]
    work = np.trapezoid(pressures(tank, states), volume)
    # The trapezoid over 400 steps is good to a few 1e-6 of the work.
    assert energy[-1] - energy[0] == pytest.approx(states[-1, 4] - work, abs=2e-5 * work)
    assert states[-1, 4] != 0.0
    assert times[-1] == 12.0


def test_gas_that_leaves_takes_its_enthalpy_along():
    world = dataclasses.replace(NITROGEN_TANK, heat_factor=1.0)
    tank, times, states = emptied(world, liquid_flow=0.0, seconds=5.0, gas_out=0.04)
    volume = world.volume - world.load / world.liquid_density
    density = states[:, 1] / volume
    energy = states[:, 1] * [tank.gas.energy(d, t) for d, t in zip(density, states[:, 2], strict=True)]
    enthalpy = np.array([tank.gas.enthalpy(d, t) for d, t in zip(density, states[:, 2], strict=True)])
    carried = np.trapezoid(0.04 * enthalpy, times)
    assert states[-1, 1] == pytest.approx(states[0, 1] - 0.2, rel=1e-9)
    assert energy[-1] - energy[0] == pytest.approx(states[-1, 4] - carried, abs=2e-5 * carried)


def test_what_the_gas_gains_the_wall_and_the_liquid_lose():
    """With a room-temperature liquid surface taken away, wall and gas exchange heat with each other alone."""
    world = dataclasses.replace(NITROGEN_TANK, gas_temperature=320.0, liquid_temperature=293.15, diameter=0.05)
    tank, _, states = emptied(world, liquid_flow=0.0, seconds=20.0)
    length = (world.volume - world.load / world.liquid_density) / world.section
    metal = ALUMINIUM_DENSITY * world.wall_thickness * (math.pi * world.diameter * length + world.section)
    warmed = metal * 900.0 * (states[-1, 3] - states[0, 3])  # 900 J/(kg K) holds within 1 % here
    # The surface is 0.3 % of the wall in this pipe of a tank.
    assert warmed == pytest.approx(-states[-1, 4], rel=0.02)
    assert tank.gas.name == "Nitrogen"


def test_gas_warmer_than_its_wall_loses_pressure_before_opening():
    tank, _, states = emptied(HELIUM_TANK, liquid_flow=0.0, seconds=5.0)
    pressure = pressures(tank, states)
    assert np.all(np.diff(pressure) < 0.0)


def test_density_and_pressure_are_inverse():
    gas = real_gas("nitrogen")
    assert gas.pressure(gas.density(35e5, 293.15), 293.15) == pytest.approx(35e5, rel=1e-12)


def test_liquid_flux_is_the_root_law_and_never_backwards():
    assert liquid_flux(998.0, 9e5) == pytest.approx(math.sqrt(2.0 * 998.0 * 9e5), rel=1e-6)
    assert liquid_flux(998.0, -1.0) == 0.0


def test_choked_gas_flow_is_the_closed_form():
    # Gas only, choked: mass flow CdA P G / sqrt(R T), G 0.6847 at a ratio of 1.4 (closed form).
    shape = math.sqrt(1.4) * (2.0 / 2.4) ** 3.0
    assert opening_flow(2e-5, 35e5, 1e5, 296.8 * 293.15, 1.4) == pytest.approx(
        2e-5 * 35e5 * shape / math.sqrt(296.8 * 293.15), rel=1e-12
    )
    assert opening_flow(2e-5, 1e5, 1.1e5, 296.8 * 293.15, 1.4) == 0.0
