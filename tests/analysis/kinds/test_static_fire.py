"""A whole firing of the simulated stand through the analysis, in memory: truth, one-sided doubt, faults by name."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.kinds.registry import analyse, predict
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.results.json_codec import from_json, to_json
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.physics import HALF_GAS_TIME, Timeline
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from standbook.daq.errors import DataError
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of, from_late, until, with_clip, with_gap, without_rows

SEED = 4


@pytest.fixture(scope="module")
def campaign(hf02_campaign):
    return hf02_campaign


@pytest.fixture(scope="module")
def physics(hf02_physics):
    return hf02_physics


@pytest.fixture(scope="module")
def rehearsal(hf02_rehearsal):
    return hf02_rehearsal


@pytest.fixture(scope="module")
def prediction(hf02_prediction):
    return hf02_prediction


@pytest.fixture(scope="module")
def results(hf02_results):
    return hf02_results


def codes(results, severity=None):
    return {f.code for f in results.findings if severity is None or f.severity == severity}


def finding(results, code):
    return next(f for f in results.findings if f.code == code)


def test_impulse_and_vacuum_impulse_hold_the_truth(results, rehearsal):
    for found, true in (
        (results.impulse, rehearsal.truth.impulse_site),
        (results.impulse_vacuum, rehearsal.truth.impulse_vacuum),
    ):
        # 3 u: a fixed seed, so this either holds for good or the budget or the value is wrong
        assert abs(found.value - true) < 3.0 * found.u
        assert found.u / found.value < 0.007
        assert found.expanded == 2.0 * found.u
    assert results.verdicts["site"].outcome == results.verdicts["vacuum"].outcome == "within"


@pytest.mark.slow
def test_a_clock_whose_rate_changed_keeps_the_verdict_back(campaign, rehearsal, prediction):
    dataset = dataset_of(campaign, rehearsal, prediction=prediction)
    record = {key: dataclasses.replace(health, clock_bend=-0.02) for key, health in dataset.record.items()}
    found = analyse_static_fire(dataclasses.replace(dataset, record=record)).results
    assert "clock-rate-changed" in codes(found, "serious")
    assert "-2.00 %" in finding(found, "clock-rate-changed").text
    assert {verdict.outcome for verdict in found.verdicts.values()} == {"not shown"}


@pytest.mark.slow
@pytest.mark.parametrize("nozzle", ["down", "up", "horizontal"])
def test_without_errors_the_impulse_is_the_true_one(campaign, physics, nozzle):
    stand = campaign.stand.model_copy(update={"nozzle": nozzle})
    silent = instrument(campaign, on_stand(physics, stand), Draw(1, Errors.none()))
    found = analyse_static_fire(dataset_of(campaign, silent, stand=stand)).results
    # fitting.md's target is 0.15 %; 0.02 % is what the shape of the expelled mass costs
    assert found.impulse.value == pytest.approx(silent.truth.impulse_site, rel=0.0005)
    assert found.weight_correction.sign == {"down": 1, "up": -1, "horizontal": 0}[nozzle]
    assert codes(found, "serious") == set()


@pytest.mark.slow
@pytest.mark.parametrize("nozzle", ["down", "up", "horizontal"])
def test_gas_that_is_vented_before_the_second_zero_is_not_taken_for_expelled_liquid(campaign, nozzle):
    stand = campaign.stand.model_copy(update={"nozzle": nozzle})
    vented = perform(
        world_of(campaign.plan, stand, Draw(1, Errors.none())), stand, Timeline(vent_after=0.1, after=14.0)
    )
    silent = instrument(campaign, vented, Draw(1, Errors.none()))
    left = vented.gas_mass["oxidiser"][-1] + vented.gas_mass["fuel"][-1]
    found = analyse_static_fire(dataset_of(campaign, silent, stand=stand)).results
    # the share of liquid that left is good to 0.02 % of the impulse, the gas besides to a tenth of its 0.15 %
    assert found.impulse.value == pytest.approx(silent.truth.impulse_site, rel=0.0005)
    assert not codes(found) & {"weight-mismatch", "weight-felt"}
    assert ("gas-left" in codes(found)) == (nozzle != "horizontal")
    assert left < 0.3  # else nothing was vented


def test_events_are_where_they_were(results, rehearsal):
    events, true = {e.name: e for e in results.events}, rehearsal.truth.events
    # targets: opening and knee +-50 ms on the demonstration; the opening shows 0.03 s early beside ignition
    # All liquid would have gone by the time constant of its fading after the first gas.
    run_out = true["depletion/fuel"] + HALF_GAS_TIME / math.log(2.0)
    assert abs(events["fuel run-out"].time - run_out) < 2.0 * events["fuel run-out"].u < 0.2
    assert events["oxidiser valve open"].time == pytest.approx(true["opening/oxidiser"], abs=0.05)
    assert events["oxidiser valve closed"].time == pytest.approx(true["closing"] + 0.04, abs=0.08)
    assert results.burn_time.value == pytest.approx(true["closing"] - true["ignition"], abs=0.15)
    assert [e.time for e in results.events] == sorted(e.time for e in results.events)


def test_tanks_and_engine_hold_the_truth(results, rehearsal, physics):
    truth = rehearsal.truth
    for name, tank in results.tanks.items():
        assert abs(tank.cda.value - truth.cda[name]) < 3.0 * tank.cda.u
        assert tank.cda.u / tank.cda.value < 0.03  # neither tap nor width of the chamber is stated
        assert abs(tank.exponent.chord.value - truth.exponent_chord[name]) < 3.0 * tank.exponent.chord.u
        assert abs(tank.expelled_mass.value - truth.expelled_mass[name]) < 3.0 * tank.expelled_mass.u
    engine, world = results.engine, physics.world
    expelled = sum(truth.expelled_mass.values())
    assert engine.delivered_isp.value == pytest.approx(truth.impulse_site / expelled / 9.80665, rel=0.015)
    # c* against the true one at the mean mixture ratio: efficiency times the table
    ideal = np.interp(engine.mixture_ratio.value, world.engine.mixture_ratio, world.engine.ideal_cstar)
    assert engine.cstar.value == pytest.approx(world.engine.cstar_efficiency * ideal, rel=0.01)
    burning = (truth.time > engine.window[0]) & (truth.time < engine.window[1])
    coefficient = truth.thrust[burning].mean() / truth.chamber_pressure[burning].mean() / world.engine.throat_area
    assert engine.thrust_coefficient.value == pytest.approx(coefficient, rel=0.01)


def test_the_story_is_told_in_findings(results):
    assert "Fuel was depleted first" in finding(results, "run-out-order").text
    assert "1.45 that the plan has (assumed)" in finding(results, "exponent-not-as-assumed").text
    assert results.comparison["tank pressure/oxidiser"].share_in_band < 0.5
    assert results.comparison["thrust"].worst_departure < 2.0
    assert codes(results, "serious") == set()


@pytest.mark.slow
def test_a_clean_run_whose_plan_was_right_draws_no_caution(campaign, rehearsal, physics):
    truth = rehearsal.truth
    tanks = tuple(
        tank.model_copy(
            update={"ullage_exponent": dataclasses.replace(tank.ullage_exponent, value=truth.exponent_chord[tank.name])}
        )
        for tank in campaign.plan.tank
    )
    engine = campaign.plan.engine.model_copy(update={"run_out_first": "fuel"})
    plan = campaign.plan.model_copy(update={"tank": tanks, "engine": engine})
    right = predict(plan, campaign.stand, samples=100)
    found = analyse_static_fire(dataset_of(campaign, rehearsal, plan=plan, prediction=right)).results
    assert [f for f in found.findings if f.severity != "note"] == []
    assert not found.needs_review


@pytest.mark.slow
@pytest.mark.parametrize(
    ("alter", "code"),
    [
        (with_clip("LC-1", 0.8), "thrust-clipped"),
        (from_late(0.6), "late-start"),
        (until(12.0), "early-end"),
        (with_gap(5.0, 0.060), "gap-unbounded"),
    ],
)
def test_hidden_thrust_makes_a_lower_bound_that_is_never_within(campaign, rehearsal, prediction, alter, code):
    found = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction, alter=alter)).results
    assert finding(found, code).severity == "serious"
    assert found.impulse.lower_bound_only
    assert found.impulse.value < rehearsal.truth.impulse_site + 3.0 * found.impulse.u
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}
    assert found.engine.isp is None


@pytest.mark.slow
def test_thrust_far_above_what_the_cell_was_calibrated_at_is_a_lower_bound_and_a_little_above_is_a_note(
    campaign, rehearsal, prediction, results
):
    cell = dataset_of(campaign, rehearsal).channels["LC-1"]
    peak = float(np.max(np.abs(running_mean(*cell.known(), 0.05))))

    def calibrated_to(newtons):
        short = cell.calibration.model_copy(update={"highest": newtons, "lowest": -newtons})
        crew = dataclasses.replace(campaign, calibrations={**campaign.calibrations, "LC-1": short})
        return analyse_static_fire(dataset_of(crew, rehearsal, prediction=prediction)).results

    found = calibrated_to(peak / 1.2)
    (said,) = (f for f in found.findings if f.code == "beyond-calibration")
    assert said.severity == "serious"
    assert f"{peak / 1.2:,.0f} N" in said.text
    assert found.impulse.lower_bound_only
    assert found.impulse.value == pytest.approx(results.impulse.value, rel=1e-3)
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}
    little = calibrated_to(peak / 1.03)
    assert "beyond-calibration" not in codes(little)
    assert finding(little, "above-highest-level").severity == "note"
    assert not little.impulse.lower_bound_only


@pytest.mark.slow
@pytest.mark.parametrize("alter", [from_late(0.6), until(12.0)])
def test_a_flow_that_is_not_all_in_the_record_gives_no_cda(campaign, rehearsal, prediction, alter):
    found = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction, alter=alter)).results
    assert all(tank.cda is None and tank.exponent is None for tank in found.tanks.values())
    assert "does not hold all of the flow" in finding(found, "tank-not-known").text
    assert "cumulative impulse" not in found.comparison


@pytest.mark.slow
def test_a_record_that_ends_under_thrust_names_no_run_out(campaign, rehearsal):
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=until(12.0))).results
    assert not [e.name for e in found.events if "run-out" in e.name]
    assert "run-out-order" not in codes(found)


@pytest.mark.slow
def test_a_long_gap_is_estimated_but_not_filled(campaign, rehearsal, prediction):
    # The brown-out: 2.10 s lost from T+0.15 s.
    found = analyse_static_fire(
        dataset_of(campaign, rehearsal, prediction=prediction, alter=with_gap(0.15, 2.10))
    ).results
    text = finding(found, "gap-unbounded").text
    estimate = float(text.split("about ")[1].split(" N*s")[0].replace(",", ""))
    assert estimate == pytest.approx(rehearsal.truth.impulse_site - found.impulse.value, rel=0.1)
    assert "not-responding" not in codes(found)


@pytest.mark.slow
def test_an_amplifier_that_saturates_below_the_rail_is_seen(campaign, rehearsal, prediction, results):
    clip = with_clip("LC-1", 0.5)

    def below_rail(played):
        return dataclasses.replace(clip(played), rails=played.rails)

    found = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction, alter=below_rail)).results
    assert found.impulse.lower_bound_only
    text = finding(found, "thrust-clipped").text
    hidden = float(text.split("about ")[1].split(" N*s")[0].replace(",", ""))
    missing = results.impulse.value - found.impulse.value
    assert missing > 500.0
    assert hidden == pytest.approx(missing, rel=0.1)  # thrust is a straight line in chamber pressure within a few %


@pytest.mark.slow
def test_a_short_gap_raises_the_upper_bound_by_no_more_than_the_worst_thrust(campaign, rehearsal, prediction):
    whole = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction)).results
    found = analyse_static_fire(
        dataset_of(campaign, rehearsal, prediction=prediction, alter=with_gap(5.0, 0.030))
    ).results
    assert not found.impulse.lower_bound_only
    assert 0.029 * 2000.0 < found.impulse.unseen < 0.031 * 3000.0
    assert found.impulse.value < whole.impulse.value
    assert found.verdicts["site"].upper_bound > whole.verdicts["site"].upper_bound
    assert found.verdicts["site"].outcome == "within"
    assert finding(found, "gap-bounded").severity == "caution"


@pytest.mark.slow
def test_single_lost_rows_are_crossed_and_told_and_hide_nothing(campaign, rehearsal, prediction):
    whole = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction)).results

    def without(played):
        lost = np.zeros(played.time.size, dtype=bool)
        lost[np.searchsorted(played.time, [4.0, 7.0, 9.0])] = True
        return without_rows(played, ~lost)

    found = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction, alter=without)).results
    assert found.impulse.value == pytest.approx(whole.impulse.value, abs=0.02 * whole.impulse.u)
    assert (found.impulse.unseen, found.impulse.lower_bound_only) == (0.0, False)
    said = finding(found, "rows-bridged")
    assert (said.severity, said.values["rows"]) == ("note", 3)
    budget = {term.source: term.u for term in found.impulse.budget}
    assert budget["rows bridged"] == pytest.approx(said.values["bridged_u"], rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(("typed", "hidden"), [("50 ms", True), ("100 ms", False)])
def test_the_plan_says_how_long_a_loss_may_be(campaign, rehearsal, typed, hidden):
    test = campaign.plan.test.model_copy(update={"repeat_if_lost_longer_than": parse_quantity(typed, "time")})
    plan = campaign.plan.model_copy(update={"test": test})
    found = analyse_static_fire(dataset_of(campaign, rehearsal, plan=plan, alter=with_gap(5.0, 0.080))).results
    assert found.impulse.lower_bound_only is hidden


@pytest.mark.slow
def test_tanks_on_the_cell_that_the_stand_file_denies_are_asked_about(campaign, rehearsal):
    stand = campaign.stand.model_copy(update={"tanks_on_cell": False})
    found = analyse_static_fire(dataset_of(campaign, rehearsal, stand=stand)).results
    assert "Are the tanks on the cell?" in finding(found, "weight-felt").text
    assert found.impulse.u / found.impulse.value > 0.02  # a zero that moves this far is not explained


def with_calibration(campaign, tag, **changes):
    calibration = campaign.calibrations[tag].model_copy(update=changes)
    return dataclasses.replace(campaign, calibrations={**campaign.calibrations, tag: calibration})


def scaled(calibration, factor):
    return {
        "coefficients": tuple(factor * c for c in calibration.coefficients),
        "covariance": tuple(tuple(factor**2 * v for v in row) for row in calibration.covariance),
    }


def test_a_reversed_cell_gives_no_impulse_and_says_so(campaign, rehearsal):
    turned = with_calibration(campaign, "LC-1", **scaled(campaign.calibrations["LC-1"], -1.0))
    found = analyse_static_fire(dataset_of(turned, rehearsal)).results
    assert finding(found, "cell-reversed").severity == "serious"
    assert found.impulse is None
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}
    assert from_json(to_json(found)) == found


@pytest.mark.slow
def test_pounds_taken_for_newtons_are_named(campaign, rehearsal):
    pounds = with_calibration(campaign, "LC-1", **scaled(campaign.calibrations["LC-1"], 1.0 / 4.4482216152605))
    found = analyse_static_fire(dataset_of(pounds, rehearsal)).results
    assert "4.448, the N/lbf ratio" in finding(found, "thrust-coefficient-impossible").text


@pytest.mark.slow
def test_without_weighings_masses_come_from_run_out_and_cell(campaign, rehearsal):
    found = analyse_static_fire(dataset_of(campaign, rehearsal, weighed=False)).results
    assert [f.severity for f in found.findings if f.code == "not-weighed"] == ["note", "note"]
    for name, tank in found.tanks.items():
        assert abs(tank.expelled_mass.value - rehearsal.truth.expelled_mass[name]) < 3.0 * tank.expelled_mass.u
    assert found.impulse.value == pytest.approx(rehearsal.truth.impulse_site, rel=0.015)


@pytest.mark.slow
def test_without_t_zero_times_count_from_the_first_row_and_impulse_stays(campaign, rehearsal, results):
    timed = dataset_of(campaign, rehearsal)
    untimed = dataclasses.replace(timed, t_zero=None)
    shift = timed.channels["LC-1"].time[0]
    channels = {t: dataclasses.replace(c, time=c.time - shift) for t, c in timed.channels.items()}
    found = analyse_static_fire(dataclasses.replace(untimed, channels=channels)).results
    assert found.impulse.value == pytest.approx(results.impulse.value, rel=2e-4)
    assert "T-0" not in {e.name for e in found.events}


def altered_counts(tag, change):
    def alter(played):
        return dataclasses.replace(played, counts={**played.counts, tag: change(played.time, played.counts[tag])})

    return alter


@pytest.mark.slow
def test_a_broken_wire_gives_way_to_the_twin(campaign, rehearsal, results):
    broken = altered_counts("PT-11", lambda time, counts: np.where(time > 3.0, 0, counts))
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=broken)).results
    assert finding(found, "open-wire").channel == "PT-11"
    assert found.tanks["oxidiser"].cda.value == pytest.approx(results.tanks["oxidiser"].cda.value, rel=0.03)
    assert found.impulse.value == pytest.approx(results.impulse.value, rel=2e-4)


@pytest.mark.slow
def test_a_frozen_line_is_called_not_responding(campaign, rehearsal):
    frozen = altered_counts(
        "PT-11", lambda time, counts: np.where(time > 7.0, counts[np.searchsorted(time, 7.0)], counts)
    )
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=frozen)).results
    said = finding(found, "not-responding")
    assert (said.channel, said.severity) == ("PT-11", "serious")
    assert said.time == pytest.approx(7.0, abs=0.01)


@pytest.mark.slow
def test_a_pair_that_parts_is_named_with_its_difference(campaign, rehearsal):
    # 1.5 bar on a 0-60 bar loop of 16 mA over 150 ohm, 0.125 mV a count: 480 counts
    off = altered_counts("PT-12", lambda time, counts: counts + 480)
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=off)).results
    assert "PT-11 and PT-12" in finding(found, "pair-disagrees").text


@pytest.mark.slow
def test_no_chamber_sensor_leaves_the_impulse_and_nulls_the_rest(campaign, rehearsal, results):
    dataset = dataset_of(campaign, rehearsal)
    channels = {t: c for t, c in dataset.channels.items() if c.measures != "chamber pressure"}
    found = analyse_static_fire(dataclasses.replace(dataset, channels=channels)).results
    assert found.impulse.value == pytest.approx(results.impulse.value, rel=2e-3)
    assert found.engine.cstar is None
    assert found.engine.thrust_coefficient is None
    assert found.tanks["fuel"].cda is None
    assert finding(found, "no-chamber-pressure").severity == "caution"


@pytest.mark.slow
def test_a_tank_without_a_sensor_costs_its_own_numbers_only(campaign, rehearsal, results):
    dataset = dataset_of(campaign, rehearsal)
    channels = {t: c for t, c in dataset.channels.items() if t not in ("PT-11", "PT-12")}
    found = analyse_static_fire(dataclasses.replace(dataset, channels=channels)).results
    assert set(found.tanks) == {"fuel"}
    assert finding(found, "no-tank-pressure").channel == "oxidiser"
    assert found.impulse.value == pytest.approx(results.impulse.value, rel=2e-3)


@pytest.mark.slow
def test_a_record_that_stops_at_shutdown_takes_the_weight_from_the_scales(campaign, rehearsal, results):
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=until(20.2))).results
    assert finding(found, "one-zero").severity == "caution"
    assert found.tare["LC-1"].after is None
    assert not found.impulse.lower_bound_only
    assert abs(found.impulse.value - rehearsal.truth.impulse_site) < 3.0 * found.impulse.u
    assert found.impulse.u > results.impulse.u


def test_without_any_quiet_stretch_nothing_is_claimed(campaign, rehearsal):
    def only_the_burn(played):
        return until(20.2)(from_late(0.6)(played))

    with pytest.raises(DataError, match="no quiet stretch before nor after"):
        analyse_static_fire(dataset_of(campaign, rehearsal, alter=only_the_burn))


@pytest.mark.slow
def test_a_prediction_that_was_not_locked_is_called_a_postdiction(campaign, rehearsal, prediction):
    dataset = dataset_of(campaign, rehearsal, prediction=prediction)
    found = analyse_static_fire(dataclasses.replace(dataset, prediction_status="postdiction")).results
    assert found.prediction == "postdiction"
    assert finding(found, "postdiction").severity == "caution"
    assert "not locked before T-0" in finding(found, "outside-band").text


def test_no_thrust_channel_is_refused(campaign, rehearsal):
    dataset = dataset_of(campaign, rehearsal)
    channels = {t: c for t, c in dataset.channels.items() if t != "LC-1"}
    with pytest.raises(DataError, match="no calibrated thrust channel"):
        analyse_static_fire(dataclasses.replace(dataset, channels=channels))


@pytest.mark.slow
def test_curves_are_thinned_and_results_survive_json(campaign, rehearsal, prediction):
    analysis = analyse(dataset_of(campaign, rehearsal, prediction=prediction), revision="A", software="test")
    assert from_json(to_json(analysis.results)) == analysis.results
    wanted = {
        "thrust": {"low", "mean", "high", "predicted", "predicted_low", "predicted_high"},
        "load cell": {"mean", "weight"},
        "cumulative impulse": {"value", "low", "high"},
        "tank pressure/oxidiser": {"low", "mean", "high", "fit", "predicted", "predicted_low", "predicted_high"},
        "tank residual/fuel": {"fit", "predicted", "band_low", "band_high"},
        "ullage/fuel": {"log_volume_ratio", "log_pressure_ratio", "fit"},
        "chamber pressure": {"low", "mean", "high", "predicted", "predicted_low", "predicted_high"},
        "injector stiffness": {"oxidiser", "fuel"},
    }
    for name, columns in wanted.items():
        curve = analysis.curves[name]
        assert set(curve.columns) == columns, name
        assert curve.time.size <= 1500
        assert all(values.size == curve.time.size for values in curve.columns.values())
    total = analysis.curves["cumulative impulse"].columns["value"][-1]
    assert total == pytest.approx(analysis.results.impulse.value, rel=1e-9)
    residual = analysis.curves["tank residual/fuel"].columns["fit"]
    assert np.nanstd(residual) < 0.2e5


def test_other_kinds_are_recorded_but_not_analysed(campaign, rehearsal):
    dataset = dataclasses.replace(dataset_of(campaign, rehearsal), kind="bench")
    with pytest.raises(DataError, match="recorded but not analysed"):
        analyse(dataset)


@pytest.mark.slow
def test_weighed_expelled_mass_may_be_stated_outright(campaign, rehearsal, results):
    from standbook.analysis.dataset.dataset import Weighing

    dataset = dataset_of(campaign, rehearsal)
    stated = {n: Weighing(expelled=Measured(m, 0.02, "kg")) for n, m in rehearsal.truth.expelled_mass.items()}
    found = analyse_static_fire(dataclasses.replace(dataset, weighings=stated)).results
    assert found.engine.overall_mixture_ratio.value == pytest.approx(
        rehearsal.truth.expelled_mass["oxidiser"] / rehearsal.truth.expelled_mass["fuel"], rel=1e-9
    )
    assert found.engine.mixture_ratio.u < results.engine.mixture_ratio.u


def added_force(newton):
    """Add a force to the cell, as a function of time; the count's size comes from a copy that reads 1 kN more."""

    def change(time, counts):
        per_newton = (np.mean(counts[(time > 0.5) & (time < 0.7)]) - np.mean(counts[time < -0.5])) / 2520.0
        return counts + np.rint(per_newton * newton(time)).astype(np.int64)

    return altered_counts("LC-1", change)


