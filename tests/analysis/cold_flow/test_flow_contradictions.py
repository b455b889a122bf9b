"""Flows that an outsider's crew got wrong by a whole unit, an empty tank or a second opening; health says nothing."""

from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.quantities import Measured
from tests.studies.diagnosis import play
from tests.studies.water_flow_accuracy import reference_campaign

CODES = {"pressure-unit", "amount-implausible", "opened-twice", "let-off-in-steps"}


@pytest.fixture(scope="module")
def healthy():
    return play(reference_campaign(), 1000)[0]


def contradicted(dataset):
    results = analyse(dataset).results
    assert not any(f.code.startswith("cause-") for f in results.findings)  # each would be a wrong one
    said = [f for f in results.findings if f.code in CODES]
    (tank,) = results.tanks.values()
    assert (tank.cda is None) == (tank.exponent is None) == any(f.severity == "serious" for f in said)
    return said


def planned_at(dataset, factor):
    """Move the plan instead of the readings: what counts is their ratio."""
    (tank,) = dataset.plan.tank
    pressure = tank.start_pressure
    origin = 0.0 if pressure.reference == "gauge" else dataset.plan.site.ambient_pressure.value
    moved = replace(pressure, value=origin + (pressure.value - origin) * factor)
    tanks = (tank.model_copy(update={"start_pressure": moved}),)
    return replace(dataset, plan=dataset.plan.model_copy(update={"tank": tanks}))


def weighed(dataset, factor):
    (name,) = dataset.weighings
    weighing = dataset.weighings[name]
    caught = Measured(weighing.caught.value * factor, weighing.caught.u, "kg")
    return replace(dataset, weighings={name: replace(weighing, caught=caught)})


@pytest.mark.slow
def test_a_healthy_flow_contradicts_nothing(healthy):
    assert contradicted(healthy) == []


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (1.0 / 14.5038, "values in psi taken for bar"),  # 1 bar is 14.5038 psi
        (10.0, "values in MPa taken for bar"),
        (100.0, "values in bar taken for kPa"),
    ],
)
def test_a_pressure_in_another_unit_is_named_by_its_ratio(healthy, factor, words):
    (finding,) = contradicted(planned_at(healthy, factor))
    assert (finding.code, finding.severity) == ("pressure-unit", "serious")
    assert words in finding.text
    assert finding.text.endswith("then correct calibration or mapping.")


@pytest.mark.slow
@pytest.mark.parametrize("factor", [0.8, 1.25, 2.0, 4.0])
def test_a_start_pressure_that_only_differs_is_no_unit(healthy, factor):
    findings = analyse(planned_at(healthy, factor)).results.findings
    assert not any(f.code == "pressure-unit" for f in findings)


@pytest.mark.parametrize(
    ("factor", "words"),
    [(2.2046, "pounds taken for kilograms"), (1.0 / 2.2046, "kilograms taken for pounds"), (0.002, "hardly any")],
)
def test_an_amount_that_is_no_flow_of_this_tank_is_said_to_be_none(healthy, factor, words):
    (finding,) = contradicted(weighed(healthy, factor))
    assert (finding.code, finding.severity) == ("amount-implausible", "serious")
    assert words in finding.text


@pytest.mark.slow
def test_a_second_opening_in_the_record_is_said_and_a_vent_is_not(healthy):
    (tag,) = (c.tag for c in healthy.measuring("tank pressure")[:1])
    channel = healthy.channels[tag]
    end = analyse(healthy).results.window.end
    last = float(channel.time[-1])
    room = last - end
    assert room > 4.0  # s, else there is no place for a second one
    # Down to 70 % of what it was within 0.4 s, and still again.
    share = 1.0 - 0.3 * np.clip((channel.time - end - 0.4 * room) / 0.4, 0.0, 1.0)
    twice = replace(channel, reading=channel.reading * share)
    again = replace(healthy, channels={**healthy.channels, tag: twice})
    (finding,) = contradicted(again)
    assert (finding.code, finding.severity) == ("let-off-in-steps", "note")
    assert "what was weighed fits the first fall alone" in finding.text
    (finding,) = contradicted(weighed(again, 1.7))  # as much as left by the second fall
    assert (finding.code, finding.severity) == ("opened-twice", "serious")
    assert end + 0.4 * room - 0.2 < finding.time < end + 0.4 * room + 0.6
    vented = 1.0e5 + (channel.reading - 1.0e5) * np.exp(-np.maximum(channel.time - end - 0.4 * room, 0.0) / 0.7)
    quiet = replace(healthy, channels={**healthy.channels, tag: replace(channel, reading=vented)})
    assert contradicted(quiet) == []
