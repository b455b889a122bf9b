"""Mass by every route: exact where nothing errs, honest where something does. Transients of the same firing."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.dataset.dataset import CheckWeight
from standbook.analysis.firing.mass_closure import CELL, FLOW_AREA, SCALES
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.results.quantities import Measured
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.stage import on_stand
from standbook.analysis.simulation.story import instrument
from standbook.daq.config.stand_interaction import StandInteraction
from tests.rehearsed import dataset_of, from_late, until


@pytest.fixture(scope="module")
def campaign(hf02_campaign):
    return hf02_campaign


@pytest.fixture(scope="module")
def physics(hf02_physics):
    return hf02_physics


@pytest.fixture(scope="module")
def silent(campaign, physics):
    return instrument(campaign, physics, Draw(1, Errors.none()))


@pytest.fixture(scope="module")
def found(campaign, silent):
    return analyse_static_fire(dataset_of(campaign, silent)).results.firing


def routes(detail):
    return {route.route: route for route in detail.masses}


def test_without_errors_every_route_closes(found, silent):
    by = routes(found)
    assert list(by) == [SCALES, CELL, FLOW_AREA]
    true = silent.truth.expelled_mass
    assert by[SCALES].total.value == pytest.approx(sum(true.values()), abs=1e-3)  # typed to a gram
    assert by[SCALES].closure is None
    # the cell feels the same mass; ringing and noise are nil here, and gas that left is known to a tenth
    assert by[CELL].closure.value == pytest.approx(0.0, abs=0.001)
    # the integral stops at the run-out where a valve is still open for a moment: 0.5 % is what fitting allows CdA
    assert by[FLOW_AREA].closure.value == pytest.approx(0.0, abs=0.008)
    assert by[FLOW_AREA].mixture_ratio.value == pytest.approx(true["oxidiser"] / true["fuel"], rel=0.01)
    assert by[CELL].mixture_ratio is None


@pytest.mark.slow
def test_masses_of_one_scale_are_surer_in_their_ratio_and_less_so_in_their_sum(campaign, silent, found):
    shared = 1e-3  # of every mass that was weighed
    results = analyse_static_fire(dataclasses.replace(dataset_of(campaign, silent), scale_u=shared)).results
    one, plain = routes(results.firing)[SCALES], routes(found)[SCALES]
    own = analyse_static_fire(dataset_of(campaign, silent)).results.engine.overall_mixture_ratio
    assert results.engine.overall_mixture_ratio.u == pytest.approx(one.mixture_ratio.u, rel=1e-9)
    assert results.engine.overall_mixture_ratio.u < own.u
    masses = [mass.value for mass in plain.tanks.values()]
    # in square, less both own shares and more the whole: 2 m1 m2 s^2; of the ratio 2 s^2 less, relative: derived
    assert one.total.u**2 - plain.total.u**2 == pytest.approx(2.0 * masses[0] * masses[1] * shared**2, rel=1e-6)
    relative = [(route.mixture_ratio.u / route.mixture_ratio.value) ** 2 for route in (plain, one)]
    assert relative[0] - relative[1] == pytest.approx(2.0 * shared**2, rel=1e-6)
    assert one.total.value == pytest.approx(plain.total.value, rel=1e-12)
    assert one.mixture_ratio.value == pytest.approx(plain.mixture_ratio.value, rel=1e-12)


@pytest.mark.slow
def test_a_flow_area_unlike_the_plans_is_said_with_its_closure(campaign, silent):
    tanks = tuple(
        tank.model_copy(
            update={
                "feed_cda": dataclasses.replace(
                    tank.feed_cda, value=0.85 * tank.feed_cda.value, u=0.005 * tank.feed_cda.value
                )
            }
        )
        for tank in campaign.plan.tank
    )
    plan = campaign.plan.model_copy(update={"tank": tanks})
    results = analyse_static_fire(dataset_of(campaign, silent, plan=plan)).results
    route = routes(results.firing)[FLOW_AREA]
    assert route.closure.value == pytest.approx(-0.15, abs=0.01)
    (said,) = [f for f in results.findings if f.code == "mass-not-closed"]
    assert f"{100 * route.closure.value:+.1f} %" in said.text


@pytest.mark.slow
def test_without_scales_the_other_routes_stand_alone(campaign, silent):
    by = routes(analyse_static_fire(dataset_of(campaign, silent, weighed=False)).results.firing)
    assert list(by) == [CELL, FLOW_AREA]
    assert all(route.closure is None for route in by.values())


@pytest.mark.slow
def test_tanks_off_the_cell_leave_no_step(campaign, physics):
    stand = campaign.stand.model_copy(update={"tanks_on_cell": False})
    data = dataset_of(campaign, instrument(campaign, on_stand(physics, stand), Draw(1, Errors.none())), stand=stand)
    assert list(routes(analyse_static_fire(data).results.firing)) == [SCALES, FLOW_AREA]


def test_start_shutdown_and_burn_times_are_those_of_the_physics(found, silent):
    truth = silent.truth
    thrust, time = truth.thrust, truth.time
    at_start = thrust[(time > 0.5) & (time < 0.7)].mean()
    true_delay = time[np.flatnonzero(thrust > 0.1 * at_start)[0]]
    # the mean over a period of 24 ms smears the rise
    assert found.start.delay.value == pytest.approx(true_delay, abs=3 * found.start.delay.u)
    chamber = truth.chamber_pressure - truth.physics.world.ambient_pressure
    level = chamber[(time > 0.5) & (time < 0.6)].mean()
    up = [time[np.flatnonzero((chamber > share * level) & (time > 0.0))[0]] for share in (0.1, 0.9)]
    assert found.start.rise.value == pytest.approx(up[1] - up[0], abs=3 * found.start.rise.u)
    assert found.shutdown.begin < truth.events["closing"] + 0.2
    inside = time >= found.shutdown.begin
    assert found.shutdown.impulse.value == pytest.approx(
        np.trapezoid(thrust[inside], time[inside]), abs=2 * found.shutdown.impulse.u
    )
    ten, five, bisector = found.burns
    assert five.burn_time.value > ten.burn_time.value > bisector.burn_time.value
    for burn in found.burns:
        part = (time >= burn.start) & (time <= burn.end)
        assert burn.mean_thrust.value == pytest.approx(thrust[part].mean(), abs=3 * burn.mean_thrust.u)


def test_stiffness_has_its_least_with_the_instant(found, silent):
    for name, side in found.stiffness.items():
        physics = silent.truth.physics
        true = physics.manifold_pressure[name] / physics.chamber_pressure - 1.0
        near = np.abs(physics.time - side.at) < 0.1
        assert side.least.value == pytest.approx(true[near].mean(), abs=3 * side.least.u)
        assert side.at_start.value > side.least.value
        assert not side.of_feed
        assert side.at > 10.0  # pressures fall, the drop falls faster


@pytest.mark.slow
def test_a_record_that_begins_late_or_ends_early_has_no_start_or_shutdown(campaign, silent):
    late = analyse_static_fire(dataset_of(campaign, silent, alter=from_late(0.6))).results.firing
    assert late.start is None
    assert late.burns == ()
    early = analyse_static_fire(dataset_of(campaign, silent, alter=until(12.0))).results.firing
    assert early.shutdown is None
    assert early.reserve.greatest_load is None


def with_interaction(campaign, typed):
    cell = campaign.calibrations["LC-1"]
    interaction = StandInteraction.model_validate(typed)
    changed = cell.model_copy(update={"stand_interaction": interaction})
    return dataclasses.replace(campaign, calibrations={**campaign.calibrations, "LC-1": changed})


def pull(factor, line_load, *, forces=(0, 500, 1000, 2000, 2500), lines=(0, 31)):
    return [
        {"reference": f"{force} N", "cell": f"{force / factor + line_load * line!r} N", "line": f"{line} bar(g)"}
        for line in lines
        for force in forces
    ]


@pytest.mark.slow
def test_a_pull_of_the_stand_takes_its_hoses_out_of_the_impulse_and_stands_in_the_budget(campaign, physics):
    # the simulated cell takes 1.03 and 1.5 N/bar from the same calibration that the analysis reads
    pulled = with_interaction(campaign, {"pull": pull(1.03, 1.5), "pull_reference": "0.2 %"})
    silent = instrument(pulled, physics, Draw(1, Errors.none()))
    results = analyse_static_fire(dataset_of(pulled, silent)).results
    assert results.impulse.value == pytest.approx(silent.truth.impulse_site, rel=0.0005)
    budget = {term.source: term.u for term in results.impulse.budget}
    assert budget["stand interaction"] == pytest.approx(0.002 * results.impulse.value, rel=0.01)
    path = results.firing.load_path
    assert (path.factor.value, path.pulls) == (pytest.approx(1.03), 10)
    assert path.line_load.value == pytest.approx(1.5e-5)
    assert not {"load-path-not-measured", "pull-too-low", "pull-without-pressure"} & {f.code for f in results.findings}
    ignored = with_interaction(campaign, {"factor": "1.00 +/- 0.003", "line_load": "0 +/- 0.05 N/bar"})
    wrong = analyse_static_fire(dataset_of(ignored, silent)).results
    assert wrong.impulse.value < 0.98 * silent.truth.impulse_site


@pytest.mark.slow
@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ({}, "load-path-not-measured"),
        ({"pull": pull(1.0, 0.0, forces=(0, 200, 400, 600))}, "pull-too-low"),
        ({"pull": pull(1.0, 0.0, lines=(0, 5))}, "pull-without-pressure"),
    ],
)
def test_what_the_load_path_was_not_asked_is_said(campaign, physics, typed, code):
    changed = with_interaction(campaign, typed)
    silent = instrument(changed, physics, Draw(1, Errors.none()))
    found = analyse_static_fire(dataset_of(changed, silent)).results.findings
    assert [f.severity for f in found if f.code == code] == ["note"]


@pytest.mark.slow
def test_a_load_path_that_was_never_measured_raises_the_upper_bound_alone(campaign, physics):
    """Two per cent of the thrust for a cell of 5 kN, added whole above, nothing below; a judgement."""
    silent = instrument(campaign, physics, Draw(1, Errors.none()))
    dataset = dataset_of(campaign, silent)
    known = analyse_static_fire(dataset).results
    never = with_interaction(campaign, {})
    results = analyse_static_fire(dataset_of(never, silent)).results
    (allowance,) = results.impulse.allowances
    assert allowance.most == pytest.approx(0.02 * results.impulse.value)
    assert known.impulse.allowances == ()
    site = results.verdicts["site"]
    z = 1.6449  # [JCGM106], from memory, recomputed
    own = results.impulse.value + z * results.impulse.u + allowance.most
    assert site.upper_bound >= own - 1.0
    assert site.lower_bound == pytest.approx(results.impulse.value - z * results.impulse.u, abs=1.0)
    # Check weights that were hung with the hoses on carried what the hoses carry.
    force = 0.5 * results.thrust.peak.value
    mass = Measured(force / campaign.plan.site.gravity.value, 0.01, "kg")
    hung = tuple(CheckWeight(when, mass, Measured(force, 0.3, "N")) for when in ("before", "after"))
    proven = analyse_static_fire(dataclasses.replace(dataset_of(never, silent), check_weights=hung)).results
    assert proven.firing.checks.gain_proven
    assert proven.impulse.allowances == ()


def with_weighing(campaign, silent, **facts):
    """Return the firing's results with more known of how the oxidiser was weighed."""
    dataset = dataset_of(campaign, silent)
    told = {**dataset.weighings, "oxidiser": dataclasses.replace(dataset.weighings["oxidiser"], **facts)}
    return analyse_static_fire(dataclasses.replace(dataset, weighings=told)).results


