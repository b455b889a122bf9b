"""Firings of the worlds: truth agrees with the clean record, each stratum is what it is called."""

import dataclasses

import numpy as np
import pytest

from tests.worlds.adapter import firing_dataset
from tests.worlds.engine import IDEAL, RATIOS, Engine, ideal_cstar
from tests.worlds.faults import with_fault
from tests.worlds.firing_cases import FINE, clean_readings, firing_case, firing_truth, run_as_named, side_truth
from tests.worlds.firing_draws import draw_firing
from tests.worlds.stand import SIGNS, cell_force, resonant
from tests.worlds.tank import GRAVITY


def test_ideal_cstar_passes_through_its_table_and_fades_beyond():
    assert [ideal_cstar(r) for r in RATIOS] == pytest.approx(IDEAL)
    assert ideal_cstar(0.1) == ideal_cstar(20.0) == 130.0


def test_thrust_is_the_coefficient_times_pressure_less_the_air_on_the_exit():
    engine = Engine(1e-3, 3.4, 0.92, 1.595, 0.96, 0.01, 0.05)
    assert engine.thrust(20e5, 1e5) == pytest.approx(1e-3 * (0.96 * 1.595 * 20e5 - 3.4e5))
    assert engine.thrust(1e5, 1e5) == 0.0


def test_a_mode_keeps_the_impulse():
    force = np.zeros(40000)
    force[2000:12000] = 1000.0
    made = resonant(force, FINE, 40.0, 0.05)
    assert made.sum() == pytest.approx(force.sum(), rel=1e-9)
    assert made.max() > 1500.0


@pytest.fixture(scope="module")
def burnt():
    setup = dataclasses.replace(draw_firing(14, "closed", "down"), roughness=0.0)
    return run_as_named(setup)


def corrected(setup, course, fine, reading):
    """Undo the stand with everything known."""
    law = setup.stand
    tanks = [course.tanks[t.name] for t in setup.tanks]
    aboard = sum(course.at(fine, own.liquid) + course.at(fine, own.gas) for own in tanks)
    return reading * law.factor - SIGNS[law.nozzle] * GRAVITY * (aboard + law.dry_mass)


@pytest.mark.parametrize("nozzle", ["down", "up", "horizontal"])
def test_the_true_impulse_is_that_of_the_clean_cell_corrected_for_weight_and_factor(burnt, nozzle):
    setup, course, end = burnt
    law = dataclasses.replace(setup.stand, nozzle=nozzle, shunting=0.0, line_load=0.0, hysteresis=0.0, creep=0.0)
    setup = dataclasses.replace(setup, stand=law)
    fine = np.arange(-1.0, end, FINE)
    smooth = np.zeros(fine.size)
    truth = firing_truth(setup, course, smooth, fine)
    cell = clean_readings(setup, course, fine, smooth, course.at(fine, course.chamber))[0]
    impulse = np.trapezoid(corrected(setup, course, fine, cell), fine)
    # the modes lag the leaving weight by a few milliseconds
    assert impulse == pytest.approx(truth.impulse, rel=2e-4)


def test_hysteresis_creep_shunting_and_hoses_stay_within_what_notes_claim(burnt):
    setup, course, end = burnt
    law = setup.stand
    fine = np.arange(-1.0, end, FINE)
    smooth = np.zeros(fine.size)
    cell = clean_readings(setup, course, fine, smooth, course.at(fine, course.chamber))[0]
    truth = firing_truth(setup, course, smooth, fine)
    impulse = np.trapezoid(corrected(setup, course, fine, cell), fine)
    claims = setup.cell_claims
    hoses = claims.line_load * setup.tanks[0].start_pressure * (end + 1.0)
    assert abs(impulse - truth.impulse) < 3.0 * claims.factor * truth.impulse + 4.0 * hoses + 5e-4 * truth.impulse
    assert law.hysteresis <= 2e-4