@pytest.mark.slow
@pytest.mark.parametrize(("start", "end"), [(-1.0, 2.0), (-1.0, 0.4), (5.0, 7.0), (5.0, 99.0)])
def test_a_cell_that_froze_hides_thrust(campaign, rehearsal, prediction, start, end):
    def still(time, counts):
        return np.where((time >= start) & (time <= end), counts[np.searchsorted(time, start)], counts)

    found = analyse_static_fire(
        dataset_of(campaign, rehearsal, prediction=prediction, alter=altered_counts("LC-1", still))
    ).results
    assert finding(found, "cell-frozen").time == pytest.approx(start, abs=0.01)
    assert found.impulse.lower_bound_only
    assert found.impulse.value < rehearsal.truth.impulse_site
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}


@pytest.mark.slow
def test_drop_outs_count_as_lost_thrust(campaign, rehearsal, prediction):
    def loose(time, counts):
        return np.where(np.random.default_rng(0).random(counts.size) < 0.01, 0, counts)

    found = analyse_static_fire(
        dataset_of(campaign, rehearsal, prediction=prediction, alter=altered_counts("LC-1", loose))
    ).results
    assert finding(found, "cell-drop-outs").severity == "caution"
    assert found.impulse.lower_bound_only


@pytest.mark.slow
def test_one_igniter_spike_is_neither_thrust_nor_the_end_of_the_verdict(campaign, rehearsal, prediction, results):
    spike = altered_counts("LC-1", lambda time, counts: np.where((time >= 0.0) & (time < 0.002), 8_000_000, counts))
    found = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction, alter=spike)).results
    assert found.impulse.value == pytest.approx(results.impulse.value, rel=1e-4)
    assert 0.0 < found.impulse.unseen < 10.0
    assert found.verdicts["site"].outcome == "within"


