"""A firing's tank whose signal is at fault is named by test and instant; its numbers and the engine's are withheld."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.findings.record_faults import (
    ENDS_BEFORE_THRUST,
    FALLS_AFTER_THRUST,
    FLOW_GOES_ON,
    GAP_HIDES_END,
    HELD_VALUE,
    PRESSURE_ROSE,
    SIGNAL_STEPPED,
    STEP_FOR_END,
)
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.thrust.tank_flows import tank_flows
from tests.rehearsed import dataset_of, with_gap

AT = 4.0  # s, while both liquids flow


@pytest.fixture(scope="module")
def healthy(hf02_campaign, hf02_rehearsal):
    return dataset_of(hf02_campaign, hf02_rehearsal)


@pytest.fixture(scope="module")
def burn(hf02_results):
    events = {event.name: event.time for event in hf02_results.events}
    return events["thrust start"], events["thrust stop"]


def sensors(dataset, tank):
    return dataset.measuring("tank pressure", tank)


def spoilt(dataset, change, *, tank="fuel", first_alone=False):
    """Change counts of a tank's pressures: a function of times and counts, as readings follow them."""
    channels = dict(dataset.channels)
    for channel in sensors(dataset, tank)[: 1 if first_alone else None]:
        counts = np.rint(change(channel.time, channel.counts)).astype(np.int64)
        slope = (channel.reading[-1] - channel.reading[0]) / (channel.counts[-1] - channel.counts[0])
        reading = channel.reading + slope * (counts - channel.counts)
        channels[channel.tag] = dataclasses.replace(channel, counts=counts, reading=reading)
    return dataclasses.replace(dataset, channels=channels)


def level(time, counts):
    return np.median(counts[(time > -1.0) & (time < 0.0)]) - counts.min()


def step(share, at=AT):
    return lambda time, counts: counts + share * level(time, counts) * (time >= at)


def held(time, counts):
    inside = (time >= AT) & (time < AT + 0.3)
    return np.where(inside, counts[inside][0], counts)


def dropped(time, counts):
    return np.where((time >= AT) & (time < AT + 0.3), counts - 0.5 * np.ptp(counts), counts)


def cut_off(share):
    """Cut the signal off before an amplifier that adds noise, so that nothing is flat."""

    def change(time, counts):
        top = counts.min() + share * level(time, counts)
        return np.minimum(counts, top) + 3e-4 * level(time, counts) * np.random.default_rng(0).standard_normal(
            counts.size
        )

    return change


@pytest.mark.parametrize(
    ("change", "kinds", "within"),
    [
        (held, (HELD_VALUE,), (AT - 0.01, AT + 0.01)),
        (dropped, (PRESSURE_ROSE,), (AT, AT + 0.5)),
        (step(0.05), (PRESSURE_ROSE,), (AT - 0.2, AT + 0.2)),
        (step(-0.03), (STEP_FOR_END, FLOW_GOES_ON), (AT - 0.3, AT + 0.3)),
        (step(0.003), (SIGNAL_STEPPED,), (AT - 0.3, AT + 0.3)),
        (cut_off(0.85), (FALLS_AFTER_THRUST,), (0.2, AT)),
        (cut_off(0.98), (FALLS_AFTER_THRUST,), (0.2, AT)),
    ],
)
def test_a_fault_is_named_once_a_sensor_with_its_instant_and_the_tank_is_left_out(healthy, burn, change, kinds, within):
    faulty = spoilt(healthy, change)
    flows, said = tank_flows(faulty, start=burn[0], end=burn[1])
    assert set(flows) == {"oxidiser"}
    assert [f.channel for f in said] == [channel.tag for channel in sensors(healthy, "fuel")]
    assert all(f.of(*kinds) and f.severity == "serious" for f in said)
    assert all(within[0] < f.time < within[1] for f in said)


def test_a_sensor_that_freezes_just_before_the_burn_s_end_is_named(healthy, burn):
    at = burn[1] - 0.7

    def frozen(time, counts):
        return np.where(time >= at, counts[time >= at][0], counts)

    flows, said = tank_flows(spoilt(healthy, frozen), start=burn[0], end=burn[1])
    assert set(flows) == {"oxidiser"}
    assert all(f.of(HELD_VALUE) and f.time == pytest.approx(at, abs=0.01) for f in said)
    assert len(said) == len(sensors(healthy, "fuel"))


@pytest.mark.parametrize("before", [0.65, 1.0])
def test_an_end_before_the_chamber_falls_is_none(healthy, burn, before):
    stepped = spoilt(healthy, step(0.01, burn[1] - before))
    flows, said = tank_flows(stepped, start=burn[0], end=burn[1])
    assert set(flows) == {"oxidiser"}
    assert [f.channel for f in said] == [channel.tag for channel in sensors(healthy, "fuel")]
    assert all(f.of(ENDS_BEFORE_THRUST) and f.severity == "serious" for f in said)
    assert all(f.time == pytest.approx(burn[1] - before, abs=0.1) for f in said)


def test_what_burns_with_one_liquid_may_burn_on_after_it(healthy, burn):
    fuel = tuple(tank for tank in healthy.plan.tank if tank.name == "fuel")
    stepped = spoilt(healthy, step(0.01, burn[1] - 0.8))
    alone = dataclasses.replace(stepped, plan=stepped.plan.model_copy(update={"tank": fuel}))
    flows, said = tank_flows(alone, start=burn[0], end=burn[1])
    assert set(flows) == {"fuel"}
    assert said == []


def test_healthy_tanks_are_believed(healthy, burn):
    flows, said = tank_flows(healthy, start=burn[0], end=burn[1])
    assert {name: flow.channel.tag for name, flow in flows.items()} == {
        name: sensors(healthy, name)[0].tag for name in ("oxidiser", "fuel")
    }
    assert said == []


def test_where_a_twin_serves_the_fault_is_a_caution(healthy, burn):
    tank = next(tank.name for tank in healthy.plan.tank if len(sensors(healthy, tank.name)) > 1)
    flows, said = tank_flows(spoilt(healthy, held, tank=tank, first_alone=True), start=burn[0], end=burn[1])
    assert flows[tank].channel is sensors(healthy, tank)[1]
    assert [(f.code, f.severity) for f in said] == [("held-value", "caution")]


@pytest.mark.slow
def test_rows_missing_at_the_end_of_a_tank_s_flow_hide_it(hf02_campaign, hf02_rehearsal, healthy, burn):
    flows, _ = tank_flows(healthy, start=burn[0], end=burn[1])
    end = flows["fuel"].end.time
    damaged = dataset_of(hf02_campaign, hf02_rehearsal, alter=with_gap(end - 0.2, 0.4))
    left, said = tank_flows(damaged, start=burn[0], end=burn[1])
    assert "fuel" not in left
    assert any(f.of(GAP_HIDES_END) and f.time == pytest.approx(end - 0.2, abs=0.02) for f in said)


@pytest.mark.slow
def test_numbers_of_both_flows_are_withheld_and_the_impulse_stands(healthy, hf02_results):
    results = analyse_static_fire(spoilt(healthy, step(-0.03))).results
    assert results.tanks["oxidiser"].cda is not None
    assert "fuel" not in results.tanks
    assert (results.engine.cstar, results.engine.mixture_ratio, results.engine.isp) == (None, None, None)
    assert results.impulse.value == pytest.approx(hf02_results.impulse.value, abs=hf02_results.impulse.u)
    assert any(f.severity == "serious" and f.of(STEP_FOR_END, FLOW_GOES_ON) for f in results.findings)
