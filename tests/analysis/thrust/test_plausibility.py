"""Thrust that something else contradicts: the chamber, the tanks, the calibration, the stand's own inertia."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import T_ZERO, dataset_of

SEED = 4
DOUBTS = frozenset(
    {
        "thrust-lost",
        "thrust-not-followed",
        "chamber-not-followed",
        "thrust-flat-top",
        "cell-leapt",
        "beyond-calibration",
        "gain-not-known",
        "thrust-interrupted",
        "loaded-besides",
        "no-ignition",
        "t-zero-in-burn",
        "chamber-above-tank",
    }
)


@pytest.fixture(scope="module")
def campaign(hf02_campaign):
    return hf02_campaign


@pytest.fixture(scope="module")
def dataset(campaign, hf02_rehearsal):
    return dataset_of(campaign, hf02_rehearsal)


@pytest.fixture(scope="module")
def plain(dataset):
    return analyse_static_fire(dataset).results


def read_as(dataset, tag, change):
    """Change one channel's reading, and its signal as its calibration gives it."""
    channel = dataset.channels[tag]
    reading = change(channel.time, channel.reading)
    c = channel.calibration
    signal = c.pivot + (reading / c.scale - c.coefficients[0]) / c.coefficients[1]
    counts = np.rint((reading - reading[0]) / max(channel.step, 1e-9)).astype(np.int64)
    changed = dataclasses.replace(channel, reading=reading, signal=signal, counts=counts)
    return dataclasses.replace(dataset, channels={**dataset.channels, tag: changed})


def with_calibration(dataset, tag, **changes):
    channel = dataset.channels[tag]
    changed = dataclasses.replace(channel, calibration=channel.calibration.model_copy(update=changes))
    return dataclasses.replace(dataset, channels={**dataset.channels, tag: changed})


def without(dataset, *measures):
    kept = {tag: c for tag, c in dataset.channels.items() if c.measures not in measures}
    return dataclasses.replace(dataset, channels=kept)


def finding(results, code):
    return next(f for f in results.findings if f.code == code)


def codes(results):
    return {f.code for f in results.findings}


def test_a_healthy_firing_draws_none_of_these(plain):
    assert codes(plain) & DOUBTS == set()
    assert plain.verdicts["site"].outcome == "within"


@pytest.mark.slow
@pytest.mark.parametrize(("start", "end"), [(9.0, 9.3), (9.0, 99.0)])
def test_a_cell_that_drops_to_rest_while_the_chamber_burns_gives_a_lower_bound(dataset, plain, start, end):
    noise = np.random.default_rng(1)

    def dropped(time, reading):
        rest = float(np.mean(reading[time < -0.5])) + noise.normal(0.0, 4.0, reading.size)
        return np.where((time >= start) & (time < end), rest, reading)

    found = analyse_static_fire(read_as(dataset, "LC-1", dropped)).results
    assert found.impulse.lower_bound_only
    assert found.impulse.value < plain.impulse.value
    assert found.verdicts["site"].outcome == "not shown"
    assert finding(found, "cell-leapt").time == pytest.approx(start, abs=0.002)
    assert finding(found, "thrust-lost").time == pytest.approx(start, abs=0.1)
    assert found.engine.isp is None
    if end > 20.0:  # where thrust seems to end, the flow does not
        assert found.engine.cstar is None
        assert all(tank.cda is None for tank in found.tanks.values())


@pytest.mark.slow
def test_without_a_chamber_sensor_a_leap_alone_gives_a_lower_bound(dataset):
    fallen = read_as(dataset, "LC-1", lambda time, reading: np.where(time > 9.0, 3.0 * np.sin(time * 900.0), reading))
    found = analyse_static_fire(without(fallen, "chamber pressure")).results
    assert "cell-leapt" in codes(found)
    assert found.impulse.lower_bound_only


@pytest.mark.slow
def test_an_amplifier_that_bends_near_its_end_is_caught_by_two_witnesses(dataset, plain):
    knee = 0.6 * plain.thrust.peak.value
    bent = read_as(dataset, "LC-1", lambda _, r: np.where(r > knee, knee + 0.5 * (r - knee), r))
    found = analyse_static_fire(bent).results
    assert "two witnesses" in finding(found, "thrust-not-followed").text
    assert found.verdicts["site"].outcome == "not shown"