@pytest.mark.slow
@pytest.mark.parametrize("factor", [4.4482216152605, 9.80665])
@pytest.mark.parametrize("chamber", [True, False])
def test_a_wrong_unit_of_force_is_named_and_withholds_the_verdict(campaign, rehearsal, factor, chamber):
    wrong = with_calibration(campaign, "LC-1", **scaled(campaign.calibrations["LC-1"], 1.0 / factor))
    dataset = dataset_of(wrong, rehearsal)
    if not chamber:
        kept = {t: c for t, c in dataset.channels.items() if c.measures != "chamber pressure"}
        dataset = dataclasses.replace(dataset, channels=kept)
    found = analyse_static_fire(dataset).results
    code = "thrust-coefficient-impossible" if chamber else "impulse-per-mass-impossible"
    assert f"A factor of {factor:.3f}" in finding(found, code).text
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}
    assert code in found.verdicts["site"].reason


@pytest.mark.slow
def test_a_serious_finding_about_the_cell_withholds_the_verdict(campaign, rehearsal):
    stand = campaign.stand.model_copy(update={"tanks_on_cell": False})
    found = analyse_static_fire(dataset_of(campaign, rehearsal, stand=stand)).results
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}
    assert found.verdicts["site"].upper_bound is None
    assert "weight-felt" in found.verdicts["site"].reason


