"""Scales, meters, venturi and run-out of one simulated flow: each amount alone, together, in error, missing."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.blowdown.record import averaged_flow
from standbook.analysis.cold_flow.boiling_liquid import as_flowed
from standbook.analysis.cold_flow.observed_amounts import observed_amounts
from standbook.analysis.cold_flow.seen_flow import first_with_flow
from standbook.analysis.cold_flow.tank_side import flow_side
from standbook.analysis.dataset.dataset import Weighing
from standbook.analysis.kinds.cold_flow import analyse_water_flow
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.quantities import Measured
from standbook.daq.config.stand import Input
from tests.studies.flow_honesty import draw_spec, play

STREAMS = {"liquid mass": "LC-2", "liquid flow": "FM-1", "venturi pressure": "DP-1"}
QUIET = {
    "volume": 20e-3,
    "ratio": 1.6,
    "start_pressure": 30e5,
    "duration": 8.0,
    "gas": "nitrogen",
    "rate": 500.0,
    "bits": 18,
    "full_scale": 50e5,
    "gauge": True,
    "white": 5e-4,
    "correlated": 0.0,
    "latency": 2e-3,
    "hold": 4.0,
    "stroke": 0.08,
    "heat_factor": 0.65,
    "clock_tolerance": 50e-6,
    "gas_temperature": 294.0,
    "left_share": 0.1,
    "gain_u": 1e-3,
    "zero_u": 3e-4,
    "volume_u": 2e-3,
    "load_u": 2e-3,
}


def made(**changes):
    spec = dataclasses.replace(draw_spec(3), **QUIET)
    relative = dict.fromkeys(spec.amount_u, 3e-3)
    return play(dataclasses.replace(spec, amount_u=relative, diameter=0.2, **changes))


@pytest.fixture(scope="module")
def early():
    return made(amounts=("caught", "drained", *STREAMS))


@pytest.fixture(scope="module")
def dry():
    return made(amounts=("caught", "run-out"), left_share=0.02)


def with_only(drawn, *kinds):
    """Leave one record's other amounts out."""
    gone = {tag for kind, tag in STREAMS.items() if kind not in kinds}
    channels = {tag: channel for tag, channel in drawn.dataset.channels.items() if tag not in gone}
    whole = drawn.dataset.weighings["tank"]
    weighing = Weighing(
        caught=whole.caught if "caught" in kinds else None, residual=whole.residual if "drained" in kinds else None
    )
    return dataclasses.replace(drawn.dataset, channels=channels, weighings={"tank": weighing})


def bent(dataset, tag, change):
    """Change one channel's reading."""
    channel = dataset.channels[tag]
    reading = change(channel.time, channel.reading)
    return dataclasses.replace(
        dataset, channels={**dataset.channels, tag: dataclasses.replace(channel, reading=reading)}
    )


def tank(results):
    return results.tanks["tank"]


def finding(results, code):
    return next(f for f in results.findings if f.code == code)


def codes(results):
    return {f.code for f in results.findings}


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["caught", "drained", *STREAMS])
def test_every_amount_alone_gives_cda_and_exponent(early, kind):
    results = analyse(with_only(early, kind)).results
    found = tank(results)
    assert abs(found.cda.value - early.cda) < 3.0 * found.cda.u
    assert abs(found.exponent.chord.value - early.chord) < 3.0 * found.exponent.chord.u
    assert found.cda.u / early.cda < 0.006  # 0.3 % of the amount, and what the pressure adds
    assert not {f.code for f in results.findings if f.severity != "note"}


@pytest.mark.slow
def test_all_amounts_together_are_surer_than_any_alone(early):
    together = tank(analyse(early.dataset).results)
    alone = [tank(analyse(with_only(early, kind)).results).cda.u for kind in ("caught", "drained", *STREAMS)]
    assert together.cda.u < min(alone)
    assert abs(together.cda.value - early.cda) < 3.0 * together.cda.u
    assert together.facts["the amounts agree"]


