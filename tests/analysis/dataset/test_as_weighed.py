"""Masses for what scales show in air, against printed densities of air and ratios worked by hand."""

import dataclasses

import pytest

from standbook.analysis.dataset.as_weighed import in_air, plan_of_run
from standbook.analysis.dataset.dataset import Weighing
from standbook.analysis.dataset.load_run import load_dataset
from standbook.analysis.physics.fluids import air_density, mass_over_reading
from standbook.analysis.results.quantities import Measured
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import shown_share, world_of
from standbook.daq.run.run_folder import open_run
from tests.rehearsed import dataset_of
from tests.repository import ROOT
from tests.worlds import scales

EXACT = Draw(1, Errors.none())


@pytest.mark.parametrize(
    ("millibar", "wanted"),
    # half damp, at 20 and 18 degC: the formula as printed in a note on buoyancy, from memory, worked by hand
    [((1013.25, 20.0), 1.19928), ((978.0, 18.0), 1.16620)],
)
def test_air_is_as_dense_as_the_formula_has_it(millibar, wanted):
    pressure, celsius = millibar
    found = air_density(pressure=1e2 * pressure, temperature=273.15 + celsius, humidity=0.5)
    assert found == pytest.approx(wanted, abs=5e-6)
    # two ideal gases, by other constants
    assert scales.air(1e2 * pressure, 273.15 + celsius) == pytest.approx(found, rel=1e-3)


def test_damp_air_is_lighter_and_hardly_matters():
    dry, damp = (air_density(pressure=97.8e3, temperature=291.15, humidity=h) for h in (0.0, 1.0))
    assert 0.005 < 1.0 - damp / dry < 0.012
    assert mass_over_reading(998.6, dry) / mass_over_reading(998.6, damp) - 1.0 < 1.2e-5


@pytest.mark.parametrize(
    ("density", "percent"),
    # (1 - a/8000) / (1 - a/rho) - 1 at 1.2 and 1.1662 kg/m3, by hand: water, liquid oxygen, alcohol with water, steel
    [(998.2, (0.10534, 0.10237)), (1139.0, (0.09045, 0.08790)), (858.0, (0.12504, 0.12151)), (8000.0, (0.0, 0.0))],
)
def test_a_scale_shows_less_of_a_light_liquid(density, percent):
    for air, wanted in zip((1.2, 1.1662), percent, strict=True):
        assert 100.0 * (mass_over_reading(density, air) - 1.0) == pytest.approx(wanted, abs=6e-6)


def test_every_weighed_mass_of_a_run_and_its_load_are_put_right(hf02_campaign, hf02_physics):
    rehearsal = instrument(hf02_campaign, hf02_physics, EXACT)
    dataset = dataset_of(hf02_campaign, rehearsal)
    plan = hf02_campaign.plan
    # 978 mbar, 18 degC: 1.1662 kg/m3 of air
    for name, percent in (("oxidiser", 0.08790), ("fuel", 0.12151)):
        share = 1.0 + percent / 100.0
        assert in_air(plan, name) == pytest.approx(share, abs=1e-6)
        typed = float(rehearsal.weighings[name]["residual"].partition(" ")[0])
        assert dataset.weighings[name].residual.value == pytest.approx(share * typed, rel=1e-6)
        load = dataset.plan.tank_named(name).liquid_load
        assert load.value == pytest.approx(share * plan.tank_named(name).liquid_load.value, rel=1e-6)
        assert load.text == plan.tank_named(name).liquid_load.text


def test_what_was_not_weighed_stays_unknown_and_a_pressure_is_no_mass():
    read = Measured(9.7e5, 1e3, "Pa")
    one = Weighing(caught=Measured(8.0, 0.02, "kg"), start_pressure=read, vented=60.0)
    found = one.put_right(1.001)
    assert found.caught == Measured(pytest.approx(8.008), pytest.approx(0.02002), "kg")
    assert dataclasses.replace(found, caught=one.caught) == one


@pytest.mark.slow
def test_a_sealed_run_s_masses_are_put_right_too():
    folder = next((ROOT / "sample_runs/teasel-2/runs").glob("*_WF-03_rehearsal"))
    run = open_run(folder)
    (tank,) = run.plan.tank
    caught = load_dataset(run).weighings[tank.name].caught
    assert caught.value / run.weighings[tank.name].caught.value - 1.0 == pytest.approx(0.0010234, abs=5e-7)


def test_the_simulated_stand_s_scale_shows_less_and_the_crew_s_load_is_that(hf02_campaign, hf02_story):
    plan, truth = hf02_campaign.plan, hf02_story.truth
    for tank in plan.tank:
        assert in_air(plan, tank.name) * shown_share(tank, plan) == pytest.approx(1.0, abs=1e-6)
        world = world_of(plan, hf02_campaign.stand, EXACT)
        weighed, _ = plan_of_run(plan)
        assert world.tank(tank.name).load == pytest.approx(weighed.tank_named(tank.name).liquid_load.value, rel=1e-6)
    assert set(truth.residual_mass) == set(hf02_story.weighings)


def test_the_second_world_s_scale_shows_as_much_less():
    # its own air, its own constants: a thousandth of a thousandth apart
    assert scales.shown(8.0, 998.6, 97.8e3) * mass_over_reading(998.6, 1.1662) == pytest.approx(8.0, rel=1e-6)
