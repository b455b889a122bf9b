"""A sensor whose record is at fault is passed over by name and instant; its twin serves, or nothing is given."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.cold_flow.flow_contradictions import contradictions
from standbook.analysis.cold_flow.seen_flow import first_with_flow
from standbook.analysis.cold_flow.tank_side import flow_side
from standbook.analysis.dataset.dataset import Weighing
from standbook.analysis.findings.channels import CLIPPED
from standbook.analysis.findings.record_faults import (
    FLOW_GOES_ON,
    GAP_HIDES_END,
    HELD_VALUE,
    PRESSURE_ROSE,
    SIGNAL_STEPPED,
    START_PRESSURE_NOT_AS_PLANNED,
    STEP_FOR_END,
)
from standbook.analysis.kinds.cold_flow import analyse_water_flow
from standbook.analysis.results.quantities import Measured
from tests.rehearsed import dataset_of, with_gap

AT = 7.0  # s, in mid-flow


@pytest.fixture(scope="module")
def healthy(wf03_campaign, wf03_story):
    return dataset_of(wf03_campaign, wf03_story)


def pressures(dataset):
    return dataset.measuring("tank pressure", dataset.plan.tank[0].name)


def spoilt(dataset, change, *, first_alone=False):
    """Change counts of the tank's pressures: a function of times and counts, as readings follow them."""
    channels = dict(dataset.channels)
    for channel in pressures(dataset)[: 1 if first_alone else None]:
        counts = np.rint(change(channel.time, channel.counts)).astype(np.int64)
        slope = (channel.reading[-1] - channel.reading[0]) / (channel.counts[-1] - channel.counts[0])
        reading = channel.reading + slope * (counts - channel.counts)
        channels[channel.tag] = dataclasses.replace(channel, counts=counts, reading=reading)
    return dataclasses.replace(dataset, channels=channels)


def step(share):
    def change(time, counts):
        rest = np.median(counts[(time > -1.0) & (time < 0.0)]) - counts.min()
        return counts + share * rest * (time >= AT)

    return change


def held(time, counts):
    made = counts.copy()
    inside = (time >= AT) & (time < AT + 0.4)
    made[inside] = made[inside][0]
    return made


def dropped(time, counts):
    """A level that moves with the noise, so that nothing is held, and comes back."""
    return np.where((time >= AT) & (time < AT + 0.3), counts - 0.5 * np.ptp(counts), counts)


def paused(time, counts):
    """A valve that shut for a second: what follows comes a second later, with its noise."""
    random = np.random.default_rng(0)
    then = np.where(time > AT + 1.0, time - 1.0, np.where(time > AT, AT + random.uniform(-0.03, 0.03, time.size), time))
    return counts[np.minimum(np.searchsorted(time, then), time.size - 1)]


def cut_off(time, counts):
    return np.minimum(counts, counts.min() + 0.9 * np.ptp(counts))


@pytest.mark.parametrize(
    ("change", "kind", "after"),
    [
        (held, HELD_VALUE, 0.01),
        (dropped, PRESSURE_ROSE, 0.4),
        (step(0.08), PRESSURE_ROSE, 0.1),
        pytest.param(step(-0.05), STEP_FOR_END, 0.1, marks=pytest.mark.slow),
        (paused, FLOW_GOES_ON, 0.1),
        (cut_off, CLIPPED, None),
    ],
)
def test_a_fault_of_both_sensors_is_named_with_its_instant_and_no_flow_is_given(healthy, change, kind, after):
    seen = first_with_flow(spoilt(healthy, change), pressures(spoilt(healthy, change)))
    assert seen.channel is None
    assert [f.code for f in seen.passed] == [kind.code] * 2
    assert {f.channel for f in seen.passed} == {channel.tag for channel in pressures(healthy)}
    if after is not None:
        assert all(AT - 0.3 < f.time < AT + after for f in seen.passed)
        assert all("second sensor of the tank or a weighed tank would decide" in f.decided_by for f in seen.passed)


def test_a_healthy_record_passes_no_sensor_over(healthy):
    seen = first_with_flow(healthy, pressures(healthy))
    assert seen.channel is pressures(healthy)[0]
    assert seen.passed == ()


def test_where_the_twin_serves_the_fault_is_a_caution(healthy):
    faulty = spoilt(healthy, held, first_alone=True)
    seen = first_with_flow(faulty, pressures(faulty))
    assert seen.channel is pressures(faulty)[1]
    assert [(f.code, f.severity) for f in seen.passed] == [("held-value", "caution")]


def test_a_gap_at_the_end_is_named(wf03_campaign, wf03_story, healthy):
    end = first_with_flow(healthy, pressures(healthy)).instants.end.time
    damaged = dataset_of(wf03_campaign, wf03_story, alter=with_gap(end - 0.2, 0.5))
    seen = first_with_flow(damaged, pressures(damaged))
    assert all(f.of(GAP_HIDES_END) and f.time == pytest.approx(end - 0.2, abs=0.02) for f in seen.passed)
    assert len(seen.passed) == 2


def test_a_small_step_that_made_no_end_is_named_as_one(healthy):
    faulty = spoilt(healthy, step(0.012))
    seen = first_with_flow(faulty, pressures(faulty))
    assert all(f.of(SIGNAL_STEPPED, STEP_FOR_END, FLOW_GOES_ON) for f in seen.passed)
    assert len(seen.passed) == 2


@pytest.mark.slow
def test_no_other_cause_is_named_beside_a_fault_of_the_record(healthy):
    results = analyse_water_flow(spoilt(healthy, held)).results
    assert results.tanks == {}
    assert {f.code for f in results.findings if f.severity != "note"} == {"held-value"}


def started_at(dataset, factor, **weighed):
    """Move the plan's start pressure instead of the readings."""
    (tank,) = dataset.plan.tank
    moved = dataclasses.replace(tank.start_pressure, value=tank.start_pressure.value * factor)
    plan = dataset.plan.model_copy(update={"tank": (tank.model_copy(update={"start_pressure": moved}),)})
    weighing = dataclasses.replace(dataset.weighings[tank.name], **weighed)
    return dataclasses.replace(dataset, plan=plan, weighings={tank.name: weighing})


def contradicted(dataset, *, twin=False):
    channel, *others = pressures(dataset)
    if not twin:
        kept = {tag: c for tag, c in dataset.channels.items() if tag not in {other.tag for other in others}}
        dataset = dataclasses.replace(dataset, channels=kept)
    instants = first_with_flow(dataset, (channel,)).instants
    return contradictions(dataset, flow_side(dataset, dataset.plan.tank[0], channel, instants))


@pytest.mark.slow
def test_a_start_pressure_off_the_plan_is_refused_until_it_is_read_elsewhere(healthy):
    (said,) = contradicted(started_at(healthy, 1.2))
    assert said.of(START_PRESSURE_NOT_AS_PLANNED)
    assert said.severity == "serious"
    assert said.values["apart_percent"] == pytest.approx(-100.0 * 0.2 * 9.0 / (1.2 * 9.0 + 1.0), abs=1.0)
    assert contradicted(started_at(healthy, 1.02)) == []
    assert contradicted(started_at(healthy, 1.2), twin=True) == []  # the other sensor reads the same
    read = Measured(9.98e5, 0.1e5, "Pa")
    assert isinstance(healthy.weighings["oxidiser"], Weighing)
    assert contradicted(started_at(healthy, 1.2, start_pressure=read)) == []