@pytest.mark.slow
def test_a_run_out_with_a_weighed_load_is_an_amount_and_is_said(dry):
    results = analyse(with_only(dry)).results
    found = tank(results)
    assert abs(found.cda.value - dry.cda) < 3.0 * found.cda.u
    assert "nothing was weighed or metered" in finding(results, "amount-from-load").text


@pytest.mark.slow
def test_the_errors_of_the_load_move_ullage_and_drained_mass_together(early):
    """A load 1 % higher: less ullage and more mass, each of which alone would move the exponent the other way."""
    dataset = with_only(early, "drained")
    before = tank(analyse(dataset).results)
    load = dataset.plan.tank[0].liquid_load
    more = dataclasses.replace(load, value=load.value + load.u)
    plan = dataset.plan.model_copy(update={"tank": (dataset.plan.tank[0].model_copy(update={"liquid_load": more}),)})
    after = tank(analyse(dataclasses.replace(dataset, plan=plan)).results)
    term = {t.source: t.u for t in before.cda_budget}["load"]
    assert after.cda.value - before.cda.value == pytest.approx(term, rel=0.02)


def test_without_any_amount_there_is_one_sentence_and_no_number(early):
    results = analyse(with_only(early)).results
    assert tank(results).cda is None
    assert tank(results).exponent is None
    assert "no exponent and no CdA without an amount of liquid" in finding(results, "not-weighed").text
    assert results.needs_review


@pytest.mark.slow
def test_a_meter_that_contradicts_the_bucket_is_named_and_not_averaged(early):
    dataset = with_only(early, "caught", "liquid flow")
    bucket = tank(analyse(with_only(early, "caught")).results)
    results = analyse(bent(dataset, "FM-1", lambda _, rate: 1.04 * rate)).results
    said = finding(results, "amounts-disagree")
    assert said.severity == "serious"
    assert "by the mass caught" in said.text
    assert "by the flow meter FM-1" in said.text
    found = tank(results)
    assert found.cda.value == pytest.approx(bucket.cda.value, rel=1e-6)
    assert found.cda.u > 0.015 * found.cda.value  # half of the 4 %
    assert not found.facts["the amounts agree"]


@pytest.mark.slow
def test_of_three_the_one_that_is_alone_is_left_out(early):
    dataset = bent(with_only(early, "caught", "liquid flow", "liquid mass"), "FM-1", lambda _, rate: 1.05 * rate)
    results = analyse(dataset).results
    said = [f for f in results.findings if f.code == "amounts-disagree"]
    assert [f.severity for f in said] == ["caution", "caution"]
    assert all("the flow meter FM-1 contradicts all others and is left out" in f.text for f in said)
    assert abs(tank(results).cda.value - early.cda) < 3.0 * tank(results).cda.u


@pytest.mark.slow
def test_a_weighed_tank_that_feels_the_jet_is_told_and_less_trusted(early):
    """A jet of 1 kg/s at 80 m/s pushes with 80 N; here a tenth of that reaches the cell."""
    dataset = with_only(early, "liquid mass")
    opening, end = early.course.events["opening/tank"], early.course.events["closing"]
    calm = tank(analyse(dataset).results)
    pushed = bent(dataset, "LC-2", lambda t, mass: mass + 0.4 * ((t > opening) & (t < end)))
    results = analyse(pushed).results
    assert finding(results, "weighed-tank-feels-jet").values["step"] == pytest.approx(0.4, abs=0.005)
    assert tank(results).cda.u > 2.0 * calm.cda.u


@pytest.mark.slow
def test_a_valve_that_creeps_shut_shows_in_the_weighed_tank(early):
    def creeping(time, mass):
        flowed = mass[0] - mass
        return mass + 0.05 * flowed**2 / flowed.max()  # the last of it flows a tenth slower

    results = analyse(bent(with_only(early, "liquid mass"), "LC-2", creeping)).results
    assert "the flow area fell by" in finding(results, "flow-area-creeps").text


