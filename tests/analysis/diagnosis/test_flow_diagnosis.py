"""A mistake at the made-up stand through counts and the whole analysis: its cause is named first, health is not ill."""

import dataclasses
import re

import pytest

from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.json_codec import from_json, to_json
from tests.studies.diagnosis import Trial as Played
from tests.studies.diagnosis import causes_named, confusion, false_alarms, invisible, play
from tests.studies.water_flow_accuracy import reference_campaign


@pytest.fixture(scope="module")
def campaign():
    return reference_campaign()


@pytest.fixture(scope="module")
def leaking(campaign):
    return analyse(play(campaign, 5001, "ullage-leak", 2e-6)[0]).results


@pytest.mark.slow
def test_each_of_some_causes_is_among_the_first_two(campaign):
    """The study runs all of them, twenty times each; these are at the sizes of its table."""
    trials = (
        Played("amount-note", 0.05, 0.05),
        Played("valve-creeps", 0.02, 0.02),
        Played("gas-pulled-through", 0.3, 0.3),
        Played("sensor-zero", 0.03, 0.03),
        Played("supply-open", 1.0, 1.0),
        Played("sensor-clipped", 0.9, 0.9),
    )
    _, right = confusion(campaign, trials, 1)
    assert right == {trial.name: 1 for trial in trials}


@pytest.mark.slow
def test_healthy_runs_are_silent(campaign):
    assert false_alarms(campaign, 2) == {"none": 2}


@pytest.mark.slow
def test_what_leaves_no_trace_is_not_claimed_but_asked_to_be_checked(campaign):
    assert invisible(campaign, 1) == {"clock 0.5 %": (0, 1), "gain 0.5 %": (0, 1)}


def test_a_sentence_has_cause_evidence_with_units_and_what_to_do(leaking):
    first = next(f for f in leaking.findings if f.code.startswith("cause-"))
    assert first.code == "cause-ullage-leak"
    assert first.severity == "caution"
    begins = r"tank: likely cause 1 \(\d+ %\): gas leaked from the ullage through about [\d.]+ mm2: "
    seen = r"before the opening the pressure moved by -\d\.\d{4} bar/s, -0\.\d{4} ± 0\.\d{4} expected"
    assert re.match(begins, first.text)
    assert re.search(seen, first.text)
    assert first.text.endswith(f"To decide: {first.decided_by}.")
    # made with 2 mm2
    size = float(re.search(r"about ([\d.]+) mm2", first.text)[1])
    assert size == pytest.approx(2.0, rel=0.25)


def test_the_deciding_measurement_survives_the_file(leaking):
    again = from_json(to_json(leaking))
    assert again == leaking
    assert any(f.decided_by for f in again.findings)


def test_results_written_before_there_was_a_deciding_measurement_are_read(leaking):
    text = re.sub(r',\n\s*"decided_by": (null|"[^"]*")', "", to_json(leaking))
    assert "decided_by" not in text
    assert [f.text for f in from_json(text).findings] == [f.text for f in leaking.findings]


def test_no_cause_is_named_where_nothing_was_weighed(campaign):
    dataset, _ = play(campaign, 1000)
    results = analyse(dataclasses.replace(dataset, weighings={})).results
    assert causes_named(results) == []