def test_what_leaves_weighs_at_the_cell_by_the_nozzle():
    law = draw_firing(14, "closed", "up").stand
    law = dataclasses.replace(law, factor=1.0, shunting=0.0, line_load=0.0, hysteresis=0.0, creep=0.0)
    aboard, still = np.linspace(10.0, 4.0, 20000), np.zeros(20000)
    step = cell_force(law, FINE, still, aboard, still)
    assert step[-1] - step[0] == pytest.approx(-6.0 * GRAVITY, rel=5e-3)
    other = cell_force(dataclasses.replace(law, nozzle="down"), FINE, still, aboard, still)
    assert other[-1] - other[0] == pytest.approx(6.0 * GRAVITY, rel=5e-3)


@pytest.mark.parametrize(("stratum", "last"), [("oxidiser_on", "oxidiser"), ("fuel_on", "fuel")])
def test_the_tank_that_a_stratum_names_flows_on(stratum, last):
    setup = draw_firing(2, stratum)
    short = dataclasses.replace(setup.crew, hold=0.5, after=0.5)
    setup, course, _ = run_as_named(dataclasses.replace(setup, crew=short, flows_on=0.5))
    ended = {tank.name: side_truth(tank, course).ended for tank in setup.tanks}
    assert max(ended, key=ended.get) == last


def test_valves_closed_together_leave_liquid_aboard(burnt):
    setup, course, _ = burnt
    assert [side_truth(tank, course).end for tank in setup.tanks] == ["closed", "closed"]
    for tank in setup.tanks:
        own = course.tanks[tank.name]
        assert own.liquid[0] - own.liquid[-1] == pytest.approx(own.out[-1], rel=1e-9)


def test_cstar_of_the_interval_is_the_engines_at_its_mixture(burnt):
    setup, course, end = burnt
    fine = np.arange(-1.0, end, FINE)
    truth = firing_truth(setup, course, np.zeros(fine.size), fine)
    wanted = setup.engine.cstar_efficiency * ideal_cstar(truth.burnt.mixture_ratio)
    assert truth.burnt.cstar == pytest.approx(wanted, rel=3e-3)


def test_mass_over_the_drive_integral_against_the_chamber_is_the_true_area(burnt):
    """Allowed: the drive is three times as great before ignition, and the strokes are then a little off."""
    setup, course, _ = burnt
    for tank in setup.tanks:
        side = side_truth(tank, course)
        t = np.linspace(side.opened, side.ended, 50001)
        integral = np.trapezoid(np.sqrt(course.at(t, course.tanks[tank.name].drive)), t)
        area = side.out / np.sqrt(2.0 * tank.liquid_density) / integral
        assert area == pytest.approx(tank.cda, rel=2e-3)


@pytest.fixture(scope="module")
def recorded():
    return firing_case(14, stratum="closed", orientation="down")


def test_a_firing_becomes_a_dataset_of_four_channels(recorded):
    dataset = firing_dataset(recorded)
    assert set(dataset.channels) == {"LC-1", "PT-11", "PT-21", "PT-31"}
    assert dataset.plan.impulse_class.limit.value == pytest.approx(recorded.notes.limit)
    assert dataset.stand.nozzle == "down"


@pytest.mark.parametrize("fault", ["cell -5 %", "cell zero shift", "cell held"])
def test_a_fault_of_the_cell_leaves_the_other_channels_alone(recorded, fault):
    wrong = with_fault(recorded, fault, 1)
    assert not np.array_equal(wrong.counts["LC-1"], recorded.counts["LC-1"])
    assert all(np.array_equal(wrong.counts[t], recorded.counts[t]) for t in ("PT-11", "PT-21", "PT-31"))


def test_swapped_columns_are_each_others(recorded):
    wrong = with_fault(recorded, "columns swapped", 1)
    assert np.array_equal(wrong.counts["PT-11"], recorded.counts["PT-21"])
    assert np.array_equal(wrong.counts["PT-21"], recorded.counts["PT-11"])


def test_a_cell_five_percent_low_reads_five_percent_low(recorded):
    note = recorded.channels[0]
    wrong = with_fault(recorded, "cell -5 %", 1)
    right, low = (c.counts["LC-1"] * note.step + note.lowest for c in (recorded, wrong))
    assert low == pytest.approx(0.95 * right, abs=2.0 * note.step)
