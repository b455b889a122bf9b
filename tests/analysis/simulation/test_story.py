"""From plan to counts: sensors invert, errors have the size they claim, the demonstration tells its story."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.instruments import clock_rate, true_value
from standbook.analysis.simulation.physics import Timeline
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import demo_draw, draw_for, instrument, rehearse
from standbook.analysis.simulation.world import noted_plan, world_of
from standbook.daq.config.calibration import Found, ReferenceU
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import parse_quantity
from tests.calibrated_readings import readings
from tests.campaign_fixture import TODAY, campaign, edit

SHORT = Timeline(hold=3.0, after=3.0, vent_after=None, vented_before=0.5, pressurising=0.5)


@pytest.fixture(scope="module")
def fire(hf02_campaign):
    return hf02_campaign


@pytest.fixture(scope="module")
def water(wf03_campaign):
    return wf03_campaign


@pytest.fixture(scope="module")
def demo(hf02_story):
    return hf02_story


def calibrated(campaign, rehearsal, device="cradle-a", stream="fast"):
    """Give readings as the analysis would, gauge pressures gauge."""
    tags = rehearsal.tags[f"{device}/{stream}"]
    counts = rehearsal.tables[device].streams[0].counts.astype(np.int64)
    return readings(campaign.stand, campaign.calibrations, {tag: counts[:, k] for k, tag in enumerate(tags)})


def test_without_errors_every_reading_is_the_truth_within_one_count(water):
    draw = Draw(3, Errors.none())
    calibrations = {
        tag: c.model_copy(update={"latency": parse_quantity("0 s", "time")}) for tag, c in water.calibrations.items()
    }
    exact = dataclasses.replace(water, calibrations=calibrations)
    physics = perform(world_of(water.plan, water.stand, draw), water.stand, SHORT)
    rehearsal = instrument(exact, physics, draw)
    rows = rehearsal.table.streams[0].rows
    times = physics.time[0] + np.arange(rows) / 1000.0
    found = calibrated(exact, rehearsal)
    assert set(found) == set(calibrations)
    for tag, reading in found.items():
        item, calibration = water.stand.input_tagged(tag), calibrations[tag]
        true = np.interp(times, physics.time, true_value(physics, water.stand, calibrations, item))
        if calibration.reference == "gauge":
            true = true - physics.world.ambient_pressure
        ends = calibration.signal(np.array([0.0, 1.0]))
        per_count = item.volt_per_count.value / abs(ends[1] - ends[0]) * calibration.scale
        per_count *= {"V": 1.0, "mA": 1e3 / (item.burden.value if item.burden else 1.0), "V/V": 0.2}[
            calibration.signal_unit
        ]
        # Half a count of the converter and, for a ratiometric sensor, half a count of its supply.
        limit = 0.51 * per_count
        if calibration.signal_unit == "V/V":
            limit += 0.51 * 0.1875e-3 / 5.0 * (np.max(np.abs(true)) + 0.125 * 60e5)
        assert np.max(np.abs(reading - true)) < limit, tag


@pytest.mark.slow
def test_errors_have_the_size_that_the_calibration_claims(fire):
    draw = Draw(5, Errors.none())
    physics = perform(world_of(fire.plan, fire.stand, draw), fire.stand, SHORT)
    # The record is cut to the hold: readings are a known constant there.
    keep = (physics.time > -2.0) & (physics.time < 0.0)
    still = dataclasses.replace(
        physics,
        time=physics.time[keep],
        thrust=physics.thrust[keep],
        vacuum_thrust=physics.vacuum_thrust[keep],
        cell_force=np.full(keep.sum(), 2000.0),
        tank_pressure={k: v[keep] for k, v in physics.tank_pressure.items()},
    )
    cell = fire.calibrations["LC-1"]
    gains = dataclasses.replace(Errors.none(), reference=1.0, interaction=1.0, alignment=1.0, scatter=1.0)
    errors = []
    for seed in range(300):
        rehearsal = instrument(fire, still, Draw(seed, gains), tags=frozenset({"LC-1"}))
        errors.append(np.mean(calibrated(fire, rehearsal)["LC-1"]) - 2000.0)
    at = cell.signal(np.array([2000.0]))[0] - cell.pivot
    scatter = np.array([1.0, at]) @ np.array(cell.covariance) @ np.array([1.0, at])
    angle = np.radians(1.0)  # half-normal: what it hides has the mean angle²/2 and root two of that as deviation
    gain = np.sqrt(0.004**2 + 0.003**2 + (angle**2 / np.sqrt(2.0)) ** 2) * 2000.0
    expected = np.hypot(np.sqrt(scatter), gain)
    # Spread of 300 standard deviations: 4.1 %, so 12 % is three of them.
    assert np.std(errors) == pytest.approx(expected, rel=0.12)
    assert abs(np.mean(errors) + 2000.0 * angle**2 / 2.0) < 4.0 * expected / np.sqrt(300)


@pytest.mark.slow
def test_a_reference_is_off_by_its_part_of_span_too(fire):
    draw = Draw(5, Errors.none())
    physics = perform(world_of(fire.plan, fire.stand, draw), fire.stand, SHORT)
    keep = (physics.time > -2.0) & (physics.time < 0.0)
    pressure = {tank: np.full(keep.sum(), 31e5) for tank in physics.tank_pressure}
    still = dataclasses.replace(
        physics,
        time=physics.time[keep],
        thrust=physics.thrust[keep],
        vacuum_thrust=physics.vacuum_thrust[keep],
        cell_force=physics.cell_force[keep],
        tank_pressure=pressure,
    )
    own = fire.calibrations["PT-12"]
    parts = ReferenceU.model_validate({"of_reading": own.reference_uncertainty.text, "of_span": "0.15 %"})
    found = Found.model_validate({"runs": 3, "run_span": "0.10 %"})
    made = own.model_copy(update={"reference_u": parts, "found": found})
    fire = dataclasses.replace(fire, calibrations={**fire.calibrations, "PT-12": made})
    only = dataclasses.replace(Errors.none(), reference=1.0, scatter=1.0)
    errors = []
    for seed in range(200):
        rehearsal = instrument(fire, still, Draw(seed, only), tags=frozenset({"PT-12"}))
        errors.append(np.mean(calibrated(fire, rehearsal)["PT-12"]))
    gauge = 31e5 - physics.world.ambient_pressure
    expected = np.hypot(1e5 * 0.0015 * 60.0, gauge * np.hypot(0.0012, 0.0010 * np.sqrt(4.0 / 3.0)))
    # Spread of 200 standard deviations: 5 %, so 15 % is three of them; the points' own scatter is far below.
    assert np.std(errors) == pytest.approx(expected, rel=0.15)


def test_one_error_can_be_switched_off_without_changing_another():
    every, fewer = Draw(9), Draw(9, dataclasses.replace(Errors(), zero=0.0))
    assert every.normal("reference", "PT-11") == fewer.normal("reference", "PT-11")
    assert every.normal("zero", "PT-11") != 0.0
    assert fewer.normal("zero", "PT-11") == 0.0


def test_clock_error_is_even_within_the_stated_tolerance(fire):
    rates = np.array([clock_rate(fire.stand, "cradle-a", Draw(seed)) for seed in range(1000)])
    assert np.max(np.abs(rates)) <= 50e-6
    assert np.std(rates) == pytest.approx(50e-6 / np.sqrt(3.0), rel=0.1)


def test_notes_err_from_a_kept_truth_as_drawn(fire):
    world = world_of(fire.plan, fire.stand, Draw(1, Errors.none()))
    loads = [noted_plan(fire.plan, world, Draw(seed)).tank_named("fuel").liquid_load.value for seed in range(500)]
    assert np.mean(loads) == pytest.approx(7.03, abs=4.0 * 0.04 / np.sqrt(500))
    assert np.std(loads) == pytest.approx(0.04, rel=0.15)


def test_another_stand_changes_the_cell_and_nothing_else(demo, fire):
    physics = demo.truth.physics
    up = on_stand(physics, fire.stand.model_copy(update={"nozzle": "up"}))
    level = on_stand(physics, fire.stand.model_copy(update={"nozzle": "horizontal"}))
    quiet = physics.time < -0.5
    assert physics.cell_force[quiet] == pytest.approx(-up.cell_force[quiet])
    assert level.cell_force[quiet] == pytest.approx(0.0, abs=1e-9)
    assert up.thrust is physics.thrust


def test_the_demonstration_tells_its_story(demo):
    truth = demo.truth
    assert "depletion/fuel" in truth.events
    assert "depletion/oxidiser" not in truth.events
    assert 1.65 < truth.exponent_chord["oxidiser"] < 1.80
    assert truth.exponent_chord["fuel"] == pytest.approx(1.30, abs=0.03)
    assert truth.residual_mass["oxidiser"] == pytest.approx(0.9, abs=0.2)
    assert truth.impulse_site == pytest.approx(32_987.0, rel=0.02)  # the constant-exponent model's, for planning
    assert truth.impulse_site < truth.impulse_vacuum < 40_960.0
    assert truth.physics.cell_force[0] == pytest.approx(-735.5, abs=0.1)
    assert 1700.0 < np.max(truth.physics.cell_force[truth.time > 1.0]) < 1900.0


def test_t_zero_is_an_edge_on_the_line_that_the_plan_names(demo, water):
    rate = demo.truth.clock_rate["cradle-a"]
    fire_edge, off = demo.table.edges
    assert (fire_edge.line, fire_edge.level, off.level) == (0, 1, 0)
    assert fire_edge.ticks == round(8.0 * 1e6 * (1.0 + rate))
    valve = rehearse(water, demo_draw("WF-03"), timeline=SHORT).table.edges[0]
    assert (valve.line, valve.level) == (1, 1)


def test_a_seed_replaces_the_story():
    assert draw_for("HF-02", None) == demo_draw("HF-02")
    assert draw_for("HF-02", 5) == Draw(5)
    assert draw_for("HF-77") == draw_for("HF-77") != draw_for("HF-78")


def test_weighings_are_typed_quantities_near_the_truth(demo):
    for tank, weighing in demo.weighings.items():
        mass = parse_quantity(weighing["residual"], "mass")
        assert abs(mass.value - demo.truth.residual_mass[tank]) < 4.0 * mass.u


def test_the_device_clock_may_begin_anywhere(water):
    rehearsal = rehearse(water, demo_draw("WF-03"), timeline=SHORT, start_ticks=2**32 - 1_000_000)
    assert rehearsal.table.start_ticks == 2**32 - 1_000_000


def test_a_nitrogen_flow_cannot_be_rehearsed(tmp_path):
    path = edit(campaign(tmp_path) / "plans" / "WF-04.toml", '"water flow"', '"nitrogen flow"')
    plan = read_campaign(path, today=TODAY)
    with pytest.raises(ConfigError, match="cannot be rehearsed"):
        rehearse(plan, Draw(1))