@pytest.mark.slow
def test_a_misfire_gives_no_impulse_and_says_what_the_chamber_saw(campaign, rehearsal, prediction):
    def still(played):
        rest = {tag: np.resize(c[played.time < -0.5], c.size) for tag, c in played.counts.items()}
        return dataclasses.replace(played, counts=rest)

    found = analyse_static_fire(dataset_of(campaign, rehearsal, prediction=prediction, alter=still)).results
    assert found.impulse is None
    assert "PT-31 reached 1.1" in finding(found, "no-thrust").text
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}
    assert from_json(to_json(found)) == found


def test_a_dead_cell_is_called_dead(campaign, rehearsal):
    dead = altered_counts("LC-1", lambda time, counts: np.zeros_like(counts))
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=dead)).results
    assert "is dead" in finding(found, "no-thrust").text


@pytest.mark.slow
@pytest.mark.parametrize("end", [19.80, 19.85, 19.88])
def test_a_record_that_ends_in_the_tail_is_a_lower_bound(campaign, rehearsal, end):
    tail = added_force(lambda time: np.where(time > 19.8, 200.0 * np.exp(-(time - 19.8) / 3.0), 0.0))
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=lambda p: until(end)(tail(p)))).results
    assert finding(found, "early-end").severity == "serious"
    assert found.impulse.lower_bound_only


