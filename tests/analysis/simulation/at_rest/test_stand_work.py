"""Taps, fillings and nights as the simulated stand makes them: what comes of them is the truth, within its u."""

import numpy as np
import pytest

from standbook.analysis.calibration.load_by_cell import night_record
from standbook.analysis.simulation.at_rest.stand_work import BOILING, GUSTS, WALK, filled, night, tapped, wander
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.world import world_of
from standbook.analysis.stand_sheets.load_record import FilledStand, filling
from standbook.analysis.stand_sheets.tap_record import state_of, tap_test

RATE = 500


@pytest.fixture(scope="module")
def world(hf02_campaign):
    return world_of(hf02_campaign.plan, hf02_campaign.stand, Draw(3))


@pytest.mark.slow
def test_taps_show_the_mode_the_damping_and_the_mass_that_the_stand_was_given(hf02_campaign, world):
    made = tapped(world, hf02_campaign.stand, (0.0, 10.0), np.random.default_rng(1), rate=RATE)
    time = np.arange(made.force.size) / RATE
    first, second = made.ends
    bare = state_of(time[time <= first], made.force[time <= first], (0.0, 0.0))
    bolted = time >= second - 48.0
    loaded = state_of(time[bolted], made.force[bolted], (10.0, 0.01))
    assert bare.used == loaded.used == 10
    mode = bare.modes[0]
    assert mode.frequency == pytest.approx(world.mode, abs=2.0 * mode.frequency_u)
    assert mode.zeta == pytest.approx(world.damping, abs=2.0 * mode.zeta_u)
    mass, u = tap_test([bare, loaded]).moving_mass
    assert u < 0.05 * world.moving_mass
    assert mass == pytest.approx(world.moving_mass, abs=2.0 * u)


def test_a_mass_that_is_bolted_on_presses_the_way_a_weight_does(hf02_campaign, world):
    made = tapped(world, hf02_campaign.stand, (0.0, 10.0), np.random.default_rng(1), rate=RATE)
    quiet = RATE * 5
    added = float(np.median(made.force[-quiet:]) - np.median(made.force[:quiet]))
    # nozzle down: a weight counts against thrust
    assert added == pytest.approx(-10.0 * world.gravity, abs=2.0)


def test_a_filling_is_the_mass_that_was_poured_and_boils_at_the_rate_that_it_was_given(hf02_campaign, world):
    c = hf02_campaign.calibrations["LC-1"]
    random = np.random.default_rng(4)
    made = filled(hf02_campaign.plan, world, hf02_campaign.stand, random, rate=20, wait=720.0)
    time = np.arange(made.force.size) / 20.0
    dark = night(random, rate=20, seconds=5 * 720.0)
    record = night_record([(np.arange(dark.size) / 20.0, dark)], hold=720.0)
    of = FilledStand(plan=hf02_campaign.plan, stand=hf02_campaign.stand, calibration=c, pull=None)
    signal = c.signal(made.force)
    found = filling(of, time, signal, made.marks | {"empty": 29.0, "filled": 134.0}, record)
    assert made.boiling == BOILING  # liquid oxygen is aboard
    assert found.by_cell.mass == pytest.approx(made.mass, abs=found.by_cell.u)
    assert found.boiling.rate == pytest.approx(BOILING, abs=2.0 * found.boiling.u)
    assert made.mass == sum(tank.load for tank in world.tanks)


def test_a_cell_wanders_as_it_was_given_to(world):
    time = np.arange(200_000) / 1.0
    seen = np.array([wander(time[:3600], np.random.default_rng(k))[-1] for k in range(300)])
    # after an hour: a walk of 0.05 N/sqrt(min), a drift of 0.02 N/min, a gust
    expected = np.hypot(np.hypot(WALK * np.sqrt(60.0), 0.02 * 60.0), GUSTS)
    assert np.std(seen) == pytest.approx(expected, rel=0.15)