@pytest.mark.slow
def test_a_meter_that_reads_flow_through_a_closed_valve_is_told(early):
    dataset = bent(with_only(early, "liquid flow"), "FM-1", lambda _, rate: rate + 0.01 * np.max(rate))
    assert "with the valve closed it reads" in finding(analyse(dataset).results, "meter-not-at-zero").text


@pytest.mark.slow
def test_a_flow_meter_of_volume_knows_the_density(early):
    """The same flow in litres a minute: CdA goes with the root of the density, not its inverse root."""
    dataset = with_only(early, "liquid flow")
    channel = dataset.channels["FM-1"]
    density = dataset.plan.tank[0].liquid_density.value
    litres = channel.calibration.model_copy(update={"reading_unit": "L/min"})
    volume = dataclasses.replace(channel, calibration=litres, reading=channel.reading / density)
    results = analyse(dataclasses.replace(dataset, channels={**dataset.channels, "FM-1": volume})).results
    whole = tank(analyse(dataset).results)
    assert tank(results).cda.value == pytest.approx(whole.cda.value, rel=1e-9)
    terms = {t.source: t.u for t in tank(results).cda_budget}
    density_share = dataset.plan.tank[0].liquid_density.relative_u
    assert terms["density"] == pytest.approx(0.5 * density_share * whole.cda.value, rel=0.01)


@pytest.mark.slow
def test_a_stuck_or_clipped_meter_is_left_out(early):
    dataset = with_only(early, "caught", "liquid flow")
    channel = dataset.channels["FM-1"]
    clipped = dataclasses.replace(channel, clipped=np.ones(channel.time.size, dtype=bool))
    results = analyse(dataclasses.replace(dataset, channels={**dataset.channels, "FM-1": clipped})).results
    assert finding(results, "amount-not-usable").channel == "FM-1"
    assert tank(results).cda.value == pytest.approx(tank(analyse(with_only(early, "caught")).results).cda.value)


@pytest.mark.slow
def test_the_supply_of_a_ratiometric_sensor_is_in_the_budget(early):
    """A supply off by 1 % moves a reading about the pressure of no signal: 12.5 % of 0.5-4.5 V below zero."""
    dataset = with_only(early, "caught")
    channel = dataset.channels["PT-1"]
    driven = {**dataset.channels, "PT-1": dataclasses.replace(channel, supply_u=0.01)}
    known = dataclasses.replace(dataset, channels=driven)
    before, after = (tank(analyse(d).results) for d in (dataset, known))
    terms = {t.source: t.u for t in after.cda_budget}
    assert "sensor supply" not in {t.source for t in before.cda_budget}
    # CdA goes as the inverse root of the drive, which the supply turns about the reading of no signal.
    no_signal = channel.no_signal_reading + 1.0e5
    mean = 0.5 * (after.start_pressure.value + after.end_pressure.value)
    share = 0.5 * 0.01 * (mean - no_signal) / (mean - 1.0e5)
    assert terms["sensor supply"] / after.cda.value == pytest.approx(share, rel=0.05)
    assert after.cda.u == pytest.approx(math.hypot(before.cda.u, terms["sensor supply"]), rel=1e-3)


@pytest.mark.slow
def test_spikes_of_one_sample_in_a_hundred_move_cda_by_less_than_a_fifth_of_a_percent(early):
    """Required: scatter at most 0.2 %; a plain mean scatters by 8 %."""
    dataset = with_only(early, "caught")
    clean = tank(analyse(dataset).results).cda.value
    moved = []
    for seed in range(6):
        random = np.random.default_rng(seed)

        def spiky(time, pressure, random=random):
            hit = random.random(time.size) < 0.01
            return pressure + hit * random.uniform(-40e5, 40e5, time.size)

        found = tank(analyse_water_flow(bent(dataset, "PT-1", spiky)).results)
        moved.append(found.cda.value / clean - 1.0)
    assert np.sqrt(np.mean(np.square(moved))) < 0.002