@pytest.mark.slow
def test_a_second_zero_that_still_moves_withholds_the_verdict(campaign, rehearsal):
    tail = added_force(lambda time: np.where(time > 19.8, 200.0 * np.exp(-(time - 19.8) / 3.0), 0.0))
    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=lambda p: until(22.0)(tail(p)))).results
    assert "still moves by -" in finding(found, "zero-unsettled").text
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}


def untimed(dataset):
    shift = dataset.channels["LC-1"].time[0]
    channels = {t: dataclasses.replace(c, time=c.time - shift) for t, c in dataset.channels.items()}
    return dataclasses.replace(dataset, t_zero=None, channels=channels)


@pytest.mark.slow
def test_without_t_zero_a_record_that_begins_under_thrust_is_late_not_reversed(campaign, rehearsal):
    found = analyse_static_fire(untimed(dataset_of(campaign, rehearsal, alter=from_late(1.0)))).results
    assert "cell-reversed" not in codes(found)
    assert finding(found, "late-start").severity == "serious"
    assert found.impulse.lower_bound_only


@pytest.mark.slow
def test_without_t_zero_a_gap_at_ignition_counts_from_the_last_rest(campaign, rehearsal):
    found = analyse_static_fire(untimed(dataset_of(campaign, rehearsal, alter=with_gap(0.15, 0.2)))).results
    assert "0.200 s of thrust were lost between the start and" in finding(found, "gap-unbounded").text


