"""Each likely cause is said with its size, and becomes a finding that carries what decides."""

import numpy as np
import pytest

from standbook.analysis.cold_flow.seen_flow import first_with_flow
from standbook.analysis.cold_flow.tank_side import flow_side
from standbook.analysis.diagnosis.flow_causes import CAUSES, case_of
from standbook.analysis.findings import causes
from standbook.analysis.findings.catalogue import is_in_group
from tests.rehearsed import dataset_of

# Of each cause a credible size in its own unit, and words that tell it from all others.
WORDS = {
    causes.ULLAGE_LEAK: (1e-2, "gas leaked from the ullage through about"),
    causes.SUPPLY_LEAKS_IN: (1e-2, "gas leaked in from the supply at about"),
    causes.SUPPLY_OPEN: (0.9, "made good 90 % of the fall"),
    causes.TANK_VOLUME: (0.05, "the ullage is 5.0 % "),
    causes.LOAD_NOTE: (0.05, "5.0 % more liquid was aboard than the plan's load"),
    causes.AMOUNT_NOTE: (0.05, "5.0 % more liquid left than was weighed"),
    causes.SENSOR_ZERO: (2e4, "the zero of PT-11 is off by +0.20 bar"),
    causes.SENSOR_DESCRIBED_ABSOLUTE: (-1e5, "reads gauge pressure but is described as absolute"),
    causes.SENSOR_GAIN: (0.02, "is off by +2.0 %"),
    causes.OTHER_SENSOR: (2e4, "the second sensor of the tank is off by +0.20 bar"),
    causes.GAS_NOT_SETTLED: (20.0, "the gas was 20 K warmer than the tank"),
    causes.COLD_LIQUID: (100.0, "some 100 K colder"),
    causes.GAS_INGESTION: (0.3, "kg of liquid still aboard"),
    causes.VALVE_CREEPS: (0.02, "crept open by 2.0 % a second"),
    causes.SLOW_VALVE: (1.1, "the valve took about 1.1 s to open"),
    causes.AREA_CHANGED: (-0.2, "below the plan's"),
}


@pytest.fixture(scope="module")
def case(wf03_campaign, wf03_story, wf03_prediction):
    dataset = dataset_of(wf03_campaign, wf03_story, prediction=wf03_prediction)
    (tank,) = dataset.plan.tank
    seen = first_with_flow(dataset, dataset.measuring("tank pressure", tank.name))
    return case_of(dataset, flow_side(dataset, tank, seen.channel, seen.instants))


def test_every_cause_of_the_list_has_its_words_here():
    assert {cause.kind for cause in CAUSES} == set(WORDS)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.name)
def test_a_cause_is_said_with_its_size_and_what_would_decide(cause, case):
    size, words = WORDS[cause.kind]
    said = cause.say(case, size)
    assert words in said
    assert [other.code for other, (_, theirs) in WORDS.items() if theirs in said] == [cause.kind.code]
    found = cause.kind.at(
        "oxidiser", decided_by=cause.decide, rank=1, share_percent=87.0, what=said, evidence="x", decide=cause.decide
    )
    assert found.text == f"oxidiser: likely cause 1 (87 %): {said}: x. To decide: {cause.decide}."
    assert is_in_group(found, causes.LIKELY_CAUSE)
    assert not is_in_group(found, causes.MOVED_ASSUMPTION)


def test_sizes_that_a_cause_may_have_rise_or_are_one(case):
    for cause in CAUSES:
        if cause.applies(case):
            sizes = cause.sizes(case)
            assert np.all(np.diff(sizes) >= 0.0), cause.name