def test_a_venturi_pressure_needs_its_area_and_the_area_its_uncertainty():
    typed = {
        "device": "box",
        "wire": "w1",
        "tag": "DP-1",
        "measures": "venturi pressure",
        "tank": "tank",
        "kind": "counts",
    }
    with pytest.raises(ValueError, match="go together"):
        Input.model_validate(typed)
    with pytest.raises(ValueError, match="needs its uncertainty"):
        Input.model_validate({**typed, "venturi_cda": "30 mm2"})
    assert Input.model_validate({**typed, "venturi_cda": "30.0 +/- 0.3 mm2"}).venturi_cda.u == pytest.approx(0.3e-6)


def test_a_second_of_rest_is_required(early):
    dataset = with_only(early, "caught")
    channel = dataset.channels["PT-1"]
    late = channel.time > -0.6
    short = {
        name: getattr(channel, name)[late] for name in ("time", "signal", "reading", "counts", "clipped", "open_wire")
    }
    cut = dataclasses.replace(dataset, channels={"PT-1": dataclasses.replace(channel, **short)})
    results = analyse(cut).results
    assert tank(results).exponent is None
    assert "1 s needed; without it start pressure, opening and CdA draw the same curve" in (
        finding(results, "tank-not-known").text
    )


@pytest.mark.slow
def test_the_weight_of_an_unknown_column_is_in_the_budget(early):
    """Where a plan states no diameter the column is a guess: 0.3 m of water are 0.03 bar of 20."""
    dataset = with_only(early, "caught")
    bare = dataset.plan.tank[0].model_copy(update={"internal_diameter": None})
    guessed = dataclasses.replace(dataset, plan=dataset.plan.model_copy(update={"tank": (bare,)}))
    found = tank(analyse(guessed).results)
    assert {t.source: t.u for t in found.cda_budget}["liquid column"] > 0.0
    assert abs(found.cda.value - early.cda) < 3.0 * found.cda.u
    assert isinstance(found.expelled_mass, Measured)


@pytest.mark.slow
def test_a_scale_under_the_bucket_shows_less_than_the_mass_as_the_note_of_it_does(early):
    """By hand: water weighs 1.05 g a kilogram less in air of 1.20 kg/m3, steel weights of 8000 kg/m3 0.15 g less."""
    noted = with_only(early, "caught")
    mass = noted.weighings["tank"].caught.value
    site = noted.plan.site
    air = 1.2 * site.ambient_pressure.value / 101325.0 * 294.0 / site.ambient_temperature.value
    density = noted.plan.tank[0].liquid_density.value
    shown = mass * (1.0 - air / density + air / 8000.0)
    still = early.dataset.channels["LC-2"]
    reading = np.where(still.time > 0.5 * QUIET["duration"], shown, 0.0)
    scale = dataclasses.replace(still, measures="caught mass", reading=reading)
    bucket = dataclasses.replace(noted, channels={**noted.channels, "LC-2": scale}, weighings={})
    by_note, by_scale = (tank(analyse(dataset).results).cda.value for dataset in (noted, bucket))
    assert by_scale == pytest.approx(by_note, rel=1e-4)


@pytest.mark.slow
def test_of_a_boiling_liquid_only_what_weighs_the_tank_counts(early):
    (tank_of,) = early.dataset.plan.tank
    cold = early.dataset.plan.model_copy(
        update={
            "test": early.dataset.plan.test.model_copy(update={"kind": "nitrogen flow"}),
            "tank": (tank_of.model_copy(update={"liquid": "liquid nitrogen"}),),
        }
    )
    sensors = early.dataset.measuring("tank pressure", "tank")
    seen = first_with_flow(early.dataset, sensors)
    flow = averaged_flow(flow_side(early.dataset, tank_of, seen.channel, seen.instants).record)
    dataset = as_flowed(
        dataclasses.replace(early.dataset, plan=cold), cold.tank[0], seen.channel, seen.instants
    ).dataset
    found = observed_amounts(dataset, cold.tank[0], seen.instants, flow)
    assert {amount.name for amount in found.amounts} == {"drained", STREAMS["liquid mass"]}
    every = observed_amounts(early.dataset, tank_of, seen.instants, flow)
    assert {amount.name for amount in every.amounts} == {"caught", "drained", *STREAMS.values()}