@pytest.mark.slow
def test_a_chamber_that_drifts_off_is_not_charged_to_the_cell(dataset, plain):
    def drifting(time, reading):
        return reading * (1.0 - 0.15 * np.clip(time / 19.0, 0.0, 1.0))

    other = read_as(read_as(dataset, "PT-31", drifting), "PT-32", drifting)
    found = analyse_static_fire(other).results
    assert finding(found, "chamber-not-followed").severity == "caution"
    assert "throat" in finding(found, "chamber-not-followed").text
    # A chamber that drifts vouches for nothing, and nothing else does.
    assert finding(found, "thrust-course-changed").severity == "caution"
    assert found.verdicts["site"].outcome == "not shown"
    # the course of the weight follows both flows, and these the chamber: a third of u
    assert found.impulse.value == pytest.approx(plain.impulse.value, rel=3e-3)


@pytest.mark.slow
def test_a_flat_top_without_noise_is_seen(dataset):
    def flat(_, reading):
        smooth = np.convolve(np.pad(reading, 40, mode="edge"), np.full(81, 1.0 / 81.0), mode="valid")
        top = 0.85 * float(np.quantile(smooth, 0.99))
        return np.minimum(5.0 * np.rint(smooth / 5.0), 5.0 * np.rint(top / 5.0))

    found = analyse_static_fire(read_as(dataset, "LC-1", flat)).results
    assert codes(found) & {"thrust-flat-top", "thrust-clipped", "cell-frozen"}
    assert found.impulse.lower_bound_only


@pytest.mark.slow
def test_a_load_beyond_the_calibrated_range_is_not_held_against_a_limit(campaign, hf02_rehearsal):
    short = campaign.calibrations["LC-1"].model_copy(update={"highest": 1500.0})
    crew = dataclasses.replace(campaign, calibrations={**campaign.calibrations, "LC-1": short})
    found = analyse_static_fire(dataset_of(crew, hf02_rehearsal)).results
    said = finding(found, "beyond-calibration").text
    assert "beyond 1,500 N" in said
    assert "LC-1_r04" in said
    assert found.impulse.lower_bound_only
    assert {v.outcome for v in found.verdicts.values()} == {"not shown"}


@pytest.mark.slow
def test_without_an_uncertainty_of_the_reference_there_is_no_verdict(dataset):
    interaction = dataset.channels["LC-1"].calibration.stand_interaction
    sure = interaction.model_copy(update={"factor": dataclasses.replace(interaction.factor, u=0.0)})
    share = parse_quantity("0 %", "share")
    bare = with_calibration(dataset, "LC-1", reference_uncertainty=share, stand_interaction=sure)
    found = analyse_static_fire(bare).results
    assert "gain-not-known" in found.verdicts["site"].reason
    pulled = with_calibration(dataset, "LC-1", reference_uncertainty=share)  # the pull's own reference carries it
    assert "gain-not-known" not in codes(analyse_static_fire(pulled).results)


def pulled_at(start, force):
    def change(time, reading):
        ramp = np.clip((time - start) / 0.5, 0.0, 1.0) * np.clip((start + 6.0 - time) / 0.5, 0.0, 1.0)
        return reading + force * ramp

    return change


def longer(dataset, before, after):
    """Let the record rest for longer at both ends."""
    channels = {}
    for tag, c in dataset.channels.items():
        step = float(np.median(np.diff(c.time)))
        head, tail = round(before / step), round(after / step)
        rest = c.time.size - 400 + np.arange(tail) % 400
        order = np.concatenate([np.arange(head) % 400, np.arange(c.time.size), rest])
        time = c.time[0] - head * step + step * np.arange(order.size)
        fields = ("signal", "reading", "counts", "clipped", "open_wire")
        channels[tag] = dataclasses.replace(c, time=time, **{f: getattr(c, f)[order] for f in fields})
    return dataclasses.replace(dataset, channels=channels)


@pytest.mark.slow
@pytest.mark.parametrize("start", [-30.0, 45.0])
@pytest.mark.parametrize("chamber", [True, False])
def test_a_check_pull_in_the_same_record_is_not_thrust(dataset, plain, start, chamber):
    long = longer(dataset, 40.0, 40.0)
    loaded = read_as(long, "LC-1", pulled_at(start, 0.7 * plain.thrust.peak.value))
    found = analyse_static_fire(loaded if chamber else without(loaded, "chamber pressure")).results
    assert found.impulse.value == pytest.approx(plain.impulse.value, rel=2e-3)
    said = finding(found, "loaded-besides")
    assert said.severity == ("note" if chamber else "serious")
    assert found.verdicts["site"].outcome == ("within" if chamber else "not shown")