@pytest.mark.slow
def test_scales_tell_the_weight_even_where_no_tank_sensor_does(campaign, rehearsal):
    dataset = dataset_of(campaign, rehearsal)
    only = dataclasses.replace(dataset, channels={"LC-1": dataset.channels["LC-1"]})
    mass = analyse_static_fire(only).results.weight_correction.expelled_mass
    assert abs(mass.value - sum(rehearsal.truth.expelled_mass.values())) < 3.0 * mass.u
    assert mass.u < 0.2


def smaller(campaign, share):
    """Take both tanks and their loads at a share of their size, engine and feed as they are: a shorter burn."""

    def scaled_down(quantity):
        return dataclasses.replace(quantity, value=share * quantity.value, u=share * quantity.u)

    keys = ("internal_volume", "liquid_load", "greatest_load", "unusable_residual")
    tanks = tuple(t.model_copy(update={k: scaled_down(getattr(t, k)) for k in keys}) for t in campaign.plan.tank)
    return dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"tank": tanks}))


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.1, 0.2])
def test_a_burn_of_a_few_seconds_whose_tanks_run_out_together_holds_the_truth(campaign, share):
    small = smaller(campaign, share)
    physics = perform(world_of(small.plan, small.stand, Draw(2, Errors.none())), small.stand)
    made = instrument(small, physics, Draw(7))
    found = analyse_static_fire(dataset_of(small, made)).results
    assert abs(found.impulse.value - made.truth.impulse_site) < 3.0 * found.impulse.u
    # Both liquids are gone before the valves close, so no flow lasts until then.
    assert {e.name for e in found.events} >= {"oxidiser run-out", "fuel run-out"}
    for name, tank in found.tanks.items():
        assert abs(tank.cda.value - made.truth.cda[name]) < 3.0 * tank.cda.u
        assert abs(tank.exponent.chord.value - made.truth.exponent_chord[name]) < 3.0 * tank.exponent.chord.u
    # The cell's zero drifted by 2.3 N, stated are 2 N: nothing to speak of, however light the propellant.
    assert "weight-mismatch" not in codes(found)


@pytest.mark.slow
def test_two_exchanged_sensors_are_named_and_no_pair_is_blamed(campaign, rehearsal):
    def swapped(played):
        counts = {**played.counts, "PT-11": played.counts["PT-21"], "PT-21": played.counts["PT-11"]}
        return dataclasses.replace(played, counts=counts)

    found = analyse_static_fire(dataset_of(campaign, rehearsal, alter=swapped)).results
    said = finding(found, "channels-exchanged")
    assert said.severity == "serious"
    assert "PT-11 and PT-21, or PT-12 and PT-22, are swapped" in said.text
    assert "pair-disagrees" not in codes(found)
