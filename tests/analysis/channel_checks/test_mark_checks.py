"""What is said of a crew's mark: nothing where the record agrees, what rose where it does not."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.channel_checks.channel_health import gauge_effect
from standbook.analysis.channel_checks.mark_checks import mark_findings
from standbook.analysis.dataset.dataset import CrewMark
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.physics import USUAL
from tests.rehearsed import dataset_of
from tests.studies.trap_recordings import Bench, instrument

AT = -USUAL.hold - USUAL.pressurising - 0.1  # fuel first, oxidiser a second later
MARK = CrewMark("fuel tank pressurising", "P", AT)


@pytest.fixture(scope="module")
def dataset(tmp_path_factory):
    bench = Bench()
    campaign = bench.campaign(tmp_path_factory.mktemp("marks"))
    return dataset_of(campaign, instrument(campaign, bench.firing, Draw(4)))


def said(dataset, mark=MARK, **readings):
    """Give some channels another one's reading, by tag with underscores."""
    channels = dict(dataset.channels)
    for tag, other in readings.items():
        name = tag.replace("_", "-")
        channels[name] = dataclasses.replace(channels[name], reading=dataset.channels[other].reading)
    return mark_findings(dataclasses.replace(dataset, channels=channels, marks=(mark,)))


def test_a_mark_that_the_record_bears_out_says_nothing(dataset):
    assert said(dataset) == []


def test_exchanged_channels_are_named_with_both_tags(dataset):
    (finding,) = said(dataset, PT_11="PT-21", PT_21="PT-11")
    assert (finding.code, finding.severity, finding.channel) == ("channels-exchanged", "serious", "PT-11")
    assert "PT-11 rose, PT-21 should have and did not" in finding.text


def test_two_places_that_rise_together_are_not_called_exchanged(dataset):
    (finding,) = said(dataset, PT_11="PT-21")
    assert (finding.code, finding.severity) == ("mark-contradicted", "caution")
    assert "PT-11 rose together with PT-21" in finding.text


@pytest.mark.parametrize(
    "mark",
    [
        dataclasses.replace(MARK, struck=True),
        dataclasses.replace(MARK, key="X"),
        dataclasses.replace(MARK, time=-60.0),  # before the record
        dataclasses.replace(MARK, time=30.0),  # nothing rises any more
    ],
    ids=["struck out", "no mark of the plan", "before the record", "long after"],
)
def test_a_mark_that_tells_nothing_is_passed_over(dataset, mark):
    assert said(dataset, mark, PT_11="PT-21", PT_21="PT-11") == []


def test_a_gauge_pressure_taken_for_absolute_raises_an_exponent_as_the_law_says():
    # P V^n with n = 1.3 from 9.98 to 5.27 bar(a), barometer 0.978: the same volumes read in gauge pressures
    start, end, ambient, true = 9.978e5, 5.27e5, 0.978e5, 1.3
    log_volume = np.log(start / end) / true
    wrong = np.log((start - ambient) / (end - ambient)) / log_volume
    assert wrong - gauge_effect(start - ambient, end - ambient, wrong, ambient) == pytest.approx(true, rel=1e-12)
    assert wrong - true == pytest.approx(0.2, abs=0.02)  # as much as a crew would see