@pytest.mark.slow
def test_a_flame_out_that_relights_is_told_and_summed(dataset):
    def out(time, reading):
        rest = float(np.mean(reading[time < -0.5]))
        fade = np.clip(np.abs(time - 7.0) / 0.05 - 10.0, 0.0, 1.0)  # off from 6.5 to 7.5 s
        noise = np.random.default_rng(2).normal(0.0, 0.002 * float(np.ptp(reading)), reading.size)
        return rest + (reading - rest) * fade + noise

    paused = dataset
    for tag in ("LC-1", "PT-31", "PT-32"):
        paused = read_as(paused, tag, out)
    found = analyse_static_fire(paused).results
    assert finding(found, "thrust-interrupted").time == pytest.approx(6.5, abs=0.1)
    assert not found.impulse.lower_bound_only


def test_propellants_that_pass_unburned_are_no_firing(dataset, plain):
    def cold(time, reading):
        ambient = float(np.mean(reading[time < -0.5]))
        return ambient + 0.0005 * (reading - ambient)

    gone = plain.weight_correction.expelled_mass.value * 9.81

    def weight(time, reading):
        noise = np.random.default_rng(3).normal(0.0, 3.0, reading.size)
        return float(np.mean(reading[time < -0.5])) + gone * np.clip(time / 9.0, 0.0, 1.0) + noise

    flow = read_as(dataset, "LC-1", weight)
    for tag in ("PT-31", "PT-32"):
        flow = read_as(flow, tag, cold)
    for one in (flow, without(flow, "chamber pressure")):
        found = analyse_static_fire(one).results
        assert found.impulse is None
        assert "unburned" in finding(found, "no-ignition").text
        assert found.verdicts["site"].outcome == "not shown"


@pytest.mark.slow
@pytest.mark.parametrize("late", [3.0, 12.0])
def test_a_t_zero_within_the_thrust_is_left_out(dataset, plain, late):
    channels = {tag: dataclasses.replace(c, time=c.time - late) for tag, c in dataset.channels.items()}
    moved = dataclasses.replace(dataset, channels=channels, t_zero=dataclasses.replace(T_ZERO))
    found = analyse_static_fire(moved).results
    assert "Thrust was up" in finding(found, "t-zero-in-burn").text
    assert finding(found, "t-zero-in-burn").time == pytest.approx(plain.window.start - late, abs=1.0)
    assert found.impulse.value == pytest.approx(plain.impulse.value, rel=1e-3)


@pytest.mark.slow
def test_a_chamber_above_its_tank_gives_no_engine_numbers(dataset, plain):
    high = read_as(dataset, "PT-31", lambda _, p: 1e5 + 1.45 * (p - 1e5))
    found = analyse_static_fire(without_tag(high, "PT-32")).results
    assert "uphill" in finding(found, "chamber-above-tank").text
    assert found.engine.cstar is None
    assert found.engine.thrust_coefficient is None
    assert found.impulse.value == pytest.approx(plain.impulse.value, rel=2e-3)


def without_tag(dataset, tag):
    return dataclasses.replace(dataset, channels={t: c for t, c in dataset.channels.items() if t != tag})


@pytest.mark.slow
def test_scales_that_the_cell_contradicts_widen_what_rests_on_them(dataset, plain):
    def heavier(tank):
        load = dataclasses.replace(tank.liquid_load, value=tank.liquid_load.value + 1.5)
        return tank.model_copy(update={"liquid_load": load}) if tank.name == "oxidiser" else tank

    tanks = tuple(heavier(tank) for tank in dataset.plan.tank)
    noted = dataclasses.replace(dataset, plan=dataset.plan.model_copy(update={"tank": tanks}))
    found = analyse_static_fire(noted).results
    assert "weight-mismatch" in codes(found)
    for name in ("isp", "cstar", "mixture_ratio"):
        wrong, right = getattr(found.engine, name), getattr(plain.engine, name)
        assert abs(wrong.value - right.value) < 2.5 * math.hypot(wrong.u, right.u)