def said_of_boil_off(results):
    return [f for f in results.findings if f.code == "boil-off-bounded"]


@pytest.mark.slow
def test_a_stated_boil_off_comes_off_the_load(campaign, silent):
    without = with_weighing(campaign, silent)
    rate = Measured(12e-3 / 60.0, 3e-3 / 60.0, "kg/s")  # over 15 min 0.18 kg, by hand
    found = with_weighing(campaign, silent, vented=900.0, boil_off=rate)
    masses = [results.tanks["oxidiser"].expelled_mass for results in (without, found)]
    assert masses[0].value - masses[1].value == pytest.approx(0.18)
    assert masses[1].u ** 2 - masses[0].u ** 2 == pytest.approx(0.045**2)
    assert found.engine.cstar.value > 1.008 * without.engine.cstar.value
    assert said_of_boil_off(found) == []


@pytest.mark.slow
def test_a_boil_off_that_is_not_stated_is_bounded_and_says_which_way_it_errs(campaign, silent):
    (finding,) = said_of_boil_off(with_weighing(campaign, silent, vented=900.0))
    assert (finding.severity, finding.channel) == ("note", "oxidiser")
    assert "for 15 min" in finding.text
    assert "up to 0.39 kg" in finding.text  # 25 g/min for 10 kg, here 10.66 kg: times 1.044
    assert "lower bounds, the mixture ratio is an upper bound" in finding.text
    (unknown,) = said_of_boil_off(with_weighing(campaign, silent))
    assert "nothing says how long" in unknown.text
    assert "in 10 min it may lose up to 0.26 kg" in unknown.text
