"""A whole test of the made-up stand: masses add up, steady states are the equilibrium, events are where they belong."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.simulation.chamber import Chamber, thrust, vacuum_thrust
from standbook.analysis.simulation.physics import HALF_GAS_TIME, Timeline, simulate, step
from tests.analysis.scenario_fixture import COLD, ENGINE, HOT


@pytest.fixture(scope="module")
def firing():
    return simulate(HOT)


@pytest.fixture(scope="module")
def water():
    return simulate(COLD)


def test_liquid_that_leaves_is_the_integral_of_its_flow(firing, water):
    for course in (firing, water):
        for tank in course.tanks.values():
            left = tank.liquid_mass[0] - tank.liquid_mass[-1]
            assert np.trapezoid(tank.liquid_flow, course.time) == pytest.approx(left, rel=1e-4)


def test_a_tank_has_its_start_pressure_at_t_zero(firing, water):
    for course, world in ((firing, HOT), (water, COLD)):
        for name, tank in course.tanks.items():
            at_zero = course.at(np.array([0.0]), tank.pressure)[0]
            assert at_zero == pytest.approx(world.tank(name).start_pressure, rel=1e-5)


def test_flow_of_an_open_valve_is_the_root_law_with_the_head_of_liquid(water):
    tank, world = water.tanks["fuel"], COLD.tanks[0]
    k = int(np.searchsorted(water.time, 3.0))
    head = tank.pressure[k] - COLD.back_pressure + COLD.gravity * tank.liquid_mass[k] / world.section
    assert tank.liquid_flow[k] == pytest.approx(world.cda * math.sqrt(2.0 * 1000.0 * head), rel=1e-5)


def test_chamber_holds_the_pressure_at_which_inflow_leaves_through_the_throat(firing):
    k = int(np.searchsorted(firing.time, 2.0))
    ox, fuel, pressure = firing.oxidiser_flow[k], firing.fuel_flow[k], firing.chamber_pressure[k]
    chamber = Chamber(ENGINE, HOT.ambient_pressure)
    equilibrium = (ox + fuel) * chamber.cstar(ox / fuel, pressure) / ENGINE.throat_area
    # It lags the falling inflow by its filling time: about 2 ms at 5 % a second.
    assert pressure == pytest.approx(equilibrium, rel=3e-4)


def test_what_enters_the_chamber_leaves_by_the_nozzle(firing):
    entered = sum(np.trapezoid(t.liquid_flow + t.gas_flow, firing.time) for t in firing.tanks.values())
    air = HOT.ambient_pressure * ENGINE.volume / (287.05 * 290.0)  # before and, as other gas, after
    assert np.trapezoid(firing.nozzle_flow, firing.time) == pytest.approx(entered, abs=3e-4 * entered + 2.0 * air)


def test_gas_breaks_through_half_way_in_the_stated_time(firing):
    (name,) = {key.partition("/")[2] for key in firing.events if key.startswith("depletion/")} & {"fuel"}
    world, tank, begin = HOT.tank(name), firing.tanks[name], firing.events[f"depletion/{name}"]
    mass = firing.at(np.array([begin, begin + HALF_GAS_TIME]), tank.liquid_mass) - world.residual
    # Exact at constant flow; here chamber and tank pressure fall meanwhile.
    assert mass[1] / mass[0] == pytest.approx(0.5, abs=0.05)
    assert tank.liquid_mass[-1] > world.residual


def test_events_come_in_their_order(firing, water):
    e = firing.events
    assert 0.0 < e["opening/fuel"] < e["ignition"] < e["depletion/fuel"] < e["closing"] < e["closed"] < e["venting"]
    assert water.events["opening/fuel"] == pytest.approx(0.15 + 0.04)
    assert "depletion/fuel" not in water.events


def test_a_valve_closed_early_leaves_the_stated_share(water):
    at_closing = water.at(np.array([water.events["closing"]]), water.tanks["fuel"].liquid_mass)[0]
    assert at_closing == pytest.approx(COLD.close_at_share * COLD.tanks[0].load, rel=1e-4)


def test_a_stopwatch_closes_the_valve_when_the_plan_says():
    course = simulate(dataclasses.replace(COLD, close_after=3.0))
    assert course.events["closing"] == pytest.approx(course.events["opening/fuel"] + 3.0)


def test_a_stopwatch_longer_than_the_tank_lasts_lets_gas_through():
    course = simulate(dataclasses.replace(COLD, close_after=25.0))
    assert course.events["depletion/fuel"] < course.events["closing"]
    assert course.tanks["fuel"].gas_flow.max() > 0.0


def test_after_closing_the_gas_warms_and_pressure_climbs_until_venting(water):
    closed, venting = water.events["closed"], water.events["venting"]
    pressure = water.at(np.array([closed, venting - 0.01, water.time[-1]]), water.tanks["fuel"].pressure)
    assert pressure[1] > pressure[0]
    assert pressure[2] == pytest.approx(COLD.ambient_pressure, rel=0.1)


def test_without_venting_the_record_ends_under_pressure():
    course = simulate(COLD, Timeline(vent_after=None, after=2.0))
    assert "venting" not in course.events
    assert course.tanks["fuel"].pressure[-1] > 3e5


def test_the_exponent_is_that_of_an_isentrope_at_first_and_less_later(water):
    tank = water.tanks["fuel"]

    def exponent(start, end):
        p, v = (water.at(np.array([start, end]), x) for x in (tank.pressure, tank.gas_volume))
        return math.log(p[0] / p[1]) / math.log(v[1] / v[0])

    opened = water.events["open/fuel"]
    # N2 near 10 bar and 293 K has 1.42 along the isentrope (computed with CoolProp).
    assert exponent(opened, opened + 0.3) == pytest.approx(1.42, abs=0.02)
    assert 1.0 < exponent(opened, water.events["closing"]) < 1.35


def test_thrust_is_the_nozzle_formula_and_never_negative():
    pressure = np.array([97.8e3, 3e5, 20e5])
    site, vacuum = thrust(ENGINE, pressure, 97.8e3), vacuum_thrust(ENGINE, pressure, 97.8e3)
    assert site[0] == 0.0
    assert site[2] == pytest.approx(8e-4 * (1.53 * 20e5 - 3.4 * 97.8e3))
    assert vacuum[2] - site[2] == pytest.approx(8e-4 * 3.4 * 97.8e3)


def test_the_smooth_step_is_symmetric_about_its_middle():
    assert [step(x) for x in (-1.0, 0.0, 0.5, 1.0, 2.0)] == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert step(0.3) + step(0.7) == pytest.approx(1.0)
